"""The state store on a disk that refuses a commit, step by step, by a connection that refuses as it is told."""

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store import opening
from gateway.store.acks import BrokerAcks
from gateway.store.database import LOG_PAGES, give_back, open_once
from gateway.store.state import TIGHT_LOG_PAGES, TIGHT_ROWS, NewEvent, NewRetained, StateStore, check_storable

SHIP = frozenset({"event", "alarm", "trend"})
EVENT = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z", "kind": "alarm", "text": "x" * 300})
Refuses = Callable[[str], int]
"""From a statement to SQLite's code for the refusal, 0 to let it through."""


class Refusing:
    """A connection that refuses as `refuses` says, and remembers what was asked of it."""

    def __init__(self, db: sqlite3.Connection, refuses: Refuses) -> None:
        self._db, self.refuses = db, refuses
        self.asked: list[str] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._db, name)

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        self._look_at(sql)
        return self._db.execute(sql, *values)

    def executescript(self, sql: str) -> sqlite3.Cursor:
        self._look_at(sql)
        return self._db.executescript(sql)

    def _look_at(self, sql: str) -> None:
        self.asked.append(sql)
        if code := self.refuses(sql):
            e = sqlite3.OperationalError("refused by the test")
            e.sqlite_errorcode = code
            raise e


def times(wanted: int, word: str, code: int) -> Refuses:
    """Refuse the first `wanted` statements that have this word."""
    left = [wanted]

    def refuses(sql: str) -> int:
        if word not in sql or not left[0]:
            return 0
        left[0] -= 1
        return code

    return refuses


FULL, READ_ONLY, IO_ERROR = sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR | (10 << 8)
INSERT = "INSERT INTO event"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StateStore]:
    """200 events, of which the one broker has got 150."""
    made = StateStore(tmp_path, GatewaySettings(), brokers={"ship": SHIP}, ballast_bytes=4_096)
    made.commit(Batch([EVENT] * 200))
    made.acks.add("ship", BrokerAcks(150))
    made.commit()
    yield made
    made.close()


def refusing(store: StateStore, refuses: Refuses) -> Refusing:
    made = Refusing(store._db, refuses)
    store._db = store._bounds._db = cast(sqlite3.Connection, made)
    return made


def pragma(store: StateStore, name: str) -> int:
    return int(store._db.execute(f"PRAGMA {name}").fetchone()[0])


@pytest.mark.parametrize("code", [FULL, IO_ERROR])
def test_one_refusal_for_want_of_room_is_got_over(store: StateStore, tmp_path: Path, code: int) -> None:
    """The reserve is given back, the log kept short, delivered rows taken out, and the same commit taken, once."""
    refusing(store, times(1, INSERT, code))
    assert store.commit(Batch([EVENT] * 2, [NewRetained("r", "alarm", b"1")], {"k": 1})) == [201, 202]
    assert not (tmp_path / "ballast").exists()
    assert pragma(store, "wal_autocheckpoint") == TIGHT_LOG_PAGES < LOG_PAGES
    # A step's worth at once, and with the commit as many as it brings and one more.
    assert store.events(0, 1)[0].seq == TIGHT_ROWS + 3 + 1
    assert [r.payload for r in store.events(200, 9)] == [r.payload for r in store.events(0, 999)[-2:]]
    assert store.checkpoint("k") == 1
    assert store._rows == len(store.events(0, 999))
    assert store.backlog("ship").dropped == 0


def test_room_is_made_in_an_order_that_helps_itself(store: StateStore) -> None:
    """The log is written home before rows are deleted, which needs it, and again after, so that it can begin anew."""
    db = refusing(store, times(1, INSERT, FULL))
    store.commit(Batch([EVENT]))
    steps = [sql.replace("PRAGMA ", "") for sql in db.asked if "wal" in sql or "vacuum" in sql or "DELETE" in sql]
    assert steps == [
        "wal_checkpoint(PASSIVE)",
        f"wal_autocheckpoint={TIGHT_LOG_PAGES}",
        f"incremental_vacuum({TIGHT_LOG_PAGES})",
        "wal_checkpoint(PASSIVE)",
    ]


