"""What a report needs of a vessel, from the shore's store: its trends in place of readings, its events, its log book.

What is not sent ashore is not known here, and the report lists it (`ashore`).
"""

import json
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean
from typing import Any

from gateway.encode.messages import rfc3339, utc_of
from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.report.facts import Commissioning, Period
from gateway.report.hours import Counter, Coverage
from gateway.report.words import minute, plural
from gateway.shore.database import Database, open_database
from gateway.shore.fleet import missing_events
from gateway.store.history import ReadingRow
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import KINDS, Entry, from_before_after

ROWS_MAX = 1_000_000
"""A century of hourly trends."""
EVENTS_PAGE = 1_000
DAYS_PER_STEP = 400

NOT_SENT = (
    "The ship sends trends and events. Its readings are kept aboard, so the share of hours with good readings, the "
    "speed and the casing's temperature are not known here.",
    "The ticks of work sheets and the commissioning records are kept aboard too.",
    "Limits are those of the copy of the ship's settings that is kept ashore.",
)
_HEARD = "SELECT heard_at FROM vessel WHERE vessel = ?"
_TRENDS = (
    "SELECT trend_at, hours, lag_deg, spring_mm FROM trend WHERE vessel = ? AND engine = ? ORDER BY trend_at LIMIT ?"
)
_MESSAGES = "SELECT message FROM trend WHERE vessel = ? AND engine = ? AND trend_at IN ({marks}) ORDER BY trend_at"
_GATEWAYS = "SELECT gateway FROM gateway WHERE vessel = ? ORDER BY seen_at, gateway"
_EVENTS = (
    "SELECT seq, engine, message FROM event WHERE gateway = ? AND vessel = ? AND seq > ? ORDER BY seq LIMIT {limit}"
)
_WORK = (
    # In the order of the record: a correction comes after what it corrects, whatever the ship's clock did.
    "SELECT e.gateway, e.seq, e.message FROM event e JOIN gateway g ON g.gateway = e.gateway "
    "WHERE e.vessel = ? AND e.engine = ? AND e.kind = 'adjustment' ORDER BY g.seen_at, e.gateway, e.seq"
)
_NEWEST = "SELECT message FROM engine_now WHERE vessel = ? AND engine = ?"
_NEWEST_EVENT = "SELECT max(event_at) FROM event WHERE vessel = ?"


@dataclass(frozen=True, slots=True)
class TrendRow:
    """A trend as a reading: its middle figures at its running hours."""

    utc_s: float
    hours: float
    lag_deg: float | None
    spring_mm: float | None


class ShoreRecord:
    """One vessel's part of the shore's store, for reading. Raises StorageError; Refused for one never heard."""

    def __init__(self, url: str, vessel: str) -> None:
        self._db, self._vessel = open_database(url, make=False), vessel
        self._log: dict[str, list[Entry]] = {}
        self.history = TrendHistory(self._db, vessel)
        try:
            rows = self._db.run(_HEARD, (vessel,))
            if not rows:
                raise Refused(f"vessel {vessel} has never been heard; look at `camdrift shore fleet`")
            lost, _ = missing_events(self._db).get(vessel, (0, ()))
        except BaseException:
            self._db.close()
            raise
        heard = f"The ship was last heard on {minute(_s(rows[0][0]))}."
        gaps = (f"{plural(lost, 'event')} of the ship did not arrive, so alarms or work may lack.",) if lost else ()
        self.ashore: Sequence[str] = (heard, *gaps, *NOT_SENT)

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    def latest_s(self, slugs: Sequence[str]) -> float:
        """UTC of the newest on record, 0 without any."""
        ((newest,),) = self._db.run(_NEWEST_EVENT, (self._vessel,))
        ends = [row.utc_s for slug in slugs for row in self.history.rows(slug)[-1:]]
        return max([0.0, *ends, *([] if newest is None else [_s(newest)])])

    def events(self, _settings: Settings) -> Iterator[tuple[str | None, dict[str, Any], bool]]:
        """All that are kept: gateway after gateway as they were first heard, each in the order of its numbers."""
        for (gateway,) in self._db.run(_GATEWAYS, (self._vessel,)):
            after = 0
            while rows := self._db.run(_EVENTS.format(limit=EVENTS_PAGE), (gateway, self._vessel, after)):
                after = int(rows[-1][0])
                for _, engine, message in rows:
                    yield str(engine) or None, _object(message), True

    def log(self, slug: str) -> list[Entry]:
        """The log book, made again from the events of its records; what cannot be is left out."""
        if slug not in self._log:
            rows = self._db.run(_WORK, (self._vessel, slug))
            found = (booked_by(str(gateway), int(seq), _object(message)) for gateway, seq, message in rows)
            self._log[slug] = [entry for entry in found if entry is not None]
        return self._log[slug]

    def newest_trend(self, _settings: Settings, slug: str) -> bytes | None:
        """As it came."""
        rows = self._db.run(_NEWEST, (self._vessel, slug))
        return None if not rows or rows[0][0] is None else _text(rows[0][0])

    def sheet_acts(self, _slug: str) -> list[tuple[str, dict[str, Any]]]:
        """None is sent ashore."""
        return []

    def photo_data(self, _name: str) -> str | None:
        """None is sent ashore."""
        return None

    def checkpoint(self, _slug: str) -> object:
        """None is sent ashore."""
        return None

    def coverage(self, _e: EngineSettings, _p: Period, *, bursts: bool) -> Coverage:
        """Not known from trends."""
        return Coverage(None, None, None)

    def commissionings(self, _settings: Settings, _slugs: Sequence[str]) -> list[Commissioning]:
        """None is sent ashore."""
        return []


