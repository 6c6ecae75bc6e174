"""Whether a file's schema is what this camdrift makes, and putting its text right where it was damaged in place.

SQLite keeps the text of each CREATE in the file and checks it no further than it must: a CHECK that names another kind
opens well, and then refuses each event.
"""

import re
import sqlite3
from contextlib import closing, suppress
from functools import cache
from pathlib import Path

from gateway.store.database import run_steps

Row = tuple[int, str, str, str, str | None]
"""Row number, type, name, table, SQL."""
_ROWS = "SELECT rowid, type, name, tbl_name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\'"


@cache
def expected(steps: str, version: int) -> tuple[Row, ...]:
    """The schema of a file that the first `version` steps have made."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        run_steps(db, steps, 0, version)
        return tuple(db.execute(_ROWS).fetchall())


def foreign_object(db: sqlite3.Connection, steps: str, version: int) -> str | None:
    """The first object that is missing, not of this schema, or of other text, as "table event"; None for none.

    Raises sqlite3.Error where the schema cannot be read.
    """
    found, right = ({_key(row) for row in rows} for rows in (db.execute(_ROWS), expected(steps, version)))
    differing = sorted(f"{kind} {name}" for kind, name, *_ in found ^ right)
    return differing[0] if differing else None


def _key(row: Row) -> tuple[object, ...]:
    """Without quotes and spaces: versions of SQLite differ in these after a table was renamed."""
    return *row[1:4], re.sub(r'[\s"]+', " ", str(row[4])).replace(" (", "(")


def repair_schema(path: Path, steps: str, version: int) -> None:
    """Write the right text over what was damaged in place: a damaged name would hide a whole table from the salvage.

    Rows are matched by their number, since all files are made by the same statements; only text of the same length is
    replaced, so that no row moves. Under a second name, since a log beside the file may be another file's.
    """
    alone = path.with_name(path.name + ".schema")
    with suppress(OSError, sqlite3.Error, OverflowError):
        alone.unlink(missing_ok=True)
        alone.hardlink_to(path)
        with closing(sqlite3.connect(alone, isolation_level=None)) as db:
            db.text_factory = bytes
            db.execute("PRAGMA writable_schema=ON")
            found = {row[0]: row[1:] for row in db.execute(_ROWS)}
            for number, *texts in expected(steps, version):
                wanted = [None if t is None else t.encode() for t in texts]
                damaged = found.get(number)
                if damaged is None or list(damaged) == wanted or _lengths(damaged) != _lengths(wanted):
                    continue
                db.execute("UPDATE sqlite_schema SET type=?, name=?, tbl_name=?, sql=? WHERE rowid=?", (*texts, number))
    for tail in ("", "-wal", "-shm"):
        with suppress(OSError):
            alone.with_name(alone.name + tail).unlink(missing_ok=True)


def _lengths(texts: object) -> list[int]:
    assert isinstance(texts, (tuple, list))
    return [len(t) if isinstance(t, bytes) else -1 for t in texts]
