"""SQLite or PostgreSQL behind one small face: statements with `?`, transactions, and errors in words.

One connection, one thread. Every error is either StorageError (try again later) or DataFault (these values never will).
"""

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

from gateway.encode.messages import rfc3339
from gateway.model.errors import CamdriftError, Refused, StorageError
from gateway.model.sql_script import statements

BUSY_S = 30
STATEMENT_MS_MAX = 60_000
SCHEMA_LOCK = 7_364_915_023
"""Any fixed number: keepers that start together make the tables one after the other."""


class DataFault(CamdriftError):
    """The database does not take these values."""


class Again(CamdriftError):
    """Another keeper was in the way: the same transaction will do when tried again."""


class Database(Protocol):
    """What both offer. `locked`, `free`: the end of a SELECT that holds its rows, or only rows that nobody holds."""

    locked: str
    free: str

    def run(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Run one statement; its rows, if it gives any."""

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Run one statement for each row."""

    def transaction(self) -> Any:
        """A context manager: all or nothing."""

    def close(self) -> None:
        """Give the connection back."""


def open_database(url: str, *, make: bool) -> Database:
    """Open `sqlite:///file` or `postgresql://…`; `make`: make file and tables where they are missing.

    Raises Refused for a URL that is none of these, StorageError where the database cannot be had.
    """
    parts = urlsplit(url)
    if parts.password is not None:
        raise Refused("--store: a password in a URL can be read by everybody; use PGPASSFILE or PGPASSWORD")
    if parts.scheme in ("postgresql", "postgres"):
        return Postgres(url, make=make)
    if parts.scheme == "sqlite" and not parts.netloc and parts.path.startswith("/"):
        # As elsewhere: three slashes and a relative path, four and an absolute one.
        return Sqlite(Path(parts.path[1:]), make=make)
    raise Refused(f"--store {url}: give sqlite:///FILE or postgresql://USER@HOST/DATABASE")


def plain(value: Any) -> Any:
    """Times and dates as the interface spells them, from either database."""
    if isinstance(value, datetime):
        return rfc3339(value.timestamp())
    return value.isoformat() if isinstance(value, date) else value


def steps(kind: str) -> list[str]:
    """The numbered SQL scripts of `sqlite` or `postgresql`."""
    folder = files("gateway.shore") / "steps" / kind
    found = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return [f.read_text(encoding="utf-8") for f in found]


def _newer(where: str, step: int, known: int) -> Refused:
    return Refused(f"{where}: a newer camdrift wrote it (step {step}, this one knows {known}); install that one")


_MADE_BY_ONE = threading.Lock()


class Sqlite:
    """One file. Writers wait for each other; each commit is on the disk before it returns."""

    locked = ""
    free = ""

    def __init__(self, path: Path, *, make: bool) -> None:
        self._path = path
        try:
            if make:
                self._make_file()
            self._db = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={'rw' if make else 'ro'}",
                uri=True,
                isolation_level=None,
                timeout=BUSY_S,
            )
            self._prepare(make=make)
        except OSError as e:
            raise StorageError(f"{path}: cannot be made: {e.strerror}; look at the folder and its rights") from None
        except sqlite3.Error as e:
            raise self._error(e) from None

    def _make_file(self) -> None:
        """For us alone, where it is missing. One that is there is never opened beside SQLite: with the first descriptor
        that closes, all of SQLite's locks on the file in this process are gone, and writes get lost."""
        with _MADE_BY_ONE, contextlib.suppress(FileExistsError):
            os.close(os.open(self._path, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o600))

    def _prepare(self, *, make: bool) -> None:
        self._db.execute("PRAGMA synchronous=FULL")
        self._db.execute("PRAGMA temp_store=MEMORY")
        if make:
            self._db.execute("PRAGMA journal_mode=WAL")
        scripts = steps("sqlite")
        with self.transaction() if make else _nothing():
            done = int(self._db.execute("PRAGMA user_version").fetchone()[0])
            if done > len(scripts):
                raise _newer(str(self._path), done, len(scripts))
            for number, script in enumerate(scripts[done:] if make else [], start=done + 1):
                for statement in statements(script, sqlite3.complete_statement):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version={number}")

    def _error(self, e: sqlite3.Error) -> CamdriftError:
        if isinstance(e, sqlite3.IntegrityError | sqlite3.DataError | sqlite3.InterfaceError):
            return DataFault(str(e))
        return StorageError(f"{self._path}: {e}; look at the disk, its free space and the file's owner")

    def run(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(sql, values).fetchall()
        except OverflowError as e:
            raise DataFault(str(e)) from None
        except sqlite3.Error as e:
            raise self._error(e) from None

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        try:
            self._db.executemany(sql, rows)
        except OverflowError as e:
            raise DataFault(str(e)) from None
        except sqlite3.Error as e:
            raise self._error(e) from None

    @contextmanager
    def transaction(self) -> Iterator[None]:
        self.run("BEGIN IMMEDIATE")
        try:
            yield
            self.run("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.rollback()
            raise

    def close(self) -> None:
        self._db.close()


class Postgres:
    """A PostgreSQL database through psycopg 3."""

    locked = " FOR UPDATE"
    free = " FOR UPDATE SKIP LOCKED"

    def __init__(self, url: str, *, make: bool) -> None:
        try:
            import psycopg
        except ImportError:
            raise Refused("PostgreSQL needs an extra: pip install 'camdrift[shore]'") from None
        self._errors = psycopg.errors
        self._any = psycopg.Error
        self._texts: dict[str, bytes] = {}
        options = f"-c statement_timeout={STATEMENT_MS_MAX} -c timezone=UTC"
        try:
            self._db: psycopg.Connection[tuple[Any, ...]] = psycopg.connect(
                url,
                autocommit=True,
                connect_timeout=10,
                keepalives_idle=30,
                options=options,
                application_name="camdrift",
            )
            if make:
                self._make()
        except self._any as e:
            raise self._error(e) from None

    def _make(self) -> None:
        scripts = steps("postgresql")
        with self.transaction():
            self.run(f"SELECT pg_advisory_xact_lock({SCHEMA_LOCK})")
            self.run("CREATE TABLE IF NOT EXISTS schema_step (step integer PRIMARY KEY)")
            done = int(self.run("SELECT coalesce(max(step), 0) FROM schema_step")[0][0])
            if done > len(scripts):
                raise _newer("the database", done, len(scripts))
            for number, script in enumerate(scripts[done:], start=done + 1):
                self._db.execute(script.encode())
                self.run("INSERT INTO schema_step VALUES (?)", (number,))

    def _error(self, e: Exception) -> CamdriftError:
        text = " ".join(str(e).split())
        if isinstance(e, self._errors.DeadlockDetected | self._errors.SerializationFailure):
            return Again(text)
        if isinstance(e, self._errors.DataError | self._errors.IntegrityError | self._errors.ProgramLimitExceeded):
            return DataFault(text)
        return StorageError(f"PostgreSQL: {text}")

    def _text(self, sql: str) -> bytes:
        """psycopg's marks for ours; no statement of ours holds `?` or `%` otherwise."""
        if sql not in self._texts:
            self._texts[sql] = sql.replace("?", "%s").encode()
        return self._texts[sql]

    def run(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            cursor = self._db.execute(self._text(sql), values or None)
            return cursor.fetchall() if cursor.description else []
        except self._any as e:
            raise self._error(e) from None

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        try:
            with self._db.cursor() as cursor:
                cursor.executemany(self._text(sql), rows)
        except self._any as e:
            raise self._error(e) from None

    @contextmanager
    def transaction(self) -> Iterator[None]:
        try:
            with self._db.transaction():
                yield
        except self._any as e:
            raise self._error(e) from None

    def close(self) -> None:
        self._db.close()


@contextmanager
def _nothing() -> Iterator[None]:
    yield