def test_pages_of_deleted_rows_go_back_to_the_disk(store: StateStore, tmp_path: Path) -> None:
    """What was deleted and lies free in the file is given back while the disk is full, and not a page an hour."""
    store._take_out(100, None)
    assert pragma(store, "freelist_count") > 5
    refusing(store, times(1, INSERT, FULL))
    pages = pragma(store, "page_count")
    store.commit(Batch([EVENT]))
    # The two rows that the second try itself takes out may leave one free.
    assert pragma(store, "freelist_count") <= 1
    assert pragma(store, "page_count") < pages - 10


def test_free_pages_are_given_back_by_the_number(tmp_path: Path) -> None:
    """As many as asked for and no more, so that the step needs no more room in the log than it may."""
    db = open_once(tmp_path / "state.db", "state", "FULL", 2_000)
    rows = [(n, "t", "t", "alarm", b"x" * 1_000) for n in range(400)]
    db.executemany("INSERT INTO event VALUES (?, ?, ?, ?, ?)", rows)
    db.execute("DELETE FROM event")
    free = int(db.execute("PRAGMA freelist_count").fetchone()[0])
    give_back(db, 30)
    assert int(db.execute("PRAGMA freelist_count").fetchone()[0]) == free - 30 > 0
    give_back(db, 10_000)
    assert int(db.execute("PRAGMA freelist_count").fetchone()[0]) == 0
    db.close()


