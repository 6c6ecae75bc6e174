"""The replay cases: each a folder with settings, the scenario it was recorded from, its capture, what it must say."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from in_process import camdrift

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
START = "2031-05-04T06:30:00Z"
SECONDS_MAX = 60


@dataclass(frozen=True, slots=True)
class Case:
    """`engine`: whose head it is, where the settings have several."""

    name: str
    engine: str = "main"

    @property
    def folder(self) -> Path:
        """Where its files are."""
        return FOLDER / self.name

    @property
    def expected(self) -> tuple[Path, Path]:
        """What it must say on stdout and on stderr."""
        return self.folder / "expected.jsonl", self.folder / "expected.txt"

    def replay(self) -> tuple[bytes, bytes]:
        """What `camdrift replay` says of it now: stdout, stderr."""
        files = [str(self.folder / "settings.toml"), str(self.folder / "capture.bin")]
        options = ["--start", START, "--engine", self.engine, "--readings"]
        done = camdrift("replay", *files, *options)
        assert done.returncode == 0, done.stderr
        return done.stdout.encode(), done.stderr.encode()

    def record(self) -> None:
        """Make the capture anew from its scenario."""
        files = [str(self.folder / "scenario.toml"), "--out", str(self.folder / "capture.bin")]
        command = [sys.executable, "-m", "firmware_sim.cli", *files]
        subprocess.run(command, cwd=ROOT, capture_output=True, timeout=SECONDS_MAX, check=True)


CASES = (Case("wear-in-bursts"), Case("manoeuvring"), Case("rough-link"), Case("four-stroke", "aux"))
