"""Connecting to a SQLite file the way this project keeps its data: settings, numbered steps, words for its errors."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from gateway.model.errors import Refused, StorageError
from gateway.model.sql_script import statements

PAGE_BYTES = 4096
LOG_PAGES = 1_000
APPLICATION_ID = 0x43440000
"""With the number of the last step in its lower half: a file of a newer camdrift holds it twice, a flipped bit once."""

_REFUSED = (
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
)
"""The disk or another program refuses; the file itself may be sound."""
_MEANING = {
    sqlite3.SQLITE_FULL: "the disk or its share for this file is full; free some space",
    sqlite3.SQLITE_READONLY: "the file or its disk is read-only; mount it writable and let camdrift's user own it",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; look at the folder's owner, its rights and the free space",
    sqlite3.SQLITE_IOERR: "the disk reports an error or is full; look at the disk and at the system's log",
    sqlite3.SQLITE_BUSY: "another program holds it; end that program",
    sqlite3.SQLITE_LOCKED: "another program holds it; end that program",
    sqlite3.SQLITE_CORRUPT: "is damaged; restart camdrift, which carries what can be read over into a new file",
    sqlite3.SQLITE_NOTADB: "is damaged; restart camdrift, which carries what can be read over into a new file",
}


def error_code(e: sqlite3.Error) -> int:
    """SQLite's primary result code, 0 where there is none."""
    return (getattr(e, "sqlite_errorcode", None) or 0) & 0xFF


def text_or_bytes(raw: bytes) -> str | bytes:
    """Text, or the bytes where they are no UTF-8: so that one bad letter does not hide a row."""
    try:
        return raw.decode()
    except UnicodeDecodeError:
        return raw


def suspect(path: Path) -> Path:
    """Where the mark of a damaged file stands."""
    return path.with_name(path.name + ".suspect")


def mark_suspect(path: Path) -> None:
    """A part of the file could not be read: the next start replaces it, whatever its own check finds."""
    with suppress(OSError):
        suspect(path).touch(mode=0o600)


def is_damage(e: sqlite3.Error) -> bool:
    """Whether the file is at fault (also: a table is gone, text is no UTF-8), and not the disk."""
    return error_code(e) not in _REFUSED or getattr(e, "sqlite_errorcode", 0) == sqlite3.SQLITE_IOERR_SHORT_READ


def storage_error(path: Path, e: sqlite3.Error) -> StorageError:
    """The error, with what to do about it. A file that is damaged is marked, so that the next start replaces it."""
    if error_code(e) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        mark_suspect(path)
    return StorageError(f"{path}: {_MEANING.get(error_code(e), 'cannot be used')} ({e})")


def damaged_schema(path: Path, e: sqlite3.Error) -> StorageError:
    """The error where the file's own rules refuse what they should take; marks the file as `storage_error` does."""
    mark_suspect(path)
    advice = "restart camdrift, which carries what can be read over into a new file"
    return StorageError(f"{path}: its schema is damaged; {advice} ({e})")


def connect(path: Path, *, synchronous: Literal["FULL", "NORMAL"], read_only: bool = False) -> sqlite3.Connection:
    """A connection with the project's settings; raises sqlite3.Error. Transactions start explicitly."""
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
    """A reader's connection beside a running daemon; raises StorageError with what to do about it."""
    if not path.exists():
        raise StorageError(f"{path}: there is none yet; `camdrift run` makes it")
    try:
        return connect(path, synchronous=synchronous, read_only=True)
    except sqlite3.Error as e:
        raise storage_error(path, e) from None


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
                # The first error is the one to report; a connection left inside would refuse the next BEGIN loudly.
                pass
        raise


def pages_used(db: sqlite3.Connection) -> int:
    """Pages that hold something."""
    return int(db.execute("PRAGMA page_count").fetchone()[0]) - int(db.execute("PRAGMA freelist_count").fetchone()[0])


def give_back(db: sqlite3.Connection, pages: int) -> None:
    """Take up to so many free pages out of the file, outside a transaction; the next checkpoint makes it shorter."""
    # `execute` goes one step in what has no columns, and one step is one page.
    db.executescript(f"PRAGMA incremental_vacuum({pages})")


def open_once(path: Path, steps: str, synchronous: Literal["FULL", "NORMAL"], pages: int) -> sqlite3.Connection:
    """Open or make a sound file and bring it up to date by `steps/<steps>/*.sql`.

    Raises sqlite3.Error; StorageError where it cannot be made, Refused where a newer camdrift wrote it.
    """
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
        _bring_up_to_date(db, path, steps)
        db.execute(f"PRAGMA max_page_count={pages}")
    except BaseException:
        db.close()
        raise
    return db


def run_steps(db: sqlite3.Connection, steps: str, done: int, last: int) -> None:
    """Run the steps after the first `done` up to `last`, each in a transaction of its own. Raises sqlite3.Error."""
    for number, script in enumerate(_scripts(steps)[done:last], start=done + 1):
        with transaction(db):
            for statement in statements(script.read_text(encoding="utf-8"), sqlite3.complete_statement):
                db.execute(statement)
            db.execute(f"PRAGMA user_version={number}")


def use_steps(db: sqlite3.Connection, path: Path, steps: str) -> bool:
    """Whether the file is at the last step. Raises Refused where a newer camdrift wrote it, ValueError where its number
    makes no sense."""
    version, last = steps_done(db), len(_scripts(steps))
    if version <= last:
        return version == last
    if _pragma(db, "application_id") == APPLICATION_ID + version:
        raise Refused(
            f"{path}: was written by a newer camdrift (step {version}, this one knows {last}); "
            "install that version, or: camdrift-update store"
        )
    raise ValueError(f"step {version} of {last}")


def _pragma(db: sqlite3.Connection, name: str) -> int:
    return int(db.execute(f"PRAGMA {name}").fetchone()[0])


def steps_done(db: sqlite3.Connection) -> int:
    """The number of the last step that was run on the file."""
    return _pragma(db, "user_version")


def _scripts(steps: str) -> list[Traversable]:
    folder = files("gateway.store") / "steps" / steps
    return sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)


def _bring_up_to_date(db: sqlite3.Connection, path: Path, steps: str) -> None:
    scripts = _scripts(steps)
    if not use_steps(db, path, steps):
        run_steps(db, steps, steps_done(db), len(scripts))
    if _pragma(db, "application_id") != APPLICATION_ID + len(scripts):
        db.execute(f"PRAGMA application_id={APPLICATION_ID + len(scripts)}")
