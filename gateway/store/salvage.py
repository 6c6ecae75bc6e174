"""Carrying what can still be read out of a damaged SQLite file, row by row, into a new one.

A table is read upwards by its key. Where a page cannot be read, the next readable row is looked for beyond it, and what
lies before that row is read downwards. Every row is checked before it is taken: a row of the wrong types is counted as
lost and left in the damaged file, which stays beside the new one.
"""

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gateway.store.database import text_or_bytes, transaction

BATCH_ROWS = 500
FAULTS_MAX = 1_000
"""Unreadable places passed over in one table."""
JUMPS = tuple(2**n for n in range(41))

Row = tuple[Any, ...]
_HEADER = {
    0: b"SQLite format 3\0",
    16: b"\x10\x00\x02\x02\x00\x40\x20\x20",
    44: b"\x00\x00\x00\x04",
    56: b"\x00\x00\x00\x01",
}
"""What never differs between files of this project: magic text, page size 4096, write-ahead log, text in UTF-8."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table to carry over. `key`: the leading columns, by which it is ordered; `valid`: whether a row may be taken;
    `sql_bad`: the same in SQL as far as it shows at each start, for tables too large to be read then."""

    name: str
    columns: tuple[str, ...]
    key: int
    valid: Callable[[Row], bool]
    sql_bad: str = ""
    integer_key: bool = False

    @property
    def select(self) -> str:
        """All columns."""
        return f"SELECT {', '.join(self.columns)} FROM {self.name}"

    @property
    def insert(self) -> str:
        """One row; one that is there stays."""
        marks = ",".join("?" * len(self.columns))
        return f"INSERT OR IGNORE INTO {self.name} ({', '.join(self.columns)}) VALUES ({marks})"

    def takes(self, row: Row) -> bool:
        """Whether the row may be taken, whatever stands in it."""
        try:
            return self.valid(row)
        except (TypeError, ValueError, KeyError, AttributeError, RecursionError):
            return False

    def key_sql(self) -> tuple[str, str, str]:
        """The key as a row value, its parameters, and its order from the far end."""
        names = self.columns[: self.key]
        return f"({', '.join(names)})", f"({','.join('?' * self.key)})", ", ".join(f"{n} DESC" for n in names)


class TargetFault(Exception):
    """The new file does not take a row: the disk's fault, not the damaged file's."""

    def __init__(self, error: sqlite3.Error) -> None:
        super().__init__(str(error))
        self.error = error


@dataclass(slots=True)
class Salvaged:
    """Rows carried over and rows lost, by table; `unreadable`: tables of which a part could not even be counted."""

    carried: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    unreadable: set[str] = field(default_factory=set)


def repair_header(path: Path) -> None:
    """Put the constant fields of the first page right: one flipped bit in them hides the whole file."""
    try:
        with path.open("r+b") as f:
            head = f.read(100)
            if len(head) < 100:
                return
            for at, right in _HEADER.items():
                if head[at : at + len(right)] != right:
                    f.seek(at)
                    f.write(right)
    except OSError:
        return


def open_damaged(path: Path, *, with_log: bool, short: bool = False) -> sqlite3.Connection:
    """A connection that changes nothing in the file; without its write-ahead log where that may be another file's."""
    mode = "mode=ro" if with_log else "mode=ro&immutable=1"
    db = sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True, isolation_level=None)
    db.text_factory = text_or_bytes
    if short:
        # SQLite then reads a file that is shorter than its header gives, as far as it goes.
        db.execute("PRAGMA writable_schema=ON")
    return db


def first_bad(db: sqlite3.Connection, tables: Iterable[Table]) -> str | None:
    """The first table with a row that may not be, or None. Raises sqlite3.Error where it cannot even be read."""
    before, db.text_factory = db.text_factory, text_or_bytes
    try:
        for table in tables:
            if table.sql_bad:
                bad = db.execute(f"SELECT 1 FROM {table.name} WHERE {table.sql_bad} LIMIT 1").fetchone() is not None
                db.execute(f"{table.select} LIMIT 1").fetchall()
            else:
                bad = not all(map(table.takes, db.execute(table.select).fetchall()))
            if bad:
                return table.name
    finally:
        db.text_factory = before
    return None


