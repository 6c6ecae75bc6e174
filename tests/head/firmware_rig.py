"""The head's firmware built for the host and for the emulated chip, and a drive that moves the chip's pins.

The drive is a shaft in turns over time and nothing else: the crossings of its encoders' lines are found on it, so that
no formula of the gateway stands between the truth and what the gateway reads.
"""

import ctypes
import fcntl
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from firmware_sim import emulated
from firmware_sim.pins import BROWN_OUT, EVENT, HANG, LOOP, PINS, Events

__all__ = ["BROWN_OUT", "EVENT", "HANG", "LOOP", "PINS", "Events"]

HEAD = Path(__file__).parents[2] / "deploy" / "head"
BUILD_S, RUN_S = emulated.BUILD_S, 900
NO_ANSWER = 65_536
Floats = npt.NDArray[np.float64]


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """One test worker at a time."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "w") as f:
        fcntl.flock(f, fcntl.LOCK_EX)
        yield


def built(*target: str, board: str = "rp2040") -> Path:
    """The folder with what `make` has built of the sources as they are now."""
    out = Path(tempfile.gettempdir()) / f"camdrift-head-{os.getuid()}"
    with locked(out / ".lock"):
        return emulated.built(HEAD, *target, board=board, out=out)


def core() -> Any:
    """The hardware-free part as a library, with the undefined-behaviour sanitizer in it, or the one that is built."""
    if shutil.which("cc") is None or shutil.which("make") is None:
        pytest.skip("no C compiler: the head's core is not tested")
    return ctypes.CDLL(os.environ.get("CAMDRIFT_HEAD_CORE") or str(built("core") / "libhead.so"))


def emulator() -> Path:
    """The emulated chip's folder, installed beforehand: tests fetch nothing. `CAMDRIFT_EMULATOR` names where."""
    for tool in emulated.PACKAGES:
        if shutil.which(tool) is None:
            pytest.skip(f"no {tool}: the firmware is not run in the emulated chip")
    where = emulated.emulator_folder(HEAD)
    if not (where / "package.json").exists():
        pytest.skip(
            f"no emulated chip in {where}: npm install --no-save --no-package-lock --prefix DIR {emulated.EMULATOR}"
        )
    return where


@dataclass
class Drive:
    """What moves the pins: `crank(t)` and `cam(t)` in turns for times in s, and the loop in µA at times in s."""

    seconds: float
    crank: Callable[[Floats], Floats]
    cam: Callable[[Floats], Floats]
    loop_ua: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 12_000.0)])
    lines: int = 3_600
    change: Callable[[Events], Events] = lambda events: events
    """What happens to the events on their way: lost edges, bounce, a cut wire."""

    def events(self) -> Events:
        """All events in time order."""
        parts = [self._encoder(self.crank, *PINS["crank"]), self._encoder(self.cam, *PINS["cam"])]
        loop = np.array(
            [(int(t * 1e9), LOOP, NO_ANSWER if ua < 0 else round(ua / 22_000 * 65_535)) for t, ua in self.loop_ua],
            dtype=EVENT,
        )
        events = np.concatenate([loop, *parts])
        return np.sort(self.change(events[np.argsort(events["t"], kind="stable")]), order="t", kind="stable")

    def _encoder(self, shaft: Callable[[Floats], Floats], a: int, b: int, z: int) -> Events:
        counts = 4 * self.lines
        t = np.linspace(0.0, self.seconds, int(self.seconds * 20_000) + 1)
        at = shaft(t) * counts
        whole = np.floor(at).astype(np.int64)
        moved = np.flatnonzero(np.diff(whole))
        rows = []
        for i in moved:
            up = 1 if whole[i + 1] > whole[i] else -1
            for n in range(abs(int(whole[i + 1] - whole[i]))):
                count = int(whole[i]) + up * n
                edge = count + 1 if up > 0 else count
                share = (edge - at[i]) / (at[i + 1] - at[i])
                rows.append((t[i] + share * (t[i + 1] - t[i]), count, count + up))
        found = np.array(rows) if rows else np.zeros((0, 3))
        when = (found[:, 0] * 1e9).astype(np.uint64)
        old, new = (found[:, k].astype(np.int64) % 4 for k in (1, 2))
        high_a, high_b = np.array([0, 1, 1, 0]), np.array([0, 0, 1, 1])
        on_a = high_a[new] != high_a[old]
        events = np.zeros(len(found), dtype=EVENT)
        events["t"], events["what"] = when, np.where(on_a, a, b)
        events["value"] = np.where(on_a, high_a[new], high_b[new])
        index = when[found[:, 2].astype(np.int64) % counts == 0]
        pulse = np.zeros(2 * len(index), dtype=EVENT)
        pulse["t"] = np.concatenate([index + 200, index + 15_000])
        pulse["what"], pulse["value"] = z, np.repeat([1, 0], len(index))
        return np.concatenate([events, pulse])


@dataclass(frozen=True)
class Run:
    """What the chip sent, and figures of the run: `load` of the core, `latch_late_us` the worst latch."""

    sent: bytes
    figures: dict[str, float]


def command(folder: Path, drive: Drive, *options: str) -> list[str]:
    """The emulator's command line for a drive."""
    where, out = emulator(), built()
    chip = emulated.Chip(where, out / "head-rp2040.bin", out / "head-rp2040.sym")
    events = folder / "events.bin"
    drive.events().tofile(events)
    return chip.command(str(events), drive.seconds, *options)


def run(folder: Path, drive: Drive, *options: str) -> Run:
    """Run the image to the drive's end, as fast as it goes."""
    words = command(folder, drive, *options)
    done = subprocess.run(words, capture_output=True, timeout=RUN_S, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return Run(done.stdout, json.loads(done.stderr.splitlines()[-1]))


def steady(
    rpm: float, lag_deg: float, start: float = 0.3
) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """Crank and cam in turns: a steady speed with a ripple of the sixth order, the cam late by `lag_deg`."""

    def crank(t: Floats) -> Floats:
        phase = rpm / 60 * t
        return np.asarray(start + phase + 0.0003 * np.sin(2 * np.pi * 6 * phase))

    return crank, lambda t: crank(t) - lag_deg / 360
