"""CPU and wall time of each test, children included: what of the suite is dear. Ends with the dearest tests and files.

    .venv/bin/python tests/bench/suite_cost.py [what pytest is given]

CPU time depends less than wall time on what else the machine does, yet not nothing: read the order, not the seconds.
A browser's or server's time is counted at the test after which it has ended, often the file's last.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
OUT = "CAMDRIFT_SUITE_COST"
SHOWN = 30


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """In each worker: one line a test."""
    before, began_s = os.times(), time.monotonic()
    yield
    after, wall_s = os.times(), time.monotonic() - began_s
    own_s = after.user + after.system - before.user - before.system
    children_s = after.children_user + after.children_system - before.children_user - before.children_system
    with Path(os.environ[OUT]).open("a", encoding="utf-8") as f:
        f.write(json.dumps([item.nodeid, own_s + children_s, wall_s]) + "\n")


def table(rows: list[tuple[str, float, float]]) -> str:
    """The dearest, CPU first."""
    shown = sorted(rows, key=lambda row: -row[1])[:SHOWN]
    return "\n".join(f"{cpu:8.1f} s CPU {wall:8.1f} s wall  {name}" for name, cpu, wall in shown)


def main() -> int:
    """Run pytest with this file as a plugin, then print."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "cost.jsonl"
        env = {**os.environ, OUT: str(out), "PYTHONPATH": str(HERE)}
        code = subprocess.run([sys.executable, "-m", "pytest", "-p", "suite_cost", *sys.argv[1:]], env=env).returncode
        rows = [(str(n), float(c), float(w)) for n, c, w in map(json.loads, out.read_text().splitlines())]
    files: dict[str, tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    for name, cpu, wall in rows:
        of = name.split("::")[0]
        files[of] = (files[of][0] + cpu, files[of][1] + wall)
    print(table(rows), table([(name, *spent) for name, spent in files.items()]), sep="\n\n")
    print(f"\n{len(rows)} tests, {sum(r[1] for r in rows):.0f} s CPU, {sum(r[2] for r in rows):.0f} s wall in sum")
    return code


if __name__ == "__main__":
    sys.exit(main())
