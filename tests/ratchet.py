"""Counts that only fall: how many of a kind each file has today, and how many it may have at most."""

import json
import sys
from collections.abc import Callable, Iterable, Sized
from pathlib import Path

ROOT = Path(__file__).parents[1]


def counts(files: Iterable[Path], found: Callable[[Path], Sized]) -> dict[str, int]:
    """How many stand in each file that has any."""
    all_files = {p.relative_to(ROOT).as_posix(): len(found(p)) for p in files}
    return {name: n for name, n in all_files.items() if n}


def most(kept: Path) -> dict[str, int]:
    """How many may stand in each file."""
    allowed: dict[str, int] = json.loads(kept.read_text(encoding="utf-8"))
    return allowed


def lower(kept: Path, now: dict[str, int]) -> None:
    """Take today's counts where their sum is not above what it was."""
    if kept.exists() and sum(now.values()) > sum(most(kept).values()):
        sys.exit("there are more than before; take them out instead")
    kept.write_text(json.dumps(now, indent=1) + "\n", encoding="utf-8")


def table(now: dict[str, int]) -> str:
    """A line a file, those with the most first, and the sum."""
    lines = [f"{n:5} {name}" for name, n in sorted(now.items(), key=lambda item: -item[1])]
    return "\n".join([*lines, f"{sum(now.values()):5} in {len(now)} files\n"])
