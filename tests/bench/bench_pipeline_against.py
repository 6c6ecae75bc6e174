"""The pipeline alone beside that of another commit: CPU time of both on the same bytes, pass by pass in turns.

    python tests/bench/bench_pipeline_against.py TREE [pairs]

TREE is a checkout of the other commit with its own `.venv`; its simulator makes the capture, 900 s at 500 Hz. Each tree
has a process of its own on the same core, so that a slow minute is slow for both. Prints s of CPU and ratios of
`bench_replay.py`'s rows, new over old; judges nothing.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
SECONDS, PAIRS = 900.0, 25
ROWS = ("link_only", "measure_too", "whole")
MAKE = """
import sys
sys.path[:0] = [sys.argv[1], sys.argv[1] + "/tests"]
from firmware_sim_voyages import capture
open(sys.argv[2], "wb").write(capture("", float(sys.argv[3])))
"""
SERVE = """
import sys, time
sys.path[:0] = [sys.argv[1], sys.argv[1] + "/tests", sys.argv[1] + "/tests/bench"]
import bench_replay
data = open(sys.argv[2], "rb").read()
for name in sys.stdin:
    begun = time.process_time()
    getattr(bench_replay, name.strip())(data)
    print(time.process_time() - begun, flush=True)
"""


def started(tree: Path, capture: str) -> "subprocess.Popen[str]":
    """A process that does one pass for each line that it reads."""
    words = [str(tree / ".venv" / "bin" / "python"), "-c", SERVE, str(tree), capture]
    return subprocess.Popen(words, cwd=tree, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def taken(process: "subprocess.Popen[str]", row: str) -> float:
    """CPU time of one pass, s."""
    assert process.stdin is not None and process.stdout is not None
    process.stdin.write(row + "\n")
    process.stdin.flush()
    return float(process.stdout.readline())


def main() -> None:
    """Measure and print."""
    old = Path(sys.argv[1]).resolve()
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else PAIRS
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        capture = f"{folder}/capture.bin"
        subprocess.run(
            [str(old / ".venv/bin/python"), "-c", MAKE, str(old), capture, str(SECONDS)], check=True, cwd=old
        )
        trees = [started(tree, capture) for tree in (old, ROOT)]
        for row in ROWS:
            # The first pair makes what is made once.
            found = [[taken(p, row) for p in trees] for _ in range(pairs + 1)][1:]
            ratios = [new / was for was, new in found]
            least = [min(column) for column in zip(*found, strict=True)]
            print(
                f"{row}: {least[0]:.4f} s, {least[1]:.4f} s at least; ratio {median(ratios):.2f} (median of {pairs}, "
                f"{min(ratios):.2f} to {max(ratios):.2f}), of the least {least[1] / least[0]:.2f}"
            )
        for process in trees:
            process.communicate()


if __name__ == "__main__":
    main()
