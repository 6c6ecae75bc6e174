"""The disk beneath the store: refusing, and losing power in the middle of a write. Real SQLite on real files.

A connection of this class stands in for every one that the store opens. At each COMMIT it may refuse as a full,
read-only or failing disk does. A power cut takes the files as they were before and after the commit and leaves a
mixture: of the first file that was being written some sectors new and the rest old, nothing of what is written after
it. (That files stopped at any *real* write come up again is tests/faults/test_disk_power_cut.py, on a loop device.)
"""

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

SECTOR = 512
KEPT = ("state.db", "state.db-wal", "history.db", "history.db-wal")
REFUSALS = {
    "full": ("COMMIT", sqlite3.SQLITE_FULL, "database or disk is full"),
    "failing": ("COMMIT", sqlite3.SQLITE_IOERR, "disk I/O error"),
    "read-only": ("BEGIN IMMEDIATE", sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
}


class PowerCut(BaseException):
    """The box is dark. Not an Exception: nothing in the product may catch it and go on."""


class Disk:
    """`state`: `ok` or one of REFUSALS. `slow`: commits hang; the box asks this. `folder`: the data's, now."""

    def __init__(self, root: Path, seed: int) -> None:
        self._root, self._chance = root, random.Random(f"disk {seed}")
        self._lives = 0
        self.folder = root / "0"
        self.state = "ok"
        self.slow = False
        self._cut_in: int | None = None

    def cut_power_soon(self) -> None:
        """At one of the next commits."""
        self._cut_in = self._chance.randint(1, 4)

    def next_life(self, torn: dict[str, bytes] | None = None) -> Path:
        """A new folder with what survives: all that was written (kill -9), or a power cut's `torn` files."""
        self._lives += 1
        before, self.folder = self.folder, self._root / str(self._lives)
        self.folder.mkdir(mode=0o700)
        for name, data in (torn if torn is not None else self.contents(before)).items():
            (self.folder / name).write_bytes(data)
        return before

    @staticmethod
    def contents(folder: Path) -> dict[str, bytes]:
        """The bytes of every file that matters."""
        return {name: (folder / name).read_bytes() for name in KEPT if (folder / name).exists()}

    @staticmethod
    def remove(folder: Path) -> None:
        """The old life's folder, once its connections are closed."""
        shutil.rmtree(folder, ignore_errors=True)

    def execute(self, sql: str, really: Callable[[], sqlite3.Cursor]) -> sqlite3.Cursor:
        """A statement on its way to SQLite."""
        if self.state != "ok":
            at, code, text = REFUSALS[self.state]
            if sql == at:
                e = sqlite3.OperationalError(text)
                e.sqlite_errorcode = code
                raise e
        if self._cut_in is None or sql != "COMMIT":
            return really()
        self._cut_in -= 1
        if self._cut_in > 0:
            return really()
        self._cut_in = None
        before = self.contents(self.folder)
        really()
        self.torn = self._torn(before, self.contents(self.folder))
        raise PowerCut

    def _torn(self, before: dict[str, bytes], after: dict[str, bytes]) -> dict[str, bytes]:
        """First the log is written and synced, then (at a checkpoint) the file itself; the cut falls into one."""
        changed = [n for n in ("state.db-wal", "state.db") if after.get(n) != before.get(n)]
        if not changed:
            return dict(after)
        hit = self._chance.choice(changed)
        out = dict(before)
        for name in changed:
            if name == hit:
                out[name] = self._mixed(before.get(name, b""), after.get(name, b""))
                break
            out[name] = after[name]
        return out

    def _mixed(self, old: bytes, new: bytes) -> bytes:
        """A log grows in order, so its end is missing; any sector of the others may be the old one."""
        at = [i for i in range(0, len(new), SECTOR) if new[i : i + SECTOR] != old[i : i + SECTOR]]
        written = set(self._chance.sample(at, self._chance.randint(0, len(at))))
        size = max(len(old), max((i + SECTOR for i in written), default=0))
        data = bytearray(old.ljust(min(size, max(len(old), len(new))), b"\0"))
        for i in written:
            data[i : i + SECTOR] = new[i : i + SECTOR]
        return bytes(data)


@contextmanager
def beneath_the_store(disk: Disk) -> Iterator[None]:
    """Every connection opened within it stands on `disk`."""

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
            return disk.execute(sql, lambda: super(Connection, self).execute(sql, parameters))

    real = sqlite3.connect

    def connect(*args: Any, **more: Any) -> sqlite3.Connection:
        return real(*args, factory=Connection, **more)

    with patch("sqlite3.connect", connect):
        yield
