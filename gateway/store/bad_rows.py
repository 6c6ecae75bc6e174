"""Rows that could not be read while the daemon runs: skipped, counted, and reported by `storage-fault`."""

import threading
from pathlib import Path

from gateway.store.database import mark_suspect

NOTED_MAX = 1_000
"""Different rows remembered for each file."""


class BadRows:
    """What readers have skipped, by file; one for the process, since each reader has its own connection."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._noted: dict[Path, set[tuple[str, object]]] = {}

    def note(self, path: Path, table: str, key: object) -> None:
        """A row of `path` was skipped: the next start replaces the file by what can be read."""
        with self._lock:
            noted = self._noted.setdefault(path, set())
            if (table, key) in noted or len(noted) >= NOTED_MAX:
                return
            noted.add((table, key))
        mark_suspect(path)

    def forget(self, path: Path) -> None:
        """The file was opened again."""
        with self._lock:
            self._noted.pop(path, None)

    def text(self, path: Path) -> str | None:
        """What to do about it, or None where nothing was skipped."""
        with self._lock:
            tables = [table for table, _ in self._noted.get(path, ())]
        if not tables:
            return None
        what = ", ".join(f"{tables.count(t)} {t}" for t in sorted(set(tables)))
        return f"{path}: rows that cannot be read are left out ({what}); restart camdrift, which renews the file"


BAD_ROWS = BadRows()