def test_the_hourly_round_gives_free_pages_back_where_the_reserve_does_not_fit(
    store: StateStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file itself gets shorter, which is what makes the room for the reserve."""
    store.commit(Batch([EVENT] * 3_000))
    store.acks.add("ship", BrokerAcks(3_200))
    assert store.prune(4e9) == 3_200
    store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    before = (tmp_path / "state.db").stat().st_size
    store._ballast.release()
    monkeypatch.setattr(store._ballast, "restore", lambda: False)
    store.prune(4e9)
    assert (tmp_path / "state.db").stat().st_size < before / 4
    assert (tmp_path / "state.db-wal").stat().st_size == 0


@pytest.mark.parametrize(
    "fails", ["wal_checkpoint", "wal_autocheckpoint", "incremental_vacuum", "SELECT seq FROM event"]
)
def test_a_step_that_fails_does_not_keep_the_others(store: StateStore, fails: str) -> None:
    """Each helps by itself; the commit is tried again whatever became of them."""
    insert = times(1, INSERT, FULL)
    step = times(1, fails, FULL)
    db = refusing(store, lambda sql: insert(sql) or step(sql))
    assert store.commit(Batch([EVENT])) == [201]
    assert sum("wal_checkpoint" in sql for sql in db.asked) == 2
    assert sum("incremental_vacuum" in sql for sql in db.asked) == 1


def test_a_disk_that_stays_full_is_told_and_uses_up_no_seq(store: StateStore) -> None:
    """The second refusal is the caller's; the next commit that succeeds goes on with the same seq."""
    db = refusing(store, times(2, INSERT, FULL))
    with pytest.raises(StorageError, match=r"state\.db: the disk or its share for this file is full; free some space"):
        store.commit(Batch([EVENT]))
    assert sum(INSERT in sql for sql in db.asked) == 2
    assert not db.in_transaction
    assert store.commit(Batch([EVENT])) == [201]
    assert "nearly full" in (store.nearly_full or "")


def test_what_room_does_not_mend_is_told_at_once(store: StateStore, tmp_path: Path) -> None:
    """A read-only disk: neither is the reserve spent on it nor is the commit tried again."""
    db = refusing(store, times(1, INSERT, READ_ONLY))
    with pytest.raises(StorageError, match=r"state\.db: .*mount it writable"):
        store.commit(Batch([EVENT]))
    assert sum(INSERT in sql for sql in db.asked) == 1
    assert (tmp_path / "ballast").exists()
    assert store.events(0, 1)[0].seq == 1


def test_an_error_after_room_was_made_has_its_own_words(store: StateStore) -> None:
    """Full at first, then read-only: what stands in the way now is what is said."""
    full, read_only = times(1, INSERT, FULL), times(1, INSERT, READ_ONLY)
    refusing(store, lambda sql: full(sql) or read_only(sql))
    with pytest.raises(StorageError, match="read-only"):
        store.commit(Batch([EVENT]))


def test_when_there_is_room_again_all_is_as_before(store: StateStore, tmp_path: Path) -> None:
    """The hourly round makes the reserve anew, the log may grow again, and delivered rows stay for the audit."""
    refusing(store, times(1, INSERT, FULL))
    store.commit(Batch([EVENT]))
    assert store.prune(1.7e9) == 0
    assert (tmp_path / "ballast").stat().st_size == 4_096
    assert pragma(store, "wal_autocheckpoint") == LOG_PAGES
    assert store.nearly_full is None
    oldest = store.events(0, 1)[0].seq
    store.commit(Batch([EVENT] * 20))
    assert store.events(0, 1)[0].seq == oldest


def test_a_prune_that_the_disk_refuses_is_told(store: StateStore) -> None:
    """With the path, and nothing has gone."""
    refusing(store, times(1, "fact", FULL))
    with pytest.raises(StorageError, match=r"state\.db: the disk"):
        store.prune(4e9)
    assert store._rows == len(store.events(0, 999)) == 200


def test_a_prune_keeps_the_bounds_too(store: StateStore) -> None:
    """Settings with fewer events than there are: what is over goes by the hour, without a commit."""
    store._bounds._rows_max = 40
    assert store.prune(1.7e9) == 160 - 1
    told = [row for row in store.events(0, 999) if row.kind == "gateway"]
    assert len(told) == 1 and told[0].utc == "2023-11-14T22:13:20.000Z"
    assert store._rows == len(store.events(0, 999)) == 41


def test_a_new_file_on_a_full_disk_is_paid_for_by_the_reserve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening is tried again once without it; where there is none the disk's own word is told."""
    StateStore(tmp_path, GatewaySettings(), brokers={}, ballast_bytes=4_096).close()
    real = opening.open_file
    tries: list[object] = []

    def full(path: Path, *words: Any, **more: Any) -> Any:
        tries.append((path, words, more))
        if (tmp_path / "ballast").exists() or len(tries) > 2:
            raise StorageError("full")
        return real(path, *words, **more)

    monkeypatch.setattr("gateway.store.state.open_file", full)
    store = StateStore(tmp_path, GatewaySettings(), brokers={}, ballast_bytes=4_096)
    assert len(tries) == 2 and tries[0] == tries[1]
    assert store.commit(Batch([EVENT])) == [1]
    assert pragma(store, "synchronous") == 2
    store.close()
    (tmp_path / "ballast").unlink()
    with pytest.raises(StorageError, match="full"):
        StateStore(tmp_path, GatewaySettings(), brokers={}, ballast_bytes=4_096)
    assert len(tries) == 3


@pytest.mark.parametrize(
    ("item", "words"),
    [
        (NewRetained("t", "presence", b"1"), "not a retained value: .*presence"),
        (NewRetained("t", "alarm", cast(bytes, "1")), "not a retained value"),
        (NewEvent("t", "rumour", EVENT.body), "an event of unknown kind 'rumour'"),
        (NewEvent("t", "alarm", {"kind": "alarm"}), "an event without its time: .*'kind': 'alarm'"),
        (NewEvent("t", "alarm", {"ts": 7}), "an event without its time"),
    ],
)  # fmt: skip
def test_what_can_never_be_stored_is_named(item: NewEvent | NewRetained, words: str) -> None:
    """The log's reader finds which item it was."""
    with pytest.raises(ValueError, match=words):
        check_storable(item)
    check_storable(NewRetained("t", "trend", b""))
