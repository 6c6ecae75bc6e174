"""What the store says of folders and files that it cannot use, and what it does with damaged ones."""

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.folder import Ballast
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, StateStore

ALL = {"ship": frozenset({"event", "alarm", "trend"})}
EVENT = NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z", "kind": "alarm", "text": "x" * 300})


def opened(folder: Path) -> StateStore:
    """A small store."""
    return StateStore(folder, GatewaySettings(), brokers=ALL, ballast_bytes=4_096)


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """A folder that cannot be written to: by its rights, or for root, whom rights do not stop, by its mount."""
    folder = tmp_path / "ro"
    folder.mkdir()
    if os.geteuid():
        folder.chmod(0o500)
        yield folder
        folder.chmod(0o700)
        return
    mounted = shutil.which("mount") and subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(folder)])
    if not mounted or mounted.returncode:
        pytest.skip("root may write everywhere, and may not mount a read-only file system here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_second_process_is_refused_with_the_first_ones_number(tmp_path: Path) -> None:
    """Two daemons on one folder would give the same seq twice: the second is told who holds it, and changes nothing."""
    store = opened(tmp_path / "d")
    again = (
        "import sys; from pathlib import Path; from gateway.store.state import *\n"
        "from gateway.model.errors import Refused\n"
        "try: StateStore(Path(sys.argv[1]), GatewaySettings(), brokers={})\n"
        "except Refused as e: print(e)"
    )
    root = Path(__file__).parents[2]
    said = subprocess.run(
        [sys.executable, "-c", again, str(tmp_path / "d")], capture_output=True, text=True, cwd=root, check=True
    ).stdout
    assert f"process {os.getpid()}" in said
    assert "stop it" in said
    with pytest.raises(Refused):
        opened(tmp_path / "d")
    store.commit(Batch([EVENT]))
    store.close()
    opened(tmp_path / "d").close()


def test_missing_parent_and_file_in_the_way(tmp_path: Path) -> None:
    """The message names the path and says what to do."""
    with pytest.raises(StorageError, match="parent folder is missing; make it"):
        opened(tmp_path / "no" / "such")
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="is a file, not a folder"):
        opened(tmp_path / "file")


def test_read_only_folder(read_only: Path) -> None:
    """A folder that cannot be written to is a storage error with advice, and so is one to be made in it."""
    for folder in (read_only, read_only / "d"):
        with pytest.raises(StorageError, match=r"mount it writable|give the user"):
            opened(folder)


def damage_header(path: Path) -> None:
    """No database any more."""
    path.write_bytes(b"\0garbage" * 1_000)


def damage_pages(path: Path) -> None:
    """Pages in the middle overwritten."""
    data = bytearray(path.read_bytes())
    data[8_192:40_000] = random.Random(1).randbytes(40_000 - 8_192)
    path.write_bytes(data)


def cut_short(path: Path) -> None:
    """The file ends in the middle."""
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2 + 100])


@pytest.mark.parametrize("damage", [damage_header, damage_pages, cut_short])
def test_a_damaged_file_is_set_aside_and_the_new_one_counts_on(tmp_path: Path, damage: object) -> None:
    """The daemon starts; the old file stays beside; the new one counts under a new name: no seq is ambiguous."""
    folder = tmp_path / "d"
    store = opened(folder)
    store.commit(Batch([EVENT] * 2_000))
    gateway = store.gateway_id
    store.close()
    assert callable(damage)
    damage(folder / "state.db")
    store = opened(folder)
    assert store.renewal is not None and store.renewal.kept_as == folder / "state.db.corrupt-1"
    assert store.renewal.kept_as.exists()
    assert store.gateway_id != gateway
    kept = [row.seq for row in store.events(0, 9_999)]
    (seq,) = store.commit(Batch([EVENT]))
    assert [row.seq for row in OutboxReader(folder, "ship", store.acks).events_due(0, 9_999)] == [*kept, seq]
    assert seq == max(kept, default=0) + 1
    store.close()
    store = opened(folder)
    assert store.renewal is None
    store.close()


def test_a_leftover_log_does_not_enter_the_new_file(tmp_path: Path) -> None:
    """Power lost between setting the damaged file aside and its log: the log alone is not taken for the new file's."""
    folder = tmp_path / "d"
    store = opened(folder)
    store.commit(Batch([EVENT] * 50))
    shutil.copy(folder / "state.db-wal", tmp_path / "wal")
    gateway = store.gateway_id
    store.close()
    (folder / "state.db").unlink()
    shutil.copy(tmp_path / "wal", folder / "state.db-wal")
    store = opened(folder)
    assert store.gateway_id != gateway
    assert store.events(0, 9) == []
    store.close()


def test_damaged_copies_are_bounded(tmp_path: Path) -> None:
    """A disk that damages the file again and again is not filled with the copies: the newest three stay."""
    folder = tmp_path / "d"
    opened(folder).close()
    for _ in range(6):
        damage_header(folder / "state.db")
        opened(folder).close()
    assert sorted(p.name for p in folder.glob("*.corrupt-*")) == [f"state.db.corrupt-{n}" for n in (4, 5, 6)]


def test_ballast_stands_and_is_given_back(tmp_path: Path) -> None:
    """The reserve is real disk space, not a hole in a file, and comes back after it was given."""
    ballast = Ballast(tmp_path, 1_000_000)
    assert ballast.restore()
    assert (tmp_path / "ballast").stat().st_blocks * 512 >= 1_000_000
    assert ballast.release()
    assert not ballast.there
    assert not ballast.release()
    assert ballast.restore()
