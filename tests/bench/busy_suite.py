"""The README's tests several times in a row, beside a process on each core that is never idle: all runs must pass.

    .venv/bin/python tests/bench/busy_suite.py                      ten runs of the whole suite
    .venv/bin/python tests/bench/busy_suite.py --runs 1 tests/link  one run of a part of it
    .venv/bin/python tests/bench/busy_suite.py --busy 0           the same beside nothing, to compare

Prints one line a run: passed or failed, wall time, CPU time of the tests. Output of failed runs is kept in --keep.
"""

import argparse
import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
NEVER_IDLE = "while True: pass"


@contextlib.contextmanager
def busy(processes: int) -> Iterator[None]:
    """So many processes that are never idle, at the tests' own priority; gone afterwards."""
    children = [subprocess.Popen([sys.executable, "-c", NEVER_IDLE]) for _ in range(processes)]
    try:
        yield
    finally:
        for child in children:
            child.kill()
            child.wait()


def run(number: int, command: list[str], keep: Path) -> bool:
    """One run; prints its line, and whether it passed."""
    began_s, before = time.monotonic(), os.times()
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    wall_s, after = time.monotonic() - began_s, os.times()
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    passed = done.returncode == 0
    last = done.stdout.strip().splitlines()[-1] if done.stdout.strip() else "no output"
    print(
        f"run {number:2}  {'passed' if passed else 'FAILED'}  {wall_s:6.0f} s wall  {cpu_s:6.0f} s CPU  {last}",
        flush=True,
    )
    if not passed:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / f"run-{number}.txt").write_text(done.stdout, encoding="utf-8")
        print("\n".join(line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))), flush=True)
    return passed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--busy", type=int, default=os.cpu_count() or 1, help="busy processes (default: one a core)")
    parser.add_argument("--keep", type=Path, default=Path("busy_suite"), help="folder for the output of failed runs")
    parser.add_argument("pytest", nargs="*", help="what pytest is given (default: nothing, the whole suite)")
    args = parser.parse_args()
    command = [sys.executable, "-m", "pytest", *args.pytest]
    with busy(args.busy):
        results = [run(n, command, args.keep.resolve()) for n in range(1, args.runs + 1)]
    print(f"{sum(results)} of {len(results)} passed beside {args.busy} busy processes")
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
