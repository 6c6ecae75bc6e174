"""This tree beside another commit, in one run: a live daemon's CPU and memory, replay of a capture, start of commands.

    python tests/bench/bench_against.py TREE [--live 60] [--rounds 5] [--hours 4]

TREE is a checkout of the other commit with its own `.venv`. Both read the same bytes: heads and capture come from
TREE's simulator with the same seed. The two daemons run at the same time, each with its page on, one engine at 500 Hz,
a head on a pty and a Mosquitto of its own, in the unit's environment and compiled beforehand. Commands run in turns,
old and new. Ratios are new over old, taken pair by pair; the medians are printed. Prints Markdown, judges nothing.
"""

import argparse
import contextlib
import os
import resource
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
from bench_live import WARM_S, use_of  # noqa: E402
from service_environment import NOT_NEEDED, UNIT  # noqa: E402

START_UTC = "2031-02-03T04:05:06Z"


@dataclass(frozen=True)
class Tree:
    """A checkout with its virtual environment, and the environment that its processes get."""

    root: Path
    env: dict[str, str]

    def command(self, *words: str) -> list[str]:
        """camdrift with these words."""
        return [str(self.root / ".venv" / "bin" / "python"), "-m", "gateway.cli", *words]

    def head(self, *words: str) -> list[str]:
        """camdrift-head with these words."""
        return [str(self.root / ".venv" / "bin" / "python"), "-m", "firmware_sim.cli", *words]

    def compile(self) -> None:
        """As INSTALL.md says, all that the daemon imports."""
        place = "import sys; print([p for p in sys.path if p.endswith('site-packages')], sys.prefix)"
        python = self.command()[0]
        found = subprocess.run([python, "-c", place], capture_output=True, text=True, check=True).stdout
        packages = [part.strip("[]',") for part in found.split() if "site-packages" in part]
        places = [*packages, os.path.dirname(os.__file__), str(self.root / "gateway")]
        words = ["-OO", "-m", "compileall", "-qq", "-x", NOT_NEEDED, *places]
        subprocess.run([python, *words], env=self.env, check=False)


Row = tuple[str, str, list[float], list[float]]
"""What, unit, found old, found new; pair by pair."""


# -- commands -----------------------------------------------------------------------------------------------------


def taken(tree: Tree, words: list[str]) -> tuple[float, float]:
    """Wall time and CPU time of a command, s."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(tree.command(*words), cwd=tree.root, env=tree.env, capture_output=True, check=False, timeout=900)
    wall_s, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def in_turns(name: str, old: Tree, new: Tree, words: Callable[[Tree], list[str]], rounds: int) -> list[Row]:
    """The same command by both, in turns; the first pair is not counted."""
    pairs = [(taken(old, words(old)), taken(new, words(new))) for _ in range(rounds + 1)][1:]
    return [
        (f"{name}, wall time", "s", [o[0] for o, _ in pairs], [n[0] for _, n in pairs]),
        (f"{name}, CPU time", "s", [o[1] for o, _ in pairs], [n[1] for _, n in pairs]),
    ]


def commands(old: Tree, new: Tree, folder: Path, rounds: int, hours: float) -> list[Row]:
    """Start of small commands, and replay."""
    rows = in_turns("`camdrift --help`", old, new, lambda _: ["--help"], 2 * rounds)
    minimal = "config/minimal.toml"
    rows += in_turns("`camdrift status`, no daemon", old, new, lambda _: ["status", minimal], 2 * rounds)
    capture = folder / "capture.bin"
    make = old.head("steady", "--out", str(capture), "--duration", str(hours * 3_600), "--seed", "1")
    subprocess.run(make, cwd=old.root, check=True, capture_output=True)
    tern = "config/tern-passage.toml"
    replay = ["replay", tern, str(capture), "--start", START_UTC]
    return rows + in_turns(f"replay of {hours:g} h at 500 Hz", old, new, lambda _: replay, rounds)


# -- live ---------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def living(tree: Tree, heads: Tree, folder: Path) -> Iterator[int]:
    """A daemon with its head and broker; gives its process id."""
    folder.mkdir()
    broker = rig.lasting_broker(folder)
    data = rig.example(folder, broker.port, reading_every_s=10)
    theirs = tomllib.loads((tree.root / "config" / "tern-passage.toml").read_text(encoding="utf-8"))
    data = theirs | {key: data[key] for key in ("gateway", "capture", "head", "broker")}
    data["page"] = theirs.get("page", {}) | {"port": rig.free_port()}
    config = rig.written(folder, data)
    head = rig.Process(heads.head("steady", "--pty", "--link", str(folder / "head")), folder / "head.log")
    try:
        rig.until((folder / "head").exists, "the head's pty is there")
        daemon = rig.Process(tree.command("run", str(config)), folder / "daemon.log", cwd=tree.root, **tree.env)
        try:
            yield daemon.child.pid
        finally:
            assert daemon.end() == 0, (folder / "daemon.log").read_text(encoding="utf-8")
    finally:
        head.kill()
        broker.stop()


def live(old: Tree, new: Tree, folder: Path, rounds: int, seconds: float) -> list[Row]:
    """Both daemons at the same time: share of a core and resident memory, round by round."""
    cpu: tuple[list[float], list[float]] = ([], [])
    memory: tuple[list[float], list[float]] = ([], [])
    with living(old, old, folder / "old") as old_pid, living(new, old, folder / "new") as new_pid:
        time.sleep(WARM_S)
        for _ in range(rounds):
            before, begun = [use_of(pid) for pid in (old_pid, new_pid)], time.monotonic()
            time.sleep(seconds)
            after, spent_s = [use_of(pid) for pid in (old_pid, new_pid)], time.monotonic() - begun
            for which in (0, 1):
                cpu[which].append(100 * (after[which].cpu_s - before[which].cpu_s) / spent_s)
                memory[which].append(after[which].resident_mib)
    return [("daemon live, one engine, page on: CPU", "% of a core", *cpu), ("resident memory", "MiB", *memory)]


# -- table --------------------------------------------------------------------------------------------------------


def line(row: Row) -> str:
    """Of the Markdown table."""
    what, unit, old, new = row
    ratios = [n / o for o, n in zip(old, new, strict=True)]
    cells = [what, f"{median(old):.3g} {unit}", f"{median(new):.3g} {unit}"]
    cells += [f"{median(ratios):.2f}", f"{min(ratios):.2f} to {max(ratios):.2f}", str(len(ratios))]
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tree", type=Path)
    parser.add_argument("--live", type=float, default=60.0, help="seconds of a round of the daemons")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--hours", type=float, default=4.0, help="length of the capture")
    args = parser.parse_args()
    unit = (x for x in UNIT.read_text(encoding="utf-8").splitlines() if x.startswith("Environment="))
    env = dict(pair.split("=", 1) for x in unit for pair in x.partition("=")[2].split())
    with tempfile.TemporaryDirectory() as name:
        env["PYTHONPYCACHEPREFIX"] = f"{name}/compiled"
        trees = [Tree(root.resolve(), {**os.environ, **env}) for root in (args.tree, rig.ROOT)]
        for tree in trees:
            tree.compile()
        rows = live(*trees, Path(name), args.rounds, args.live)
        rows += commands(*trees, Path(name), args.rounds, args.hours)
    print("| what | old | new | new / old, median | from, to | pairs |\n| --- | --- | --- | --- | --- | --- |")
    print("\n".join(line(row) for row in rows))


if __name__ == "__main__":
    main()
