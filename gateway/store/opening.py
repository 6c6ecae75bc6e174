"""Opening a store's file at the start, whatever has happened to it.

A file that is sound is opened and brought up to date. One that is damaged is replaced: what can be read goes row by row
into a new file, the damaged one stays beside as `<name>.corrupt-<n>` (the newest three). The order of steps leaves
nothing half done after a kill: the new file is complete before the old one moves, and takes its name after it.
"""

import math
import os
import sqlite3
import stat
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import structlog

from gateway.model.errors import StorageError
from gateway.store import salvage
from gateway.store.database import (
    PAGE_BYTES,
    is_damage,
    open_once,
    steps_done,
    storage_error,
    suspect,
    use_steps,
)
from gateway.store.salvage import Salvaged, Table
from gateway.store.schema import foreign_object, repair_schema

CORRUPT_COPIES_MAX = 3
"""Damaged files kept; a disk that goes on damaging files must not be filled with them."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a file holds. `steps`: its folder of numbered SQL; `seed`: writes the
    bookings of their second copy into a new file before anything is carried over, and gives their number;
    `check_bytes_max`: in a larger file only the structure is checked at the start, not each index and row."""

    steps: str
    synchronous: Literal["FULL", "NORMAL"]
    max_bytes: float
    tables: Sequence[Table]
    seed: Callable[[sqlite3.Connection], int] = lambda _db: 0
    check_bytes_max: float = math.inf


@dataclass(frozen=True, slots=True)
class Renewal:
    """A file was replaced by a new one. `kept_as`: where the damaged one is kept, None where nothing was left."""

    name: str
    why: str
    kept_as: Path | None
    rows: Salvaged = field(default_factory=Salvaged)
    seeded: int = 0

    @property
    def text(self) -> str:
        """For the event `storage-renewed` and the log."""
        kept = f"; the damaged file is kept as {self.kept_as.name}" if self.kept_as else ""
        parts = [f"{n} {name}" for name, n in self.rows.carried.items() if n]
        carried = ", ".join([*parts, *[f"{self.seeded} booking from logbook.jsonl"] * (self.seeded > 0)])
        lost = [f"{n} {name}" for name, n in self.rows.lost.items()]
        lost += [f"parts of {name}" for name in sorted(self.rows.unreadable)]
        end = f". Rows carried over: {carried or 'none'}"
        return f"{self.name} was renewed: it {self.why}{kept}{end}. Rows lost: {', '.join(lost) or 'none known'}"


def open_file(path: Path, plan: Plan, *, was_there: bool = False) -> tuple[sqlite3.Connection, Renewal | None]:
    """Open or make `path`; the second result is what was replaced. `was_there`: a missing file counts as a loss.

    Raises StorageError where the disk refuses, Refused where a newer camdrift wrote the file.
    """
    _finish_rename(path)
    _clear_companions(path)
    why = _fault_of(path, plan, was_there=was_there)
    renewal = None if why is None else _renew(path, plan, why)
    try:
        return _open(path, plan), renewal
    except (sqlite3.Error, ValueError) as e:
        if isinstance(e, sqlite3.Error) and (renewal is not None or not is_damage(e)):
            raise storage_error(path, e) from None
        renewal = _renew(path, plan, f"was damaged ({e})")
    try:
        return _open(path, plan), renewal
    except sqlite3.Error as e:
        raise storage_error(path, e) from None


def _open(path: Path, plan: Plan) -> sqlite3.Connection:
    return open_once(path, plan.steps, plan.synchronous, int(plan.max_bytes / PAGE_BYTES))


