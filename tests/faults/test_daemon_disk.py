"""The running daemon and its disk: filled while it runs, read-only, or held by another daemon."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import daemon_rig as rig
import pytest
from mqtt_fakes import mosquitto, needs_mosquitto

pytestmark = needs_mosquitto
needs_mount = pytest.mark.skipif(
    bool(os.geteuid()) or shutil.which("mount") is None,
    reason="a disk that can be filled or mounted read-only needs mount, which only root may; run as root to see it",
)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 MB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)]).returncode:
        pytest.skip("no file system may be mounted here, not even by root: a container without that right")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(disk: Path) -> Path:
    """Another program takes all that is left, and comes back for what is freed."""
    hog = disk / "hog"
    with hog.open("ab", buffering=0) as f:
        try:
            while True:
                f.write(b"\1" * 4_096)
        except OSError:
            return hog


@pytest.mark.slow
@needs_mount
def test_disk_full_while_running(tmp_path: Path, disk: Path) -> None:
    """A full disk raises storage-fault at the subscriber (the reserve pays for it); when even the reserve is taken,
    readings go on and events wait; when there is room again all of them arrive and the alarm returns."""
    with mosquitto(tmp_path) as broker:
        data = rig.example(tmp_path, broker.port, data_dir=str(disk / "data"), state_mb=8, history_mb=8)
        config = rig.written(tmp_path, data)
        restless = rig.restless(tmp_path)
        with rig.listening(broker.port) as listener, rig.head(tmp_path, restless), rig.daemon(config) as process:
            rig.until(lambda: listener.alarms("transducer-fault") != [], "an alarm while there is room")
            hog = fill(disk)
            rig.until(
                lambda: listener.state("storage-fault") == "unacknowledged", "storage-fault reaches the subscriber"
            )

            def refused() -> bool:
                fill(disk)
                return process.told('"part": "state"')

            # Left alone, its events take the places of delivered ones; while somebody reads, its log must grow.
            reader = sqlite3.connect(disk / "data" / "state.db", isolation_level=None)
            reader.execute("BEGIN")
            assert reader.execute("SELECT count(*) FROM event").fetchone() != (0,)
            rig.until(refused, "the disk refuses even so")
            reader.close()
            seen = len(listener.heard)
            rig.until(lambda: sum(h.topic.endswith("/reading") for h in listener.heard[seen:]) >= 3, "readings go on")
            hog.unlink()
            rig.until(lambda: "returned" in listener.alarms("storage-fault"), "storage-fault returns")
            rig.until(lambda: listener.alarms("cam-encoder-fault") != [], "a fault of the head arrives")
            assert process.end() == 0
            rig.settled(listener, disk / "data")


@pytest.mark.slow
@needs_mount
def test_read_only_disk_at_start(tmp_path: Path, disk: Path) -> None:
    """Exit status 74 and words that say what to do, no traceback."""
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    data = rig.example(tmp_path, None, data_dir=str(disk / "data"))
    done = run(rig.written(tmp_path, data))
    assert done.returncode == 74
    assert "read-only; mount it writable" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere: run as another user to see the refusal")
def test_folder_that_may_not_be_written(tmp_path: Path) -> None:
    """Exit status 74 and words that say what to do, no traceback."""
    (tmp_path / "data").mkdir(mode=0o500)
    done = run(rig.written(tmp_path, rig.example(tmp_path, None)))
    assert done.returncode == 74
    assert "give the user that runs camdrift the right to write there" in done.stderr


@pytest.mark.slow
def test_second_daemon_on_the_same_folder(tmp_path: Path) -> None:
    """Refused with the other's process number; the first goes on."""
    config = rig.written(tmp_path, rig.example(tmp_path, None))
    with rig.daemon(config) as first:
        rig.until(lambda: (tmp_path / "data" / "state.db").exists() and first.told("started"), "the first runs")
        done = run(config)
        assert done.returncode == 1
        assert f"another camdrift (process {first.child.pid}) uses this data folder" in done.stderr
        assert first.end() == 0


def run(config: Path) -> "subprocess.CompletedProcess[str]":
    """`camdrift run` to its end."""
    command = [sys.executable, "-m", "gateway.cli", "run", str(config)]
    return subprocess.run(command, capture_output=True, text=True, timeout=180, cwd=rig.ROOT, check=False)
