"""Trends and readings by month in PostgreSQL: the tables of the months that are needed, and of those that go.

A keeper makes the months from the oldest row up to the month after next, and drops those that lie entirely before
what is to be kept. It does so under a lock of its own, so any number of keepers may. In SQLite nothing is divided.
"""

from collections.abc import Mapping
from datetime import UTC, datetime

from gateway.shore.database import Database, Postgres

TABLES = (("trend", "trend_at"), ("reading", "reading_at"))
LOCK = 7_364_915_024
MONTHS_MAX = 600
"""Of a store: what lies further back than fifty years came from a wrong clock, and stays in the other table."""


def month_of(utc_s: float) -> int:
    """Months since year 0."""
    at = datetime.fromtimestamp(utc_s, UTC)
    return at.year * 12 + at.month - 1


def begins(month: int) -> str:
    """The month's first day, as YYYY-MM-DD."""
    return f"{month // 12:04d}-{month % 12 + 1:02d}-01"


def part_of(table: str, month: int) -> str:
    """The name of a month's table."""
    return f"{table}_{month // 12:04d}_{month % 12 + 1:02d}"


def keep_months(db: Database, utc_s: float, before_s: Mapping[str, float]) -> list[str]:
    """Make and drop tables of months. `before_s`: for each table from when on it is kept. Returns what was done."""
    if not isinstance(db, Postgres):
        return []
    done = []
    with db.transaction():
        db.run(f"SELECT pg_advisory_xact_lock({LOCK})")
        for table, column in TABLES:
            there = _there(db, table)
            oldest = month_of(before_s[table])
            for month in sorted(there):
                if month < oldest:
                    db.run(f"DROP TABLE {part_of(table, month)}")
                    done.append(f"dropped {part_of(table, month)}")
            for month in _wanted(db, table, column, utc_s, oldest) - there:
                _make(db, table, column, month)
                done.append(f"made {part_of(table, month)}")
    return done


def _there(db: Database, table: str) -> set[int]:
    rows = db.run(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
        "WHERE i.inhparent = CAST(? AS regclass)",
        (table,),
    )
    parts = [str(name).removeprefix(f"{table}_").split("_") for (name,) in rows]
    return {int(p[0]) * 12 + int(p[1]) - 1 for p in parts if len(p) == 2}


def _wanted(db: Database, table: str, column: str, utc_s: float, oldest: int) -> set[int]:
    """Of what is kept: the last months and the next ones, and those that have rows in the other table."""
    now = month_of(utc_s)
    wanted = set(range(max(oldest, now - 2), now + 3))
    rows = db.run(f"SELECT DISTINCT date_trunc('month', {column} AT TIME ZONE 'UTC') FROM {table}_other")
    for (first,) in rows:
        month = month_of(first.replace(tzinfo=UTC).timestamp())
        if max(oldest, now - MONTHS_MAX) <= month <= now + 2:
            wanted.add(month)
    return wanted


def _make(db: Database, table: str, column: str, month: int) -> None:
    """A month's table, with what lay in the other one."""
    part, first, after = part_of(table, month), begins(month), begins(month + 1)
    span = (f"{first}T00:00:00Z", f"{after}T00:00:00Z")
    db.run(f"CREATE TABLE {part} (LIKE {table} INCLUDING DEFAULTS)")
    db.run(f"INSERT INTO {part} SELECT * FROM {table}_other WHERE {column} >= ? AND {column} < ?", span)
    db.run(f"DELETE FROM {table}_other WHERE {column} >= ? AND {column} < ?", span)
    db.run(f"ALTER TABLE {table} ATTACH PARTITION {part} FOR VALUES FROM ('{span[0]}') TO ('{span[1]}')")
