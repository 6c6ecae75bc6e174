"""The power cut: the disk as it is at one instant, without what was still on its way to it.

The writer works on a file system in an image file; it is stopped, the image copied, and the copy mounted, which replays
the file system's journal as a boot would. Whatever `commit` had returned before the stop must be there.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from store_writer import BROKERS

from gateway.model.settings import GatewaySettings
from gateway.store.state import StateStore

CUTS = 4
WRITER = Path(__file__).parents[1] / "store_writer.py"


def run(*words: str | Path) -> bool:
    """Whether the command ended well."""
    return subprocess.run([str(w) for w in words], capture_output=True).returncode == 0


@pytest.fixture
def image(tmp_path: Path) -> Iterator[Path]:
    """An image with a mounted ext4 file system at `image.parent / "live"`."""
    if os.geteuid() or not (shutil.which("mkfs.ext4") and shutil.which("mount")):
        pytest.skip("cutting the power needs root, mkfs.ext4 and loop devices")
    path, live = tmp_path / "image", tmp_path / "live"
    live.mkdir()
    path.touch()
    os.truncate(path, 32 * 1024 * 1024)
    if not (run("mkfs.ext4", "-q", "-F", path) and run("mount", "-o", "loop", path, live)):
        pytest.skip("no loop device can be mounted here")
    yield path
    run("umount", "-l", live)


def write_until_cut(image: Path, copy: Path, seed: int, commits: int, after_s: float) -> int:
    """Run the writer, stop it a while after so many commits, copy the image, end the writer; the last seq it got."""
    writer = subprocess.Popen(
        [sys.executable, str(WRITER), str(image.parent / "live" / "d"), str(seed)],
        stdout=subprocess.PIPE,
        env={"PYTHONPATH": str(WRITER.parents[1])},
    )
    assert writer.stdout is not None
    seen = []
    try:
        assert writer.stdout.readline() == b"open\n"
        seen = [writer.stdout.readline() for _ in range(commits)]
        time.sleep(after_s)
        writer.send_signal(signal.SIGSTOP)
        shutil.copyfile(image, copy)
    finally:
        writer.kill()
    lines = (b"".join(seen) + writer.stdout.read()).split(b"\n")[:-1]
    writer.wait()
    writer.stdout.close()
    return int(lines[-1].split()[0]) if lines else 0


def test_power_cut_loses_nothing_that_was_committed(image: Path) -> None:
    """After each cut the file is sound, every committed seq is there without a gap, the checkpoint with it."""
    rng, copy, booted = random.Random(11), image.with_name("copy"), image.with_name("booted")
    booted.mkdir()
    highest = 0
    for cut in range(CUTS):
        told = write_until_cut(image, copy, cut, rng.randint(10, 60), rng.uniform(0.0, 0.02))
        assert run("mount", "-o", "loop", copy, booted), "the file system itself must come up"
        try:
            store = StateStore(booted / "d", GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
            assert store.renewal is None
            rows = [row.seq for row in store.events(0, 1_000_000)]
            place = store.backlog("ship").place
            last = rows[-1] if rows else place
            assert last >= told
            assert rows == list(range(last - len(rows) + 1, last + 1))
            assert last - len(rows) <= place
            assert store.checkpoint("count") == (last or None)
            store.close()
        finally:
            run("umount", "-l", booted)
        highest = max(highest, told)
    assert highest > CUTS, "the writer must have got somewhere"
