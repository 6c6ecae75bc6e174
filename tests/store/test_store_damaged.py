"""A damaged file is set aside with its log, few copies are kept, and refusals give the advice that fits."""

import errno
import os
import sqlite3
import stat
from pathlib import Path
from types import SimpleNamespace

import pytest

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.database import error_code, storage_error
from gateway.store.folder import Ballast, Folder, _advice
from gateway.store.opening import CORRUPT_COPIES_MAX, keep_damaged
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewBooking, NewEvent, StateStore
from gateway.store.writer import Writer

BROKERS = {"ship": frozenset({"event", "alarm"})}


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_set_aside_with_its_log_and_without_its_index(tmp_path: Path) -> None:
    """File and write-ahead log go together under the next number; the shared index goes; others stay."""
    for name in ("x.db", "x.db-wal", "x.db-shm", "x.db.corrupt-3", "x.db.corrupt-3-wal", "x.db.corrupt-y", "y.db"):
        (tmp_path / name).write_text(name)
    assert keep_damaged(tmp_path / "x.db") == tmp_path / "x.db.corrupt-4"
    assert names(tmp_path) == ["x.db.corrupt-3", "x.db.corrupt-3-wal", "x.db.corrupt-4", "x.db.corrupt-4-wal",
                               "x.db.corrupt-y", "y.db"]  # fmt: skip
    assert (tmp_path / "x.db.corrupt-4").read_text() == "x.db"
    assert (tmp_path / "x.db.corrupt-4-wal").read_text() == "x.db-wal"


def test_first_damage_is_number_one_and_the_oldest_copies_go(tmp_path: Path) -> None:
    """Again and again, with and without a log: never more copies than the limit, the newest of them."""
    for n in range(1, CORRUPT_COPIES_MAX + 4):
        (tmp_path / "x.db").write_text(str(n))
        if n % 2:
            (tmp_path / "x.db-wal").write_text(str(n))
        assert keep_damaged(tmp_path / "x.db").name == f"x.db.corrupt-{n}"
        kept = [p for p in names(tmp_path) if not p.endswith("-wal")]
        assert len(kept) == min(n, CORRUPT_COPIES_MAX)
        assert f"x.db.corrupt-{n}" in kept
    oldest = CORRUPT_COPIES_MAX + 3 - CORRUPT_COPIES_MAX
    assert not any(p.startswith(f"x.db.corrupt-{oldest}") for p in names(tmp_path))


def test_one_that_cannot_be_set_aside_is_told(tmp_path: Path) -> None:
    """Its path and the disk's own reason."""
    with pytest.raises(StorageError) as told:
        keep_damaged(tmp_path / "none.db")
    assert str(told.value) == (
        f"{tmp_path / 'none.db'}: is damaged and cannot be set aside: No such file or directory; move it away by hand"
    )


@pytest.mark.parametrize(
    ("code", "words"),
    [(errno.EACCES, "the right to write there"), (errno.EPERM, "the right to write there"),
     (errno.EROFS, "mounted read-only"), (errno.ENOSPC, "free some space"),
     (errno.EIO, "set another gateway.data_dir")],
)  # fmt: skip
def test_advice_fits_the_refusal(code: int, words: str) -> None:
    """Rights, read-only, full, anything else."""
    told = _advice(OSError(code, "x"))
    assert words in told
    assert (told == "set another gateway.data_dir") is (code == errno.EIO)


def test_codes_of_sqlite_are_primary_ones() -> None:
    """Extended codes lose their upper part; errors without any have nought, and are told as unusable."""
    e = sqlite3.OperationalError("x")
    assert error_code(e) == 0
    assert str(storage_error(Path("p"), e)) == "p: cannot be used (x)"
    e.sqlite_errorcode = 266  # SQLITE_IOERR_READ
    assert error_code(e) == sqlite3.SQLITE_IOERR


def test_the_outbox_names_the_file_that_lacks_a_table(tmp_path: Path) -> None:
    """A fault of the file is reported with its path."""
    store = StateStore(tmp_path, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
    outbox = OutboxReader(tmp_path, "ship", store.acks)
    store._db.execute("DROP TABLE retained_done")
    with pytest.raises(StorageError, match=r"state\.db: .*retained_done"):
        outbox.forget_retained()
    outbox.close()
    store.close()


def test_a_commit_of_many_dates_the_store_by_its_last(tmp_path: Path) -> None:
    """One event alone is as good as three; seqs go on without a gap."""
    store = StateStore(tmp_path, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
    event = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z"})
    assert store.commit(Batch([event])) == [1]
    assert store.commit(Batch([event] * 3)) == [2, 3, 4]
    assert store.commit() == []
    store.close()


def test_events_being_written_count_towards_the_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a commit is under way, what comes meanwhile is held to the whole bound less what is being written."""
    monkeypatch.setattr("gateway.store.writer.PENDING_EVENTS_MAX", 4)
    store = StateStore(tmp_path, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
    writer = Writer(store)
    event = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z"})
    writer.submit(Batch([event] * 3))
    real = store.commit

    def slow(*args: object, **more: object) -> list[int]:
        writer.submit(Batch([event] * 3))
        assert (writer.pending, writer.lost_events) == (4, 2)
        return real(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(store, "commit", slow)
    writer._round(False)
    assert writer.pending == 1
    store.close()


def test_the_reserve_stands_is_given_back_and_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of its size and nobody else's to read; standing already is standing; without room twice over it is not made."""
    ballast = Ballast(tmp_path, 50_000)
    assert (ballast.there, ballast.release()) == (False, False)
    assert ballast.restore() and ballast.there and ballast.restore()
    made = (tmp_path / "ballast").stat()
    assert (made.st_size, made.st_mode & 0o777) == (50_000, 0o600)
    assert ballast.release() and not ballast.there
    (tmp_path / "ballast").write_bytes(b"x" * 49_999)
    assert not ballast.there
    ballast.release()
    real = os.statvfs(tmp_path)
    for blocks, fits, tight in ((99_999, False, False), (100_000, True, False), (49_999, False, True)):
        room = SimpleNamespace(f_bavail=blocks, f_frsize=1)
        monkeypatch.setattr(os, "statvfs", lambda _path, room=room: room)
        assert (ballast.restore(), ballast.disk_is_tight()) == (fits, tight)
        ballast.release()
    assert real.f_bsize > 0


def test_a_folder_knows_where_it_is(tmp_path: Path) -> None:
    """And may be given free twice."""
    folder = Folder(tmp_path / "d")
    assert folder.path == tmp_path / "d"
    folder.close()
    folder.close()


FIFOS = (
    "state.db",
    "history.db",
    "logbook.jsonl",
    "logbook.jsonl.new",
    "ballast",
    "lock",
    "state.db-wal",
    "state.db.new",
)


@pytest.mark.parametrize("name", FIFOS)
def test_a_fifo_in_place_of_any_file_holds_nothing_up(tmp_path: Path, name: str) -> None:
    """It is set aside at the start; a second start has nothing to set aside."""
    StateStore(tmp_path, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096).close()
    (tmp_path / name).unlink(missing_ok=True)
    os.mkfifo(tmp_path / name)
    for n in range(2):
        store = StateStore(tmp_path, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
        store.commit(Batch(bookings=[NewBooking("main", f"b{n}", "hand-play", "2026-03-01T12:00:00.000Z", "{}")]))
        store.copy_bookings()
        store.close()
    assert stat.S_ISFIFO((tmp_path / f"{name}.odd").stat().st_mode)
    assert not (tmp_path / name).is_fifo()
