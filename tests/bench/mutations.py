"""Mutation testing of one package: how many small errors, sown one at a time, do its tests notice?

    python tests/bench/mutations.py wear --sample 600
    python tests/bench/mutations.py alarm --keep alarm-mutants     # complete; goes on where it stopped

Needs the extra `proof` (mutmut 3). The tree is copied to a scratch folder; nothing in it is changed. A sample is drawn
at random by `--seed`, and its score is told with the 95 % interval of Wilson. With `--keep` the folder stays, and
`mutmut show NAME` there shows a mutant. What is not mutated: constants of a module and decorated functions.

Known to live on: SQL in other letter case (it means the same), and what runs once at import, before a mutant can live.
The score counts them as not found; beside it stands the score without mutants that live and differ from the code in the
letter case of SQL alone (a line with SQL in it and with no value in quotes inside).
"""

import argparse
import contextlib
import importlib.util
import json
import math
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
GOAL_PERCENT = 85.0
TESTS = {
    "link": ["tests/link", "tests/outside/test_link_catalogue.py"],
    "measure": ["tests/measure", "tests/outside/test_circular.py", "tests/outside/test_smoothing_published.py",
                "tests/outside/test_ne43.py", "tests/outside/test_springs.py", "tests/outside/test_trade_facts.py"],
    "wear": ["tests/wear", "tests/outside/test_cusum.py", "tests/outside/test_geometry_tables.py",
             "tests/outside/test_regression.py", "tests/outside/test_trend_examples.py",
             "tests/outside/test_trade_facts.py"],
    "alarm": ["tests/alarm", "tests/outside/test_alarm_metrics.py"],
    "store": ["tests/store", "tests/faults/test_disk_refusals.py", "tests/faults/test_disk_full.py"],
}  # fmt: skip
SLOW = [
    "tests/wear/test_coverage.py",
    "tests/wear/test_drift.py::test_averaging_over_phi_against_dense_quadrature",
    "tests/wear/test_segments.py::test_slip_is_found_sized_and_dated",
    "tests/wear/test_segments.py::test_restart_goes_on_to_the_bit",
    "tests/wear/test_segments.py::test_wear_and_changes_of_state_are_no_step",
    "tests/wear/test_segments.py::test_several_steps",
    "tests/wear/test_segments.py::test_jump_never_becomes_a_slope",
    "tests/measure/test_accuracy.py",
    "tests/measure/test_measure_hours.py::test_a_simulated_voyage_keeps_its_hours",
    "tests/measure/test_measure_cutter.py::test_any_splitting_gives_the_same_bits",
]
"""Each takes seconds: left out at first, and run with `--thorough` on what lives."""
RAW_IDS = "disable_test_id_escaping_and_forfeit_all_rights_to_community_support=true"
"""A test whose name has a letter beyond ASCII is not found again by its escaped name."""
ENDLESS = {24, -24, 36, 152, 255}
KILLED = {1, 3, -11, -9, -6} | ENDLESS
"""Exit codes: a test failed, or a crash, or there was no end."""
TIMEOUT = ("timeout_multiplier=6", "timeout_constant=10")
SQL = re.compile(
    r"\bSELECT\b.*\bFROM\b|\bINSERT INTO\b|\bUPDATE \w+ SET\b|\bDELETE FROM\b|\bPRAGMA\b"
    r"|\w ?[<>=]+ ?\(?\?|\b[a-z]\.\w+ ?=",
    re.IGNORECASE,
)
PROFILE = """
import functools as _functools
import json as _json
import sys as _sys
from pathlib import Path as _Path

from hypothesis import settings as _settings

_settings.register_profile("mutations", deadline=None, database=None, max_examples=30)
_settings.load_profile("mutations")


def pytest_sessionstart(session):
    # What was kept by lru_cache from before the mutant came to life would hide it.
    here = str(_Path.cwd())
    for module in [m for m in _sys.modules.values() if str(getattr(m, "__file__", None) or "").startswith(here)]:
        for thing in [t for t in vars(module).values() if isinstance(t, _functools._lru_cache_wrapper)]:
            thing.cache_clear()


def pytest_collection_modifyitems(items):
    # The quick ones first: most mutants never meet a slow test.
    stats = _Path("mutmut-stats.json")
    seconds = _json.loads(stats.read_text())["duration_by_test"] if stats.exists() else {}
    items.sort(key=lambda item: seconds.get(item.nodeid, 0.0))
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("package", choices=sorted(TESTS))
    parser.add_argument("--sample", type=int, help="so many mutants at random (default: all)")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--children", type=int, default=2, help="processes at a time")
    parser.add_argument("--thorough", action="store_true", help="the slow tests too")
    parser.add_argument("--keep", type=Path, help="work in this folder and leave it; found again, it goes on")
    args = parser.parse_args()
    if args.keep:
        return _measured(args, args.keep.resolve())
    with tempfile.TemporaryDirectory() as folder:
        return _measured(args, Path(folder) / "tree")


def _measured(args: argparse.Namespace, tree: Path) -> int:
    if importlib.util.find_spec("mutmut") is None:
        sys.exit("mutmut is not there: pip install -e '.[test,proof]'")
    if not (tree / "setup.cfg").exists():
        _copied(args.package, tree, [] if args.thorough else SLOW)
    # A pattern that fits none: the mutants are made, and nothing is run.
    _mutmut(tree, args.children, ["none.at.all"], quiet=True)
    names = sorted(_codes(tree, args.package))
    chosen = random.Random(args.seed).sample(names, args.sample) if args.sample else names
    # Named ones are run again; without names only what was not run yet.
    asked = chosen if args.sample else []
    _mutmut(tree, args.children, asked)
    codes = {n: c for n, c in _codes(tree, args.package).items() if n in set(chosen)}
    code = _told(args.package, codes, len(names))
    return code or _told_without_case(tree, codes)


def _copied(package: str, tree: Path, left_out: list[str]) -> None:
    for name in ("gateway", "firmware_sim", "config", "tests"):
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tree)
    (tree / "setup.cfg").write_text(_settings(package, left_out))
    with (tree / "tests/conftest.py").open("a") as conftest:
        conftest.write(PROFILE)


def _settings(package: str, left_out: list[str]) -> str:
    deselected = [word for path in left_out for word in ("--deselect", path)]
    lists = {
        "also_copy": ["firmware_sim", "config"],
        "pytest_add_cli_args_test_selection": TESTS[package],
        "pytest_add_cli_args": ["-p", "no:xdist", "-o", "addopts=", "-o", RAW_IDS, "--hypothesis-seed=0", *deselected],
    }
    # Enough for a busy machine, and not so much that each endless loop costs minutes.
    lines = ["[mutmut]", "source_paths=gateway", f"only_mutate=gateway/{package}/*", *TIMEOUT]
    return "\n".join([*lines, *("\n    ".join([f"{key}=", *words]) for key, words in lists.items()), ""])


def _mutmut(tree: Path, children: int, names: Sequence[str], quiet: bool = False) -> None:
    """Runs from nice 5, and talks to the terminal unless `quiet`."""
    command = ["nice", "-5", sys.executable, "-m", "mutmut", "run", "--max-children", str(children), *names]
    out = subprocess.DEVNULL if quiet else None
    env = os.environ | {"PYTHONPATH": ""}
    subprocess.run(command, cwd=tree, stdout=out, stderr=out, stdin=subprocess.DEVNULL, env=env, check=False)


def _codes(tree: Path, package: str) -> dict[str, int | None]:
    """Mutant's name to the exit code of its tests; `None`: not run."""
    codes: dict[str, int | None] = {}
    for meta in sorted((tree / "mutants/gateway" / package).glob("*.meta")):
        codes |= json.loads(meta.read_text())["exit_code_by_key"]
    return codes


