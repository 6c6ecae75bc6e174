"""What the fleet's page reads from the store, one connection for each question."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from gateway.encode.messages import rfc3339, utc_of
from gateway.encode.shapes import TrendMessage
from gateway.model.errors import Refused
from gateway.shore.database import Database, open_database, plain
from gateway.shore.fleet import trend_message
from gateway.shore.plan import Stay
from gateway.shore.sql import EVENT_TEXT

POINTS_MAX = 600
EVENTS_MAX = 100
WORK = ("retightened", "camshaft-set", "pumps-compensated", "chain-renewed", "links-renewed", "spring-renewed")
_FIGURES = (
    "trend_at, hours, lag_deg_p05, lag_deg, lag_deg_p95, elongation_percent, elongation_percent_per_1000h, spring_mm, "
    "lost_motion_deg"
)
_TREND = (
    f"SELECT {_FIGURES} FROM (SELECT {_FIGURES}, row_number() OVER (ORDER BY trend_at DESC) - 1 AS n, count(*) OVER () "
    "AS c FROM trend WHERE vessel = ? AND engine = ? AND trend_at >= ?) AS s "
    "WHERE n = n / ((c + ? - 1) / ?) * ((c + ? - 1) / ?) ORDER BY trend_at"
)
"""Each so many-th, the newest always: whole numbers are divided. The years are read once; a count took as long."""
_WORK = (
    f"SELECT event_at, subject, hours, {EVENT_TEXT} FROM event WHERE vessel = ? AND engine = ? AND kind = 'adjustment' "
    "ORDER BY event_at"
)
_ALARMS = (
    f"SELECT event_at, subject, priority, {EVENT_TEXT} FROM event WHERE vessel = ? AND engine = ? AND kind = 'alarm' "
    "AND went_to = 'unacknowledged' AND event_at >= ? ORDER BY event_at DESC LIMIT ?"
)
_EVENTS = (
    f"SELECT event_at, engine, kind, subject, priority, went_to, {EVENT_TEXT}, actor FROM event WHERE vessel = ? "
    "ORDER BY event_at DESC LIMIT ?"
)
_LAST = "SELECT e.message FROM engine_now e WHERE e.vessel = ? AND e.engine = ?"
_ALL = "SELECT e.vessel, e.engine, e.message FROM engine_now e"
_STAYS = "SELECT id, vessel, port, from_day, to_day, actor FROM port_stay WHERE to_day >= ? ORDER BY from_day, vessel"


@dataclass(frozen=True, slots=True)
class Course:
    """An engine's years. `rows`: time, hours, lag (5 %, middle, 95 %), elongation, its rate, spring, lost motion; as
    many as a picture shows. `work`: time, what, hours, text."""

    rows: tuple[tuple[float, ...], ...]
    work: tuple[tuple[float, str, float | None, str], ...]
    alarms: tuple[tuple[str, str, str, str], ...]


class Reader:
    """Reads; any thread. Raises StorageError."""

    def __init__(self, url: str) -> None:
        self._url = url

    @contextmanager
    def open(self, *, write: bool = False) -> Iterator[Database]:
        """A connection for one question."""
        db = open_database(self._url, make=write)
        try:
            yield db
        finally:
            db.close()

    def course(self, vessel: str, engine: str, since_s: float, points: int = POINTS_MAX) -> Course:
        """The engine's course since then."""
        since = rfc3339(since_s)
        with self.open() as db:
            rows = db.run(_TREND, (vessel, engine, since, *[points] * 4))
            work = db.run(_WORK, (vessel, engine))
            alarms = db.run(_ALARMS, (vessel, engine, since, EVENTS_MAX))
        return Course(
            tuple((_s(at), *values) for at, *values in rows),
            tuple((_s(at), str(what), hours, str(text)) for at, what, hours, text in work if what in WORK),
            tuple((_at(at), str(tag), str(priority), str(text)) for at, tag, priority, text in alarms),
        )

    def trend(self, vessel: str, engine: str) -> TrendMessage | None:
        """The newest trend, whole; `None` where none is kept."""
        with self.open() as db:
            rows = db.run(_LAST, (vessel, engine))
        return trend_message(plain(rows[0][0])) if rows else None

    def trends(self, engines: Sequence[tuple[str, str]]) -> dict[tuple[str, str], TrendMessage]:
        """The newest trends of these."""
        found: dict[tuple[str, str], TrendMessage] = {}
        wanted = set(engines)
        with self.open() as db:
            rows = [(str(v), str(e), message) for v, e, message in db.run(_ALL)]
        for vessel, engine, message in rows:
            trend = trend_message(plain(message)) if (vessel, engine) in wanted else None
            if trend is not None:
                found[vessel, engine] = trend
        return found

    def events(self, vessel: str) -> list[tuple[str, ...]]:
        """The newest of a vessel."""
        with self.open() as db:
            rows = db.run(_EVENTS, (vessel, EVENTS_MAX))
        return [(_at(at), *("" if v is None else str(v) for v in rest)) for at, *rest in rows]

    def stays(self, today: str) -> list[Stay]:
        """Port stays that are not over."""
        with self.open() as db:
            rows = db.run(_STAYS, (today,))
        return [Stay(int(i), *(str(plain(v)) for v in rest)) for i, *rest in rows]

    def add_stay(self, stay: Stay, utc_s: float) -> None:
        """Keep a port stay."""
        with self.open(write=True) as db:
            db.run(
                "INSERT INTO port_stay (vessel, port, from_day, to_day, actor, made_at) VALUES (?, ?, ?, ?, ?, ?)",
                (stay.vessel, stay.port, stay.from_day, stay.to_day, stay.actor, rfc3339(utc_s)),
            )

    def remove_stay(self, number: int) -> None:
        """It will not be."""
        with self.open(write=True) as db:
            if not db.run("DELETE FROM port_stay WHERE id = ? RETURNING id", (number,)):
                raise Refused("This port stay is gone already.")


def _s(value: Any) -> float:
    return utc_of(str(plain(value)))


def _at(value: Any) -> str:
    return str(plain(value))[:16].replace("T", " ")
