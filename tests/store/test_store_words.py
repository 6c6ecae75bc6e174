"""Whatever of the store fails says which file and why; and brokers, losses and refusals told to the single case."""

import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.acks import Acknowledgements
from gateway.store.database import PAGE_BYTES
from gateway.store.folder import Folder
from gateway.store.history_reader import HistoryReader
from gateway.store.outbox import Backlog, OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, NewRetained, StateStore

SHIP = frozenset({"event", "alarm", "trend"})
LOG_HEAD_BYTES = 24
"""SQLite's file format, section 4.1: the head of each frame of its write-ahead log."""
EVENT = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z"})


def opened(folder: Path, **brokers: frozenset[str]) -> StateStore:
    return StateStore(folder, GatewaySettings(), brokers=brokers, ballast_bytes=4_096)


FAILS: dict[str, Callable[[OutboxReader], object]] = {
    "again": lambda reader: reader.forget_retained(),
    "due": lambda reader: reader.events_due(0, 9),
    "place": lambda reader: reader.place(),
    "retained": lambda reader: reader.retained_due(9),
}


@pytest.mark.parametrize("what", FAILS)
def test_a_broker_s_failing_question_names_the_file(tmp_path: Path, what: str) -> None:
    """A closed connection stands for a disk that went away."""
    store = opened(tmp_path, ship=SHIP)
    reader = OutboxReader(tmp_path, "ship", store.acks)
    reader.close()
    with pytest.raises(StorageError, match=r"state\.db: cannot be used \(Cannot operate on a closed database"):
        FAILS[what](reader)
    store.close()


@pytest.mark.parametrize("opens", [lambda d: OutboxReader(d, "ship", Acknowledgements()), StateReader, HistoryReader])
def test_a_file_that_is_none_of_ours_is_named_when_it_is_opened(
    tmp_path: Path, opens: Callable[[Path], object]
) -> None:
    """A folder in the file's place: SQLite cannot open it."""
    for name in ("state.db", "history.db"):
        (tmp_path / name).mkdir()
    with pytest.raises(StorageError, match=r"(state|history)\.db: [^(]+ \((unable to open|disk I/O)"):
        opens(tmp_path)


def test_a_store_without_a_table_is_renewed_and_names_it(tmp_path: Path) -> None:
    """Somebody has been at the file: the others are carried over, and what was lost is reported by its name."""
    opened(tmp_path).close()
    db = sqlite3.connect(tmp_path / "state.db")
    db.execute("DROP TABLE retained")
    db.close()
    store = opened(tmp_path)
    assert store.renewal is not None
    assert "(table retained)" in store.renewal.text and "parts of retained" in store.renewal.text
    store.close()


def test_an_unforeseen_error_of_sqlite_in_a_commit_keeps_its_words(tmp_path: Path) -> None:
    """Told with the path and what to do, and not taken for a lack of room."""
    store = opened(tmp_path)
    store._db.execute("DROP TABLE checkpoint")
    words = r"state\.db: its schema is damaged; restart camdrift, .* \(no such table: checkpoint\)"
    with pytest.raises(StorageError, match=words):
        store.commit(Batch(checkpoints={"k": 1}))
    assert store._ballast.there
    store.close()


def test_a_checkpoint_that_json_cannot_say_is_refused_whole(tmp_path: Path) -> None:
    """Not a number is not JSON: what was committed with it is not stored either."""
    store = opened(tmp_path)
    with pytest.raises(ValueError, match="JSON compliant"):
        store.commit(Batch([EVENT], checkpoints={"k": float("nan")}))
    with pytest.raises(ValueError, match="an event of unknown kind 'rumour'"):
        store.commit(Batch([NewEvent("t", "rumour", EVENT.body)]))
    assert store.commit(Batch([EVENT], checkpoints={"k": [1, {"a": None}]})) == [1]
    ((kept,),) = StateReader(tmp_path)._all("SELECT value FROM checkpoint")
    assert zlib.decompress(kept) == b'[1,{"a":null}]'
    store.close()


def test_a_checkpoint_that_comes_again_writes_one_page(tmp_path: Path) -> None:
    """What is kept every few minutes for years wears one page of the disk, also with every alarm's facts in it; what it
    says is what was kept last."""
    store = opened(tmp_path)
    log = tmp_path / "state.db-wal"
    facts = {f"alarm-{n}": {"text": f"The spring is {n / 7} mm long", "since_us": n * 7_777_777} for n in range(60)}
    store.commit(Batch(checkpoints={"engine/main": {"n": 0, **facts}, "wear/main": facts}))
    for n in range(1, 9):
        before = log.stat().st_size
        store.commit(Batch(checkpoints={"engine/main": {"n": n / 3, **facts}}))
        assert log.stat().st_size - before == PAGE_BYTES + LOG_HEAD_BYTES
    assert store.checkpoint("engine/main") == {"n": 8 / 3, **facts}
    assert len(str(facts)) > PAGE_BYTES
    store.close()


def test_a_broker_that_begins_to_want_events_starts_at_the_present_end(tmp_path: Path) -> None:
    """What came before is not sent to it; one that wanted them before keeps its place over a restart."""
    store = opened(tmp_path, panel=frozenset({"alarm"}), ship=SHIP)
    store.commit(Batch([EVENT] * 3))
    store.close()
    store = opened(tmp_path, panel=SHIP, ship=SHIP)
    assert [store.backlog(name).count for name in ("panel", "ship")] == [0, 3]
    store.commit(Batch([EVENT]))
    assert [row.seq for row in OutboxReader(tmp_path, "panel", store.acks).events_due(0, 9)] == [4]
    store.close()


def test_a_broker_without_alarms_waits_for_none(tmp_path: Path) -> None:
    """Whatever alarm states there are."""
    store = opened(tmp_path, shore=frozenset({"trend"}))
    store.commit(Batch((), [NewRetained("a", "alarm", b"1")]))
    assert OutboxReader(tmp_path, "shore", store.acks).alarm_waits() == 0
    store.close()


def test_the_backlog_of_a_broker_without_events_keeps_place_and_losses(tmp_path: Path) -> None:
    """It began at the present end and has lost nothing."""
    store = opened(tmp_path)
    store.commit(Batch([EVENT] * 2))
    store.close()
    store = opened(tmp_path, panel=frozenset({"alarm"}))
    assert store.backlog("panel") == Backlog(0, None, 2, 0)
    store.close()


def test_values_that_do_not_change_make_no_revision(tmp_path: Path) -> None:
    """Said again they are not sent again; the next real change follows on without a gap."""
    store = opened(tmp_path)
    for payload in (b"1", b"1", b"1", b"2"):
        store.commit(Batch((), [NewRetained("a", "alarm", payload)]))
    assert [row.rev for row in StateReader(tmp_path).retained()] == [2]
    store.close()


def test_who_holds_the_folder_is_written_for_its_owner_alone(tmp_path: Path) -> None:
    """The lock's file, its rights, and the words where nobody has signed it."""
    folder = Folder(tmp_path)
    assert (tmp_path / "lock").stat().st_mode & 0o777 == 0o600
    (tmp_path / "lock").write_text("")
    with pytest.raises(Refused, match=r"another camdrift \(process unknown\)"):
        Folder(tmp_path)
    (tmp_path / "lock").write_bytes(b"\xff")
    with pytest.raises(Refused, match="process \ufffd"):
        Folder(tmp_path)
    folder.close()
    Folder(tmp_path).close()