def _told(package: str, codes: dict[str, int | None], of: int) -> int:
    run = {name: code for name, code in codes.items() if code is not None}
    killed, n = sum(code in KILLED for code in run.values()), len(run)
    if not n:
        print(f"{package}: nothing was run; is mutmut there (extra `proof`)?")
        return 1
    by_file: dict[str, Counter[bool]] = {}
    for name, code in run.items():
        by_file.setdefault(name.split(".")[2], Counter())[code in KILLED] += 1
    print()
    for file, counts in sorted(by_file.items()):
        print(f"{package}/{file}.py: {counts[True]} of {counts.total()} found")
    for name, code in sorted(run.items()):
        if code not in KILLED:
            print(f"  lives: {name}" + ("" if code == 0 else " (no test runs it)" if code == 33 else f" (code {code})"))
    low, high = _wilson(killed, n)
    share = f"{n} of {of}" if n < of else f"all {of}"
    interval = f", 95 % interval {low:.1f} to {high:.1f} %" if n < of else ""
    endless = sum(code in ENDLESS for code in run.values())
    print(
        f"{package}: {100 * killed / n:.1f} % of {share} mutants found{interval} (goal {GOAL_PERCENT:.0f} %); ", end=""
    )
    print(f"  {endless} of those found ran without end")
    return 0


def _told_without_case(tree: Path, codes: dict[str, int | None]) -> int:
    run = {name: code for name, code in codes.items() if code is not None}
    lives = [name for name, code in run.items() if code not in KILLED]
    same = sum(_is_same_sql(tree, name) for name in lives)
    if same:
        left = len(run) - same
        share = 100 * (len(run) - len(lives)) / left
        print(f"without {same} that live and change the letter case of SQL alone: {share:.1f} % of {left}")
    return 0


def _is_same_sql(tree: Path, name: str) -> bool:
    """Is it the same SQL in other letter case? A value in quotes would be another one."""
    from mutmut.mutation.diff_apply import get_diff_for_mutant

    with contextlib.chdir(tree):
        lines = [x for x in get_diff_for_mutant(name).splitlines() if x[:1] in "+-" and x[:3] not in ("+++", "---")]
    before, after = ("".join(x[1:] for x in lines if x[0] == sign) for sign in "-+")
    return before.lower() == after.lower() and "'" not in before and SQL.search(before) is not None


def _wilson(k: int, n: int) -> tuple[float, float]:
    """The 95 % interval of a share, in percent."""
    z = 1.96
    p, d = k / n, 1 + z * z / n
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return 100 * (p + z * z / (2 * n) - half) / d, 100 * (p + z * z / (2 * n) + half) / d


if __name__ == "__main__":
    sys.exit(main())
