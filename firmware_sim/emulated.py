"""The head's firmware in an emulated chip: built by make, its pins moved by a scenario, its bytes into an outlet."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from firmware_sim.outlets import Outlet, OutletError
from firmware_sim.pins import pins
from firmware_sim.scenario import Scenario

EMULATOR = "rp2040js@1.4.1"
PROGRAM = Path(__file__).with_name("emulate.mjs")
BUILD_S, END_S = 300.0, 10.0
READ_BYTES = 4_096
PACKAGES = {"node": "nodejs", "make": "make", "arm-none-eabi-gcc": "gcc-arm-none-eabi"}


@dataclass(frozen=True, slots=True)
class Chip:
    """What is run: the emulator's folder, the image, and its symbols."""

    emulator: Path
    image: Path
    symbols: Path

    def command(self, events: str, seconds: float | None, *options: str) -> list[str]:
        """The emulator's command line. `events`: a file, or `-` for standard input; `seconds` `None`: no end."""
        end = "Infinity" if seconds is None else str(seconds)
        return ["node", str(PROGRAM), str(self.emulator), str(self.image), str(self.symbols), events, end, *options]


def chip(firmware: Path | None = None) -> Chip:
    """Build the image of the sources in `firmware`, as they are now. Raises OutletError with what to install."""
    sources = _sources(firmware)
    missing = [package for tool, package in PACKAGES.items() if shutil.which(tool) is None]
    if missing:
        raise OutletError(f"{', '.join(missing)}: not installed, the firmware cannot be built and run here. "
                          f"Debian: sudo apt install {' '.join(missing)} npm")  # fmt: skip
    emulator = emulator_folder(sources)
    if not (emulator / "package.json").exists():
        raise OutletError(f"the emulated chip is not installed in {emulator}. Install it: npm install --no-save "
                          f"--no-package-lock --prefix {emulator.parents[1]} {EMULATOR}")  # fmt: skip
    out = built(sources)
    return Chip(emulator, out / "head-rp2040.bin", out / "head-rp2040.sym")


def emulator_folder(sources: Path) -> Path:
    """Where the emulated chip is looked for; `CAMDRIFT_EMULATOR` names another folder."""
    return Path(os.environ.get("CAMDRIFT_EMULATOR", sources / "build")) / "node_modules" / "rp2040js"


def built(sources: Path, *targets: str, board: str = "rp2040", out: Path | None = None) -> Path:
    """The folder with what make has built. Raises OutletError with the compiler's words."""
    out = out or Path(tempfile.gettempdir()) / f"camdrift-firmware-{os.getuid()}"
    words = ["make", "-s", f"OUT={out}", f"BOARD={board}", *targets]
    try:
        done = subprocess.run(words, cwd=sources, capture_output=True, text=True, timeout=BUILD_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as e:
        raise OutletError(f"{sources}: the firmware cannot be built: {e}") from None
    if done.returncode:
        raise OutletError(f"{sources}: the firmware cannot be built:\n{done.stdout}{done.stderr}")
    return out


def _sources(firmware: Path | None) -> Path:
    known = [Path(__file__).parents[1] / "deploy" / "head", Path("deploy") / "head"]
    for folder in known if firmware is None else [firmware]:
        if (folder / "Makefile").exists():
            return folder.resolve()
    raise OutletError("no firmware's sources here: give --firmware DIR, the folder deploy/head of the project")


@dataclass(frozen=True, slots=True)
class Played:
    """What was sent, and the emulator's figures of the run: load of the core, worst latch; empty if it was stopped."""

    sent: int
    figures: dict[str, Any]


def play(scenario: Scenario, made: Chip, outlet: Outlet, stopped: Callable[[], bool], *, paced: bool) -> Played:
    """Run the chip until the scenario's end. `paced`: in real time, else as fast as it goes. Raises OutletError."""
    command = made.command("-", scenario.run.duration_s, *(["--pace"] if paced else []))
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors)
        assert process.stdin is not None and process.stdout is not None
        feeder = threading.Thread(target=_feed, args=(scenario, process.stdin), daemon=True)
        feeder.start()
        try:
            sent = _carry(process.stdout, outlet, stopped, patient=not paced)
        finally:
            ended = stopped()
            if ended:
                process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(END_S)
            process.kill()
            process.wait()
            feeder.join()
        outlet.finish()
        errors.seek(0)
        last = errors.read().decode(errors="replace").strip().splitlines()[-1:]
    if process.returncode and not ended:
        raise OutletError(f"the emulated chip stopped: {' '.join(last) or process.returncode}")
    return Played(sent, json.loads(last[0]) if last and not ended else {})


def _feed(scenario: Scenario, to: IO[bytes]) -> None:
    """Events as fast as the emulator reads them, until it closes its end."""
    with contextlib.suppress(BrokenPipeError, ValueError), to:
        for events in pins(scenario):
            to.write(events.tobytes())


def _carry(source: IO[bytes], outlet: Outlet, stopped: Callable[[], bool], *, patient: bool) -> int:
    sent = 0
    while not stopped():
        data = os.read(source.fileno(), READ_BYTES)
        if not data:
            break
        outlet.write(data, patient)
        sent += len(data)
    return sent
