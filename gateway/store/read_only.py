"""A connection that only reads one of the store's files, beside the thread that writes it."""

import sqlite3
import threading
from pathlib import Path
from typing import Any, Literal

from gateway.store.bad_rows import BAD_ROWS
from gateway.store.database import is_damage, open_to_read, storage_error, text_or_bytes


class ReadOnlyFile:
    """Safe to use from any thread. Raises StorageError, with the path and what to do."""

    def __init__(self, path: Path, synchronous: Literal["FULL", "NORMAL"]) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._db = open_to_read(path, synchronous)
        self._db.text_factory = text_or_bytes

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._db.close()

    def _as_far_as(self, sql: str, *values: object) -> tuple[list[tuple[Any, ...]], bool]:
        """The rows before the first place that cannot be read, and whether there was no such place."""
        rows: list[tuple[Any, ...]] = []
        try:
            with self._lock:
                rows.extend(self._db.execute(sql, values))  # up to the fault, where there is one
        except sqlite3.Error as e:
            if not is_damage(e):
                raise storage_error(self._path, e) from None
            BAD_ROWS.note(self._path, "place", str(e))
            return rows, False
        return rows, True

    def _all(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        # fetchall always: a half-read SELECT pins the write-ahead log, which then grows without bound.
        try:
            with self._lock:
                return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None