def carry_over(source: sqlite3.Connection, target: sqlite3.Connection, tables: Sequence[Table], out: Salvaged) -> None:
    """Copy every readable and valid row of `tables`; adds to `out`. Raises TargetFault where `target` fails."""
    for table in tables:
        _Copy(source, target, table, out).run()


class _Copy:
    def __init__(self, source: sqlite3.Connection, target: sqlite3.Connection, table: Table, out: Salvaged) -> None:
        self._source, self._target, self._table, self._out = source, target, table, out
        self._batch: list[Row] = []

    def run(self) -> None:
        low: Row | None = None
        for _ in range(FAULTS_MAX):
            low, whole = self._upwards(low)
            if whole:
                break
            self._out.unreadable.add(self._table.name)
            beyond = self._beyond(low)
            self._downwards(low, beyond)
            if beyond is None:
                break
            low = beyond
        self._flush()

    def _upwards(self, low: Row | None) -> tuple[Row | None, bool]:
        """Take rows above `low`; the last key taken, and whether the end was reached."""
        key, marks, _ = self._table.key_sql()
        where = "" if low is None else f" WHERE {key} > {marks}"
        try:
            for row in self._source.execute(f"{self._table.select}{where} ORDER BY {key[1:-1]}", low or ()):
                if low is not None and not low < row[: self._table.key]:
                    return low, False  # pages that lead back to each other would be read for ever
                low = row[: self._table.key]
                self._take(row)
        except (sqlite3.Error, OverflowError, TypeError):
            return low, False
        return low, True

    def _beyond(self, low: Row | None) -> Row | None:
        """Key of a readable row beyond the unreadable place above `low`; None where there is none to be found."""
        if not self._table.integer_key:
            return None
        start = low[0] if low is not None and isinstance(low[0], int) else 0
        column = self._table.columns[0]
        for jump in JUMPS:
            try:
                row = self._source.execute(
                    f"SELECT {column} FROM {self._table.name} WHERE {column} > ? ORDER BY {column} LIMIT 1",
                    (start + jump,),
                ).fetchone()
                self._source.execute(f"{self._table.select} WHERE {column}=?", row or (0,)).fetchall()
            except (sqlite3.Error, OverflowError):
                continue
            return row if row is None else (int(row[0]) - 1,)
        return None

    def _downwards(self, low: Row | None, high: Row | None) -> None:
        """Take rows from `high` (or the end) down to `low`, as far as they can be read."""
        key, marks, order = self._table.key_sql()
        bounds = [(f"{key} > {marks}", low), (f"{key} <= {marks}", high)]
        where = " AND ".join(sql for sql, at in bounds if at is not None) or "1"
        values = [v for _, at in bounds if at is not None for v in at]
        last: Row | None = None
        try:
            for row in self._source.execute(f"{self._table.select} WHERE {where} ORDER BY {order}", values):
                if last is not None and not row[: self._table.key] < last:
                    return
                last = row[: self._table.key]
                self._take(row)
        except (sqlite3.Error, OverflowError, TypeError):
            # What is left between the two ends is lost; `unreadable` names the table.
            return

    def _take(self, row: Row) -> None:
        name = self._table.name
        if not self._table.takes(row):
            self._out.lost[name] = self._out.lost.get(name, 0) + 1
            return
        self._batch.append(row)
        if len(self._batch) >= BATCH_ROWS:
            self._flush()

    def _flush(self) -> None:
        name, batch = self._table.name, self._batch
        self._batch = []
        try:
            with transaction(self._target):
                added = self._target.executemany(self._table.insert, batch).rowcount if batch else 0
        except sqlite3.Error as e:
            raise TargetFault(e) from e
        self._out.carried[name] = self._out.carried.get(name, 0) + max(0, added)
