"""Reading `state.db` without holding it: the page, `status` and `export` beside a running daemon."""

import json
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.encode.times import utc_of
from gateway.store.bad_rows import BAD_ROWS
from gateway.store.outbox import Backlog, EventRow, RetainedRow
from gateway.store.read_only import ReadOnlyFile
from gateway.store.trends import EVERY_TREND

SHEET_ACTS_MAX = 20_000
"""Some two hundred works with a hundred acts each: a ship does a few a year."""


@dataclass(frozen=True, slots=True)
class BookingRow:
    """A booking as it was typed at `utc` (RFC 3339); `entry` is the whole of it, from JSON."""

    engine: str
    id: str
    kind: str
    utc: str
    entry: dict[str, Any]


def packed(value: object) -> bytes:
    """A checkpoint as it is stored: each is written again and again, and a small one wears one page of the disk.
    Raises TypeError or ValueError for what JSON cannot hold."""
    return zlib.compress(json.dumps(value, allow_nan=False, separators=(",", ":")).encode())


def unpacked(kept: bytes | str) -> object:
    """Back from `packed`, or from an older store's plain JSON. Raises ValueError where it is damaged."""
    try:
        value: object = json.loads(kept if isinstance(kept, str) else zlib.decompress(kept))
    except (zlib.error, RecursionError) as e:
        raise ValueError(f"not what was stored: {e}") from None
    return value


@dataclass(frozen=True, slots=True)
class SheetActRow:
    """What was done at a work sheet at `utc` (RFC 3339); `act` is the whole of it, from JSON."""

    engine: str
    sheet: str
    utc: str
    act: dict[str, Any]


class StateReader(ReadOnlyFile):
    """Reads `state.db`, also beside a running daemon. Safe to call from any thread. Raises StorageError.

    Rows that are damaged are left out and noted in `BAD_ROWS`; what is whole is returned.
    """

    def __init__(self, data_dir: Path) -> None:
        super().__init__(data_dir / "state.db", "FULL")

    def gateway_id(self) -> str:
        """The name under which this store counts its seq."""
        return str(self._all("SELECT value FROM fact WHERE key='gateway_id'")[0][0])

    def checkpoint(self, key: str) -> object | None:
        """What was last kept under `key`, from JSON; None if nothing was, or if it is damaged."""
        rows = self._all("SELECT value FROM checkpoint WHERE key=?", key)
        try:
            return unpacked(rows[0][0]) if rows else None
        except (ValueError, TypeError):
            BAD_ROWS.note(self._path, "checkpoint", key)
            return None

    def backlog(self, broker: str) -> Backlog:
        """What `broker` has not got yet; all zero for a name that is not in the settings."""
        rows = self._all("SELECT place, dropped, classes FROM broker WHERE name=? AND active=1", broker)
        if not rows:
            return Backlog(0, None, 0, 0)
        place, dropped, classes = rows[0]
        if "event" not in classes.split():
            return Backlog(0, None, place, dropped)
        oldest = self._all("SELECT utc FROM event WHERE seq > ? ORDER BY seq LIMIT 1", place)
        count = self._all("SELECT count(*) FROM event WHERE seq > ?", place)[0][0]
        return Backlog(count, oldest[0][0] if oldest else None, place, dropped)

    def trends_in_line(self, broker: str) -> tuple[int, int]:
        """How many trends wait for a broker that wants every one, and how many were dropped before it got them."""
        rows = self._all("SELECT trend_place, trends_dropped, classes FROM broker WHERE name=? AND active=1", broker)
        if not rows or EVERY_TREND not in rows[0][2].split():
            return 0, 0
        return self._all("SELECT count(*) FROM trend WHERE n > ?", rows[0][0])[0][0], rows[0][1]

    def brokers(self) -> list[str]:
        """Names in the settings."""
        return [name for (name,) in self._all("SELECT name FROM broker WHERE active=1 ORDER BY name")]

    def events(
        self, after_seq: int, limit: int, *, kind: str | None = None, newest_first: bool = False
    ) -> list[EventRow]:
        """A page of events above `after_seq`, by seq; `newest_first` gives the last ones, latest on top."""
        sql = (
            "SELECT seq, topic, kind, payload, utc FROM event "
            "WHERE seq > ?1 AND seq < ?2 AND (?3 IS NULL OR kind = ?3) "
            f"ORDER BY seq {'DESC' if newest_first else 'ASC'} LIMIT ?4"
        )
        found: list[EventRow] = []
        low, high, jump = after_seq, 2**62, 1
        while len(found) < limit:
            rows, whole = self._as_far_as(sql, low, high, kind, limit - len(found))
            sound = [EventRow(*row) for row in rows if self._is_event(row)]
            found += sound
            if whole and len(sound) == len(rows):
                break
            # Beyond a row that is damaged, or a place that cannot be read, the rest is still to come.
            jump = 1 if rows else 2 * jump
            edge = rows[-1][0] if rows else high - jump if newest_first else low + jump
            low, high = (low, edge) if newest_first else (edge, high)
            if jump > 2**40:
                break
        return found

    def _is_event(self, row: tuple[Any, ...]) -> bool:
        seq, topic, kind, payload, utc = row
        try:
            sound = isinstance(json.loads(payload), dict) and all(isinstance(x, str) for x in (topic, kind, utc))
            utc_of(utc)
        except (ValueError, TypeError, RecursionError):
            sound = False
        if not sound:
            BAD_ROWS.note(self._path, "event", seq)
        return sound

    def retained(self) -> list[RetainedRow]:
        """Every retained value as it stands."""
        rows, _ = self._as_far_as("SELECT topic, klass, rev, payload FROM retained ORDER BY topic LIMIT 100000")
        sound = [row for row in rows if [type(x) for x in row] == [str, str, int, bytes]]
        if len(sound) < len(rows):
            BAD_ROWS.note(self._path, "retained", len(rows) - len(sound))
        return [RetainedRow(*row) for row in sound]

    def bookings(self, engine: str) -> list[BookingRow]:
        """The engine's whole log book in the order of typing."""
        sql = "SELECT engine, id, kind, utc, entry FROM booking WHERE engine=? ORDER BY n LIMIT 100000"
        rows, _ = self._as_far_as(sql, engine)
        found = []
        for e, i, kind, utc, text in rows:
            try:
                entry = json.loads(text)
                utc_of(utc)
                found.append(BookingRow(e, i, kind, utc, entry))
            except (ValueError, TypeError, RecursionError):
                BAD_ROWS.note(self._path, "booking", i)
        return found

    def sheet_acts(self) -> list[SheetActRow]:
        """What was done at the work sheets of all engines, the latest SHEET_ACTS_MAX, in the order of doing."""
        sql = f"SELECT engine, sheet, utc, act, n FROM sheet_act ORDER BY n DESC LIMIT {SHEET_ACTS_MAX}"
        rows, _ = self._as_far_as(sql)
        found = []
        for engine, sheet, utc, text, n in reversed(rows):
            try:
                act = json.loads(text)
                utc_of(utc)
                found.append(SheetActRow(engine, sheet, utc, act))
            except (ValueError, TypeError, RecursionError):
                BAD_ROWS.note(self._path, "sheet_act", n)
        return found
