"""Trends in line for brokers that want each of them: what is kept, what is done, what goes when there are too many.

A broker with `every-trend` among its classes has a place in this line beside its place among the events. A trend stays
until all such brokers have it. While one of them cannot be reached, 31 days of each engine's are kept, and up to a day
more, since they are dropped by the day, the oldest first; where the store's pages grow short, trends go before any
event that a broker has not got. What is dropped undelivered is counted for each broker and reported hourly in one
event.
"""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gateway import __version__
from gateway.encode.messages import gateway_event_body, utc_of

EVERY_TREND = "every-trend"
"""Stands among a broker's classes in the store."""
STEP_ROWS = 24
KEEP_ROWS = 31 * 24
"""Of one topic."""
_WITH_EVERY_TREND = f"SELECT name, trend_place FROM broker WHERE active=1 AND instr(classes, '{EVERY_TREND}') > 0"
_DELETE_DONE = (
    "DELETE FROM trend WHERE n <= (SELECT coalesce(min(trend_place), 9223372036854775807) FROM broker "
    f"WHERE active=1 AND instr(classes, '{EVERY_TREND}') > 0)"
)


@dataclass(frozen=True, slots=True)
class TrendRow:
    """A trend in line; `n` rises from one to the next of whatever engine."""

    n: int
    topic: str
    payload: bytes


def wanted(db: sqlite3.Connection) -> bool:
    """Whether any broker wants every trend."""
    return bool(db.execute(_WITH_EVERY_TREND + " LIMIT 1").fetchall())


def put(db: sqlite3.Connection, row: TrendRow, *, pages_short: bool) -> None:
    """Put it in line; what is too much of its topic goes, and while pages are short as much of any."""
    db.execute("INSERT INTO trend VALUES (?, ?, ?)", (row.n, row.topic, row.payload))
    (count,) = db.execute("SELECT count(*) FROM trend WHERE topic=?", (row.topic,)).fetchone()
    if count >= KEEP_ROWS + STEP_ROWS:
        drop(db, count - KEEP_ROWS, row.topic)
    elif pages_short:
        drop(db, STEP_ROWS)


def done(db: sqlite3.Connection, broker: str, upto: int) -> None:
    """This broker has everything up to `upto`, with it what stands in `retained`. Inside a transaction."""
    db.execute(
        "INSERT INTO retained_done SELECT name, topic, rev FROM retained, broker "
        "WHERE name=? AND klass='trend' AND rev > trend_place AND rev <= ? "
        "ON CONFLICT (broker, topic) DO UPDATE SET rev=max(rev, excluded.rev)",
        (broker, upto),
    )
    db.execute("UPDATE broker SET trend_place=max(trend_place, ?) WHERE name=?", (upto, broker))
    delete_done(db)


def delete_done(db: sqlite3.Connection) -> None:
    """Take out what all that want every trend have got; all of it where none does."""
    db.execute(_DELETE_DONE)


def drop(db: sqlite3.Connection, rows: int, topic: str | None = None) -> int:
    """Drop up to `rows` of the oldest (of one topic), counted for each broker without them; returns how many."""
    found = db.execute("SELECT n FROM trend WHERE ?1 IS NULL OR topic=?1 ORDER BY n LIMIT ?2", (topic, rows)).fetchall()
    db.executemany("DELETE FROM trend WHERE n=?", found)
    for name, place in db.execute(_WITH_EVERY_TREND).fetchall():
        lost = sum(n > place for (n,) in found)
        db.execute("UPDATE broker SET trends_dropped=trends_dropped+? WHERE name=?", (lost, name))
    return len(found)


def newly_dropped(db: sqlite3.Connection) -> dict[str, int]:
    """How many were dropped undelivered, by broker, since the last call: from now on they count as reported."""
    rows = db.execute(
        "SELECT name, trends_dropped-trends_told FROM broker WHERE active=1 AND trends_dropped > trends_told"
    ).fetchall()
    db.execute("UPDATE broker SET trends_told=trends_dropped WHERE trends_told < trends_dropped")
    return {str(name): int(n) for name, n in rows}


def loss_body(lost: Mapping[str, int], utc: str) -> dict[str, Any]:
    """The `gateway` event that reports them. `utc`: RFC 3339."""
    what = ", ".join(f"{n} for {name}" for name, n in sorted(lost.items()))
    text = (
        f"Hourly trends were dropped undelivered, the oldest first: {what}; 31 days of them are kept, room permitting"
    )
    return gateway_event_body("trends-dropped", utc_of(utc), version=__version__, text=text)