def _new(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def _finish_rename(path: Path) -> None:
    """Killed between the two renames: the new file is complete and has only to take its name."""
    if not _new(path).is_file():
        return
    if os.path.lexists(path):
        _remove(_new(path))
    else:
        # What is beside it belongs to the damaged file: its rows are in the new one already.
        _remove(path)
        with suppress(OSError):
            _new(path).rename(path)


def _remove(path: Path) -> None:
    for tail in ("", "-wal", "-shm"):
        with suppress(OSError):
            path.with_name(path.name + tail).unlink(missing_ok=True)


def _clear_companions(path: Path) -> None:
    """Log and shared index that are no files, or not ours to write, would keep a sound file from being opened."""
    for tail in ("-wal", "-shm"):
        beside = path.with_name(path.name + tail)
        if os.path.lexists(beside) and not _usable(beside):
            _rename_damaged(beside)


def _usable(path: Path) -> bool:
    """Whether it is a regular file that may be read and written, if need be after its mode has been put right."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            return False
        if found.st_mode & 0o600 != 0o600:
            path.chmod(0o600)
    except OSError:
        return False
    return os.access(path, os.R_OK | os.W_OK)


def _fault_of(path: Path, plan: Plan, *, was_there: bool) -> str | None:
    """What is wrong with the file, None where it is sound or new. Raises StorageError where the disk refuses."""
    if not os.path.lexists(path):
        return "was missing" if was_there else None
    if not _usable(path):
        # On a disk that is mounted read-only nothing is set aside: the disk is the fault.
        if not os.access(path.parent, os.W_OK):
            raise StorageError(f"{path}: cannot be written; look at the disk and the folder's rights")
        return "is not a file that this user may read and write"
    if path.stat().st_size == 0:
        return "was empty"
    if suspect(path).exists():
        return "had rows that could not be read"
    if not _versions_known(path):
        return "was damaged (its header names a file format that does not exist)"
    return _damage(path, plan)


def _versions_known(path: Path) -> bool:
    """Whether bytes 18 and 19 are 1 or 2 (SQLite, file format, 1.3.3). Another write version opens read-only, as if
    the disk were at fault, and every start would be refused."""
    with suppress(OSError), path.open("rb") as file:
        return all(version in (1, 2) for version in file.read(20)[18:])
    return True


def _damage(path: Path, plan: Plan, *, with_log: bool = True) -> str | None:
    # Read-only: a connection that may write would mix a log that is another file's into this one when it is closed.
    try:
        with closing(salvage.open_damaged(path, with_log=with_log)) as db:
            large = path.stat().st_size > plan.check_bytes_max
            check = "quick_check" if large else "integrity_check"
            verdict = str(db.execute(f"PRAGMA {check}(1)").fetchone()[0])
            if verdict != "ok":
                return f"was damaged ({verdict.splitlines()[-1]:.80})"
            is_latest, version = use_steps(db, path, plan.steps), steps_done(db)
            if (what := foreign_object(db, plan.steps, version)) is not None:
                return f"had a schema that is not camdrift's ({what:.80})"
            if not is_latest or large:
                return None  # an older one is brought up to date by its steps
            bad = salvage.first_bad(db, plan.tables)
            return None if bad is None else f"had a damaged row in {bad}"
    except sqlite3.Error as e:
        if not is_damage(e):
            raise storage_error(path, e) from None
        return f"was damaged ({e})"
    except (ValueError, TypeError, OverflowError) as e:
        return f"was damaged ({e})"


def _renew(path: Path, plan: Plan, why: str) -> Renewal:
    rows = Salvaged()
    _remove(_new(path))
    try:
        with closing(_open(_new(path), plan)) as new:
            new.execute("PRAGMA foreign_keys=OFF")
            seeded = plan.seed(new)
            _carry_over(path, new, plan, rows)
    except sqlite3.Error as e:
        _remove(_new(path))
        raise storage_error(path, e) from None
    kept = keep_damaged(path) if os.path.lexists(path) and not _is_empty(path) else None
    _remove(path)  # also a log that was left alone: SQLite would take it for the new file's
    try:
        os.replace(_new(path), path)
    except OSError as e:
        raise StorageError(f"{path}: cannot be replaced: {e.strerror}; look at the disk") from None
    with suppress(OSError):
        suspect(path).unlink(missing_ok=True)
    renewal = Renewal(path.name, why, kept, rows, seeded)
    structlog.get_logger("store").error("store.renewed", file=path.name, text=renewal.text)
    return renewal


def _is_empty(path: Path) -> bool:
    return path.is_file() and path.stat().st_size == 0


def _carry_over(path: Path, new: sqlite3.Connection, plan: Plan, rows: Salvaged) -> None:
    """With the write-ahead log and without it, which may be another file's; what is sound by itself comes first."""
    if not path.is_file() or not os.access(path, os.R_OK) or _is_empty(path):
        return
    salvage.repair_header(path)
    repair_schema(path, plan.steps, steps_done(new))
    alone = _damage(path, plan, with_log=False) is None
    for n, with_log in enumerate((not alone, alone)):
        found = Salvaged() if n else rows
        try:
            with closing(salvage.open_damaged(path, with_log=with_log, short=True)) as old:
                salvage.carry_over(old, new, plan.tables, found)
        except salvage.TargetFault:
            # The disk is full: what fits is kept, and the damaged file has it all.
            rows.unreadable.add("what found no room on the disk")
            return
        except sqlite3.Error:
            rows.unreadable.add("the file")
        for name, count in found.carried.items() if n else ():
            rows.carried[name] = rows.carried.get(name, 0) + count


def keep_damaged(path: Path) -> Path:
    """Move a damaged file and its log out of the way, as `<name>.corrupt-<n>`; returns the new place.

    Raises StorageError where the folder does not let it.
    """
    new = _rename_damaged(path)
    with suppress(OSError):
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size > 0:
            wal.rename(new.with_name(new.name + "-wal"))
    _remove(path)
    return new


def _rename_damaged(path: Path) -> Path:
    def taken(n: int) -> Path:
        return path.with_name(f"{path.name}.corrupt-{n}")

    numbers = sorted(
        int(p.suffix.rpartition("-")[2])
        for p in path.parent.glob(f"{path.name}.corrupt-[0-9]*")
        if p.suffix.rpartition("-")[2].isdigit() and "-wal" not in p.suffix
    )
    new = taken(numbers[-1] + 1 if numbers else 1)
    try:
        for n in numbers[: max(0, len(numbers) + 1 - CORRUPT_COPIES_MAX)]:
            _remove(taken(n))
        path.rename(new)
    except OSError as e:
        raise StorageError(f"{path}: is damaged and cannot be set aside: {e.strerror}; move it away by hand") from None
    return new
