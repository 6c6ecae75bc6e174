"""A full disk: nothing handed over is lost, the reserve carries on for a while, and all is well once there is room."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.captures import CaptureRing
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, StateStore
from gateway.store.writer import Writer

ALL = {"ship": frozenset({"event", "alarm", "trend"})}
EVENT = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z", "kind": "alarm", "text": "x" * 1_000})
BALLAST = 4_194_304


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 MB of its own."""
    if os.geteuid() or not shutil.which("mount"):
        pytest.skip(
            "a disk that can be filled must be mounted, which only root may; see test_page_limit_is_never_reached"
        )
    folder = tmp_path / "disk"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)]).returncode:
        pytest.skip("no file system may be mounted here; see test_page_limit_is_never_reached")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(disk: Path) -> Path:
    """Another program takes all that is left."""
    hog = disk / "hog"
    with hog.open("ab", buffering=0) as f:
        try:
            while True:
                f.write(b"\1" * 4_096)
        except OSError:
            return hog


def opened(disk: Path) -> StateStore:
    """A store on the small disk."""
    return StateStore(disk / "d", GatewaySettings(), brokers=ALL, ballast_bytes=BALLAST)


def commit_until_refused(store: StateStore) -> list[int]:
    """Seqs taken before the disk refused."""
    seqs: list[int] = []
    for _ in range(20_000):
        try:
            seqs += store.commit(Batch([EVENT]))
        except StorageError:
            return seqs
    raise AssertionError("the disk never filled")


def test_reserve_carries_on_then_refuses_then_recovers(disk: Path) -> None:
    """The ballast pays for a thousand events more; then it is refused without a gap; then all goes on."""
    store = opened(disk)
    first = store.commit(Batch([EVENT] * 10))
    hog = fill(disk)
    assert store.nearly_full is not None
    more = commit_until_refused(store)
    assert len(more) > 1_000
    assert not (disk / "d" / "ballast").exists()
    for _ in range(5):
        with pytest.raises(StorageError, match="free some space"):
            store.commit(Batch([EVENT]))
    hog.unlink()
    after = store.commit(Batch([EVENT]))
    assert first + more + after == list(range(1, len(first + more + after) + 1))
    store.prune(1_772_366_400)
    assert (disk / "d" / "ballast").stat().st_size == BALLAST
    assert store.nearly_full is None
    assert [row.seq for row in store.events(0, 100_000)] == first + more + after
    store.close()


def test_delivered_rows_make_room_on_a_full_disk(disk: Path) -> None:
    """With everything delivered the store lives on in its own file, however long the disk stays full."""
    store = opened(disk)
    store.commit(Batch([EVENT] * 1_000))
    reader = OutboxReader(disk / "d", "ship", store.acks)
    reader.done(1_000)
    fill(disk)
    for seq in range(1_001, 6_000):
        assert store.commit(Batch([EVENT])) == [seq]
        if seq % 50 == 0:
            reader.done(seq)
    assert store.backlog("ship").dropped == 0
    store.close()


def test_opening_on_a_full_disk(disk: Path) -> None:
    """A restart on the full disk finds its reserve and starts, with everything as it was."""
    store = opened(disk)
    seqs = store.commit(Batch([EVENT] * 100))
    store.close()
    fill(disk)
    store = opened(disk)
    assert [row.seq for row in store.events(0, 1_000)] == seqs
    assert store.commit(Batch([EVENT])) == [101]
    store.close()


def test_writer_keeps_all_while_the_disk_is_full(disk: Path) -> None:
    """What comes while the disk is full waits in memory, captures give way, and all is stored in order after."""
    store = opened(disk)
    ring = CaptureRing(disk / "captures", hours=24, megabytes=1)
    for hour in range(3):
        ring.write("head", 1_772_366_400.0 + 3_600 * hour, b"x" * 9_999 + b"\0")
    running = Writer(store, captures=ring, retry_s=0.05)
    running.start()
    hog = fill(disk)
    taken = len(commit_until_refused(store))
    for _ in range(100):
        running.submit(Batch([EVENT] * 20))
    assert not running.drain(0.5)
    assert running.fault is not None
    assert len(list((disk / "captures").iterdir())) == 1, "the two older captures went, the open one stays"
    waiting = running.pending
    hog.unlink()
    assert running.drain(180)
    assert running.stop()
    rows = [row.seq for row in store.events(0, 100_000)]
    assert rows == list(range(1, taken + 2_000 + 1))
    assert waiting > 0
    assert running.fault is None
    ring.close()
    store.close()
