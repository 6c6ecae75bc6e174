"""`history.db`: ten-minute medians for years, minute means for weeks, a trend for each day. Written in groups,
`synchronous=NORMAL`.

Each `flush` commits what has come since the last one and then waits for the disk once, so a kill or a power cut loses
no more than that. No alarm needs anything in here.

**Thinning.** Ten-minute medians for 400 days; then one an hour (median of medians, revolutions summed) up to five
years; then one a day. Minute means for 35 days. Trends, the last of each UTC day, and events for the
survey file (`kept`) for eleven years: two dockings. If
the file still reaches nine tenths of `gateway.history_mb`, the oldest minute means go first, then the oldest medians of
whatever grade. All in steps of 5,000 rows at most, or of as many as come at once.
"""

import json
import os
import sqlite3
import threading
import zlib
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple
from itertools import groupby
from pathlib import Path
from statistics import fmean, median
from typing import Any

from gateway.encode.times import utc_of
from gateway.model.enums import Priority
from gateway.model.errors import StorageError
from gateway.model.records import Median
from gateway.store.database import PAGE_BYTES, pages_used, storage_error, transaction
from gateway.store.history_reader import COLUMNS, READING_FIELDS, HistoryReader, ReadingRow
from gateway.store.opening import Plan, open_file
from gateway.store.tables import HISTORY

__all__ = ["READING_FIELDS", "History", "HistoryReader", "ReadingRow", "merged"]

READING_S, DAY_S = 60.0, 86_400.0
READING_DAYS = 35.0
TEN_MINUTES_DAYS = 400.0
HOURLY_DAYS = 5 * 365.25
TREND_DAYS = 11 * 365.25
"""Some 0.7 kB a day and engine: 3 MB in eleven years."""
KEPT_EVENTS_MAX = 50_000
"""Some 0.3 kB each; a dozen a day for eleven years. The oldest go first."""
STEP_ROWS = 5_000
PENDING_ROWS_MAX = 20_000
"""Rows held in memory while the disk fails: two weeks of minute means of one engine. The oldest go first."""
CHECK_BYTES_MAX = 64 * 1024 * 1024
"""In a larger file the start checks the structure only; a damaged row is found by its reader, which marks the file."""
PAGES_SHARE_MAX = 0.9
PAGE_ROWS_MIN = 25
"""So many rows of either table fit into a page, whatever stands in them."""

_MEDIAN_INSERT = (
    f"INSERT OR REPLACE INTO median (engine, grade, {', '.join(COLUMNS)}) VALUES (?, ?{', ?' * len(COLUMNS)})"
)
_READING_INSERT = (
    f"INSERT OR REPLACE INTO reading (engine, utc_s, {', '.join(READING_FIELDS)}) "
    f"VALUES (?, ?{', ?' * len(READING_FIELDS)})"
)
_EVENT_INSERT = "INSERT OR REPLACE INTO kept_event VALUES (?, ?, ?, ?)"
_TREND_INSERT = (
    "INSERT INTO trend VALUES (?, ?, ?, ?) ON CONFLICT (engine, day) DO UPDATE "
    "SET utc_s=excluded.utc_s, payload=excluded.payload WHERE excluded.utc_s >= utc_s"
)


