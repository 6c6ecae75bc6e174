"""How long small commands take to start, as a multiple of a bare interpreter's start.

Run: `python tests/bench/bench_start.py`.
Due: `--help` and `status` within eight times a bare start (0.25 s where a bare start takes 0.03 s). The smallest of
several starts counts: what else the machine does only adds to it.
"""

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
STARTS = 7
DUE = 8.0
CONFIG = str(ROOT / "config" / "minimal.toml")
CLI = ["-m", "gateway.cli"]
CASES = {
    "camdrift --help": [*CLI, "--help"],
    "camdrift status": [*CLI, "status", CONFIG],
    "camdrift acknowledge": [*CLI, "acknowledge", CONFIG],
    "camdrift check": [*CLI, "check", CONFIG],
}
DUE_OF = {"camdrift --help", "camdrift status", "camdrift acknowledge"}


def start_s(arguments: list[str]) -> float:
    """Seconds from start to end, the least of several."""
    found = []
    for _ in range(STARTS):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *arguments], capture_output=True, cwd=ROOT, check=False, timeout=60)
        found.append(time.perf_counter() - begun)
    return min(found)


def main() -> None:
    """Measure and print."""
    bare_s = start_s(["-c", "pass"])
    print(f"{'what':24s} {'s':>7s} {'times bare':>11s} {'due':>6s}")
    print(f"{'bare interpreter':24s} {bare_s:7.3f} {1:11.1f}")
    for what, arguments in CASES.items():
        took_s = start_s(arguments)
        print(f"{what:24s} {took_s:7.3f} {took_s / bare_s:11.1f} {f'{DUE:.0f}' if what in DUE_OF else '':>6s}")


if __name__ == "__main__":
    main()
