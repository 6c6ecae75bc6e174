"""Opening a SQLite file the way this project keeps its data: settings, numbered steps, check, words for its errors."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Literal

from gateway.model.errors import Refused, StorageError

PAGE_BYTES = 4096
LOG_PAGES = 1_000
CORRUPT_COPIES_MAX = 3
"""Damaged files set aside; a disk that keeps on damaging files must not be filled with them."""

_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_MEANING = {
    sqlite3.SQLITE_FULL: "the disk or its share for this file is full; free some space",
    sqlite3.SQLITE_READONLY: "the file or its disk is read-only; mount it writable and let camdrift's user own it",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; look at the folder's owner, its rights and the free space",
    sqlite3.SQLITE_IOERR: "the disk reports an error or is full; look at the disk and at the system's log",
    sqlite3.SQLITE_BUSY: "another program holds it; end that program",
    sqlite3.SQLITE_LOCKED: "another program holds it; end that program",
    sqlite3.SQLITE_CORRUPT: "is damaged; restart camdrift, which sets it aside and begins a new one",
    sqlite3.SQLITE_NOTADB: "is damaged; restart camdrift, which sets it aside and begins a new one",
}


def error_code(e: sqlite3.Error) -> int:
    """SQLite's primary result code, 0 where there is none."""
    return (getattr(e, "sqlite_errorcode", None) or 0) & 0xFF


def storage_error(path: Path, e: sqlite3.Error) -> StorageError:
    """The error in words that say what to do."""
    return StorageError(f"{path}: {_MEANING.get(error_code(e), 'cannot be used')} ({e})")


def connect(path: Path, *, synchronous: Literal["FULL", "NORMAL"], read_only: bool = False) -> sqlite3.Connection:
    """A connection with the project's settings; raises sqlite3.Error. Transactions are begun explicitly."""
    uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rw'}"
    db = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
    try:
        db.execute("PRAGMA busy_timeout=5000")
        db.execute(f"PRAGMA synchronous={synchronous}")
        for line in (
            "foreign_keys=ON",
            "temp_store=MEMORY",
            f"wal_autocheckpoint={LOG_PAGES}",
            "journal_size_limit=4194304",
        ):
            db.execute(f"PRAGMA {line}")
        if read_only:
            db.execute("PRAGMA query_only=ON")
    except sqlite3.Error:
        db.close()
        raise
    return db


def open_to_read(path: Path, synchronous: Literal["FULL", "NORMAL"]) -> sqlite3.Connection:
    """A reader's connection beside a running daemon; raises StorageError that says what to do."""
    if not path.exists():
        raise StorageError(f"{path}: there is none yet; `camdrift run` makes it")
    try:
        return connect(path, synchronous=synchronous, read_only=True)
    except sqlite3.Error as e:
        raise storage_error(path, e) from None


def open_file(
    path: Path, steps: str, *, synchronous: Literal["FULL", "NORMAL"], max_bytes: float
) -> tuple[sqlite3.Connection, Path | None]:
    """Open or make `path`, check it, bring it up to date by `steps/<steps>/*.sql`.

    A damaged file is set aside as `<name>.corrupt-<n>` and a new one begun; its new place is the second result.
    Raises StorageError where the disk refuses, Refused where a newer camdrift wrote the file.
    """
    aside: Path | None = None
    for _ in range(2):
        try:
            return _open_once(path, steps, synchronous, int(max_bytes / PAGE_BYTES)), aside
        except sqlite3.Error as e:
            if error_code(e) not in _DAMAGED or aside is not None:
                raise storage_error(path, e) from None
            aside = _set_aside(path)
    raise AssertionError("unreachable")


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """BEGIN IMMEDIATE … COMMIT, or ROLLBACK on any error."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            try:
                db.execute("ROLLBACK")
            except sqlite3.Error:
                # The first error is the one to tell; a connection left inside would refuse the next BEGIN loudly.
                pass
        raise


def pages_used(db: sqlite3.Connection) -> int:
    """Pages that hold something."""
    return int(db.execute("PRAGMA page_count").fetchone()[0]) - int(db.execute("PRAGMA freelist_count").fetchone()[0])


def give_back(db: sqlite3.Connection, pages: int) -> None:
    """Take up to so many free pages out of the file, outside a transaction; the next checkpoint makes it shorter."""
    # `execute` goes one step in what has no columns, and one step is one page.
    db.executescript(f"PRAGMA incremental_vacuum({pages})")


def _open_once(path: Path, steps: str, synchronous: Literal["FULL", "NORMAL"], pages: int) -> sqlite3.Connection:
    try:
        path.touch(mode=0o600)
    except OSError as e:
        raise StorageError(
            f"{path}: cannot be written: {e.strerror}; look at the disk and the folder's rights"
        ) from None
    db = connect(path, synchronous=synchronous)
    try:
        # Only before the first table do these two take effect.
        db.execute(f"PRAGMA page_size={PAGE_BYTES}")
        db.execute("PRAGMA auto_vacuum=INCREMENTAL")
        db.execute("PRAGMA journal_mode=WAL")
        verdict = db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            raise _damaged(verdict)
        _bring_up_to_date(db, path, steps)
        db.execute(f"PRAGMA max_page_count={pages}")
    except BaseException:
        db.close()
        raise
    return db


def _damaged(verdict: str) -> sqlite3.DatabaseError:
    e = sqlite3.DatabaseError(verdict)
    e.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return e


def _bring_up_to_date(db: sqlite3.Connection, path: Path, steps: str) -> None:
    folder = files("gateway.store") / "steps" / steps
    scripts = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if version > len(scripts):
        raise Refused(
            f"{path}: was written by a newer camdrift (step {version}, this one knows {len(scripts)}); "
            "install that version again, or move the file away"
        )
    for number, script in enumerate(scripts[version:], start=version + 1):
        with transaction(db):
            for statement in _statements(script.read_text(encoding="utf-8")):
                db.execute(statement)
            db.execute(f"PRAGMA user_version={number}")


def _statements(script: str) -> Iterator[str]:
    text = ""
    for line in script.splitlines(keepends=True):
        text += line
        if sqlite3.complete_statement(text):
            yield text
            text = ""


def _set_aside(path: Path) -> Path:
    def taken(n: int) -> Path:
        return path.with_name(f"{path.name}.corrupt-{n}")

    numbers = sorted(
        int(p.suffix.rpartition("-")[2])
        for p in path.parent.glob(f"{path.name}.corrupt-[0-9]*")
        if p.suffix.rpartition("-")[2].isdigit() and "-wal" not in p.name
    )
    new = taken(numbers[-1] + 1 if numbers else 1)
    try:
        for n in numbers[: max(0, len(numbers) + 1 - CORRUPT_COPIES_MAX)]:
            for tail in ("", "-wal"):
                taken(n).with_name(taken(n).name + tail).unlink(missing_ok=True)
        path.rename(new)
        wal = path.with_name(path.name + "-wal")
        if wal.exists():
            wal.rename(new.with_name(new.name + "-wal"))
        path.with_name(path.name + "-shm").unlink(missing_ok=True)
    except OSError as e:
        raise StorageError(f"{path}: is damaged and cannot be set aside: {e.strerror}; move it away by hand") from None
    return new