class History(HistoryReader):
    """Opens and writes `history.db` in a folder this process holds. `renewal`: how a damaged one was replaced.

    `add` and `add_reading` only remember; `flush` writes. Raises StorageError.
    """

    def __init__(self, data_dir: Path, history_mb: float, *, was_there: bool = False) -> None:
        """`was_there`: a missing file counts as a loss."""
        path = data_dir / "history.db"
        limit = history_mb * 1024 * 1024
        plan = Plan("history", "NORMAL", limit, tables=HISTORY, check_bytes_max=CHECK_BYTES_MAX)
        self._writer, self.renewal = open_file(path, plan, was_there=was_there)
        self._max_pages = int(limit / PAGE_BYTES)
        self._write_lock, self._due_lock = threading.Lock(), threading.Lock()
        self._medians_due: deque[tuple[str, Median]] = deque(maxlen=PENDING_ROWS_MAX)
        self._readings_due: deque[tuple[str, ReadingRow]] = deque(maxlen=PENDING_ROWS_MAX)
        self._trends_due: deque[tuple[str, float, bytes]] = deque(maxlen=PENDING_ROWS_MAX)
        self._events_due: deque[tuple[int, float, str, bytes]] = deque(maxlen=PENDING_ROWS_MAX)
        self._open_minute: dict[str, tuple[float, list[Mapping[str, float | None]]]] = {}
        super().__init__(data_dir)

    def add(self, engine: str, row: Median) -> None:
        """Remember a ten-minute median."""
        with self._due_lock:
            self._medians_due.append((engine, row))

    def add_reading(self, engine: str, utc_s: float, values: Mapping[str, float | None]) -> None:
        """Take a reading into its minute's means. Raises ValueError for a name outside READING_FIELDS."""
        unknown = sorted(set(values) - set(READING_FIELDS))
        if unknown:
            raise ValueError(f"not a field of a reading: {', '.join(unknown)}")
        minute = utc_s // READING_S * READING_S
        with self._due_lock:
            if self._open_minute.get(engine, (minute,))[0] != minute:
                self._close_minute(engine)
            self._open_minute.setdefault(engine, (minute, []))[1].append(dict(values))

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """Remember a trend as it was published; of each UTC day the last one is kept."""
        with self._due_lock:
            self._trends_due.append((engine, utc_s, payload))

    def add_event(self, seq: int, topic: str, body: Mapping[str, Any]) -> None:
        """Remember an event that a survey file needs; any other is passed over."""
        if not kept(body):
            return
        squeezed = zlib.compress(json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode())
        with self._due_lock:
            self._events_due.append((seq, utc_of(str(body["ts"])), topic, squeezed))

    def flush(self, *, all_minutes: bool = False) -> int:
        """Write what is remembered in one transaction; `all_minutes`: unfinished minutes too. Returns rows written."""
        with self._write_lock:
            medians, readings, trends, events = due = self._due(all_minutes)
            if not any(due):
                return 0
            try:
                with transaction(self._writer):
                    ids = self._ids({e for e, *_ in [*medians, *readings, *trends]})
                    self._keep_bounds(sum(map(len, due)))
                    self._writer.executemany(_MEDIAN_INSERT, [(ids[e], 0, *astuple(m)) for e, m in medians])
                    self._writer.executemany(
                        _READING_INSERT,
                        [(ids[e], r.utc_s, *(r.values.get(f) for f in READING_FIELDS)) for e, r in readings],
                    )
                    self._writer.executemany(_EVENT_INSERT, events)
                    self._writer.executemany(
                        _TREND_INSERT,
                        [(ids[e], int(utc_s // DAY_S), utc_s, zlib.compress(p)) for e, utc_s, p in trends],
                    )
                self._sync()
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None
            with self._due_lock:
                _forget(self._medians_due, medians)
                _forget(self._readings_due, readings)
                _forget(self._trends_due, trends)
                _forget(self._events_due, events)
            return sum(map(len, due))

    def thin(self, now_utc: float) -> int:
        """One bounded step of the rule above; returns the rows it dealt with, 0 when nothing is left to do."""
        try:
            with self._write_lock, transaction(self._writer):
                done = 0
                for (engine,) in self._writer.execute("SELECT id FROM engine").fetchall():
                    done += self._merge(engine, 0, 1, 3_600.0, now_utc - TEN_MINUTES_DAYS * DAY_S)
                    done += self._merge(engine, 1, 2, DAY_S, now_utc - HOURLY_DAYS * DAY_S)
                    done += self._forget_readings(engine, now_utc - READING_DAYS * DAY_S)
                    done += self._forget_trends(engine, now_utc - TREND_DAYS * DAY_S)
                done += self._forget_events(now_utc - TREND_DAYS * DAY_S)
                return done
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None

    def close(self) -> None:
        """Write what is left, then close. Raises StorageError if the disk refuses, and is closed then too."""
        try:
            self.flush(all_minutes=True)
        finally:
            super().close()
            with self._write_lock:
                self._writer.close()

    def _sync(self) -> None:
        # NORMAL leaves the log's pages to the system's leisure; one wait per flush binds them.
        try:
            fd = os.open(self._path.with_name(self._path.name + "-wal"), os.O_RDWR | os.O_CLOEXEC)
            try:
                os.fdatasync(fd)
            finally:
                os.close(fd)
        except OSError as e:
            raise StorageError(f"{self._path}: the disk did not confirm it: {e.strerror}; look at the disk") from None

    def _due(self, all_minutes: bool) -> tuple[list[Any], list[Any], list[Any], list[Any]]:
        with self._due_lock:
            if all_minutes:
                for engine in list(self._open_minute):
                    self._close_minute(engine)
            due = self._medians_due, self._readings_due, self._trends_due, self._events_due
            return list(due[0]), list(due[1]), list(due[2]), list(due[3])

    def _close_minute(self, engine: str) -> None:
        minute, taken = self._open_minute.pop(engine)
        self._readings_due.append((engine, ReadingRow(minute, {f: _mean(taken, f) for f in READING_FIELDS})))

    def _ids(self, slugs: Iterable[str]) -> dict[str, int]:
        self._writer.executemany("INSERT OR IGNORE INTO engine (slug) VALUES (?)", [(s,) for s in slugs])
        return dict(self._writer.execute("SELECT slug, id FROM engine").fetchall())

    def _keep_bounds(self, coming: int) -> None:
        if pages_used(self._writer) + coming // PAGE_ROWS_MIN <= PAGES_SHARE_MAX * self._max_pages:
            return
        # After a long failure more rows come at once than a step takes out; what does not fit now never would.
        rows = max(STEP_ROWS, coming)
        gone = self._delete_oldest("reading", rows)
        if gone < max(1, coming):
            self._delete_oldest("median", rows - gone)

    def _delete_oldest(self, table: str, rows: int) -> int:
        found = self._writer.execute(f"SELECT engine, utc_s FROM {table} ORDER BY utc_s LIMIT ?", (rows,)).fetchall()
        self._writer.executemany(f"DELETE FROM {table} WHERE engine=? AND utc_s=?", found)
        return len(found)

    def _forget_readings(self, engine: int, before_utc: float) -> int:
        found = self._writer.execute(
            "SELECT engine, utc_s FROM reading WHERE engine=? AND utc_s < ? ORDER BY utc_s LIMIT ?",
            (engine, before_utc, STEP_ROWS),
        ).fetchall()
        self._writer.executemany("DELETE FROM reading WHERE engine=? AND utc_s=?", found)
        return len(found)

    def _forget_trends(self, engine: int, before_utc: float) -> int:
        days = (engine, int(before_utc // DAY_S), STEP_ROWS)
        found = self._writer.execute("SELECT day FROM trend WHERE engine=? AND day < ? LIMIT ?", days).fetchall()
        self._writer.executemany("DELETE FROM trend WHERE engine=? AND day=?", [(engine, day) for (day,) in found])
        return len(found)

    def _forget_events(self, before_utc: float) -> int:
        return self._writer.execute(
            "DELETE FROM kept_event WHERE seq IN (SELECT seq FROM kept_event WHERE utc_s < ?1 OR seq <= "
            "(SELECT seq FROM kept_event ORDER BY seq DESC LIMIT 1 OFFSET ?2) ORDER BY seq LIMIT ?3)",
            (before_utc, KEPT_EVENTS_MAX, STEP_ROWS),
        ).rowcount

    def _merge(self, engine: int, grade: int, into: int, slot_s: float, before_utc: float) -> int:
        rows = self._writer.execute(
            f"SELECT {', '.join(COLUMNS)} FROM median WHERE engine=? AND utc_s < ? AND grade=? ORDER BY utc_s LIMIT ?",
            (engine, before_utc // slot_s * slot_s, grade, STEP_ROWS),
        ).fetchall()
        groups = [list(group) for _, group in groupby(rows, key=lambda row: row[0] // slot_s)]
        if len(rows) == STEP_ROWS and len(groups) > 1:
            groups.pop()  # it may go on beyond this step
        for group in groups:
            self._writer.executemany("DELETE FROM median WHERE engine=? AND utc_s=?", [(engine, r[0]) for r in group])
            self._writer.execute(_MEDIAN_INSERT, (engine, into, *astuple(merged([Median(*r) for r in group]))))
        return sum(len(group) for group in groups)


def kept(body: Mapping[str, Any]) -> bool:
    """Is it an event that a survey file needs: an alarm of priority alarm or above, a person's act, a start?"""
    if body.get("kind") == "alarm":
        return body.get("priority") in (Priority.ALARM, Priority.EMERGENCY_ALARM) or body.get("by") is not None
    return body.get("kind") == "gateway" and body.get("what") == "started"


def merged(rows: Sequence[Median]) -> Median:
    """One row for several: median of each figure that is known, revolutions summed, hours at the middle."""

    def mid(name: str) -> float | None:
        known = [v for row in rows if (v := getattr(row, name)) is not None]
        return median(known) if known else None

    figures: dict[str, Any] = {name: mid(name) for name in COLUMNS}
    return Median(**{**figures, "revolutions": sum(row.revolutions for row in rows)})


def _mean(taken: Sequence[Mapping[str, float | None]], name: str) -> float | None:
    known = [v for values in taken if (v := values.get(name)) is not None]
    return fmean(known) if known else None


def _forget(due: deque[Any], written: Sequence[object]) -> None:
    # What came in meanwhile stays; what the bound has already pushed out must not be counted twice.
    for item in written:
        if due and due[0] is item:
            due.popleft()