class TrendHistory:
    """The trends of a vessel as courses. An engine's rows are read once."""

    def __init__(self, db: Database, vessel: str) -> None:
        self._db, self._vessel = db, vessel
        self._times: dict[str, list[float]] = {}
        self._rows: dict[str, list[TrendRow]] = {}

    def _read(self, engine: str) -> None:
        if engine not in self._times:
            found = [(_s(at), *values) for at, *values in self._db.run(_TRENDS, (self._vessel, engine, ROWS_MAX))]
            self._times[engine] = [row[0] for row in found]
            self._rows[engine] = [TrendRow(*row) for row in found if row[1] is not None]

    def rows(self, engine: str) -> list[TrendRow]:
        """All whose running hours are known, by time."""
        self._read(engine)
        return self._rows[engine]

    def _between(self, engine: str, from_utc: float, to_utc: float) -> list[TrendRow]:
        rows = self.rows(engine)
        first, last = (bisect_left(rows, x, key=lambda row: row.utc_s) for x in (from_utc, to_utc))
        return rows[first:last]

    def counter(self, engine: str, from_utc: float, to_utc: float, *, last: bool = False) -> Counter | None:
        """(UTC, running hours) of the first, or the last, trend in [from, to)."""
        found = self._between(engine, from_utc, to_utc)
        return (found[-1 if last else 0].utc_s, found[-1 if last else 0].hours) if found else None

    def since_hours(self, engine: str, hours: float, limit: int) -> Sequence[TrendRow]:
        """Trends from these running hours on, by hours."""
        return sorted((row for row in self.rows(engine) if row.hours >= hours), key=lambda row: row.hours)[:limit]

    def median_points(self, engine: str, from_utc: float, to_utc: float, points: int) -> Sequence[ReadingRow]:
        """Trends in [from, to) averaged into at most `points` equal intervals, empty ones left out."""
        width = (to_utc - from_utc) / points
        slots: dict[int, list[TrendRow]] = {}
        for row in self._between(engine, from_utc, to_utc):
            slots.setdefault(int((row.utc_s - from_utc) / width), []).append(row)
        return [
            ReadingRow(
                from_utc + slot * width,
                {"lag_deg": _mean([r.lag_deg for r in rows]), "spring_mm": _mean([r.spring_mm for r in rows])},
            )
            for slot, rows in sorted(slots.items())
        ]

    def trends(self, engine: str, from_utc: float, to_utc: float, limit: int) -> list[tuple[float, bytes]]:
        """(UTC, message) of each day's last trend in [from, to), oldest first."""
        self._read(engine)
        times = self._times[engine]
        between = times[bisect_left(times, from_utc) : bisect_left(times, to_utc)]
        return self._messages(engine, list({t // 86_400: t for t in between}.values())[:limit])

    def trend_at(self, engine: str, utc_s: float) -> tuple[float, bytes] | None:
        """The last trend up to that time."""
        self._read(engine)
        at = bisect_right(self._times[engine], utc_s)
        found = self._messages(engine, self._times[engine][at - 1 : at])
        return found[0] if found else None

    def _messages(self, engine: str, times: Sequence[float]) -> list[tuple[float, bytes]]:
        found: list[tuple[float, bytes]] = []
        for at in range(0, len(times), DAYS_PER_STEP):
            part = times[at : at + DAYS_PER_STEP]
            sql = _MESSAGES.format(marks=", ".join("?" * len(part)))
            rows = self._db.run(sql, (self._vessel, engine, *map(rfc3339, part)))
            found += [(utc_s, _text(message)) for utc_s, (message,) in zip(part, rows, strict=True)]
        return found


def booked_by(gateway: str, seq: int, body: dict[str, Any]) -> Entry | None:
    """The booking behind an event. One without its number, of an older ship, gets one by its event."""
    try:
        what, before, after = str(body["what"]), body["before"], body["after"]
        if what not in KINDS:
            return None
        text = str(body["text"])
        note = "" if text.startswith("booked by ") else text.rpartition(" (booked by ")[0] or text
        return read_entry(
            {
                "kind": what,
                "id": after.get("record_id") or f"{gateway[:8]}-{seq}",
                "utc_s": utc_of(after.get("work_utc") or body["ts"]),
                "hours": body["hours"],
                "person": body["by"],
                "note": note,
                **from_before_after(what, before, after),
            }
        )
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, Refused):
        # Of another version, or without its running hours: the others still count, as aboard.
        return None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return fmean(known) if known else None


def _s(value: Any) -> float:
    return value.timestamp() if isinstance(value, datetime) else utc_of(str(value))


def _text(message: Any) -> bytes:
    """PostgreSQL gives JSON read, SQLite as it was written."""
    return message.encode() if isinstance(message, str) else json.dumps(message).encode()


def _object(message: Any) -> dict[str, Any]:
    return dict(json.loads(message) if isinstance(message, str) else message)
