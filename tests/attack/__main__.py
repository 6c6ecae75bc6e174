"""All attacks, one after another, as a table.

python -m tests.attack                     every case on a ship of its own
python -m tests.attack NAME …              some of them
python -m tests.attack NAME --times 6      one so often on one ship: does its memory grow each time, or once?
python -m tests.attack --together 30       all at once for so many minutes, beside a head and a subscriber
"""

import argparse
import os
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from tests.attack import cases, together  # noqa: E402, F401
from tests.attack.case import CASES, LONGEST_S, Case, Outcome, on_ship, run  # noqa: E402
from tests.attack.head_process import EVERY_S  # noqa: E402
from tests.attack.rig import ship  # noqa: E402

HEAD = (
    f"{'case':<34} {'held':<5} {'before':>7} {'after':>7} {'alarm':>6} {'machine':>8} {'took':>6}   "
    "MiB, MiB, s, s (the machine's own delay), s"
)


def line(o: Outcome) -> str:
    """One row of the table."""
    held = "NO" if o.why else "yes"
    figures = f"{o.before_mib:7.1f} {o.after_mib:7.1f} {o.alarm_s:6.2f} {o.machine_s:8.2f} {o.took_s:6.1f}"
    return f"{o.case.name:<34} {held:<5} {figures}   {o.why}".rstrip()


def repeated(one: Case, times: int) -> Iterator[Outcome]:
    """The same attack again and again on one ship: a bounded cache fills once, a leak grows each time."""
    with ship(int(times * LONGEST_S / EVERY_S), **one.options) as s:
        for _ in range(times):
            yield on_ship(one, s)


def all_together(minutes: float) -> int:
    """Print what was seen; 1 where something did not hold."""
    report = together.run(minutes)
    sys.stdout.write("\n".join(together.table(minutes, report)) + "\n")
    return 1 if report.why else 0


def main() -> int:
    """Print the table; 1 where a case did not hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", metavar="NAME")
    parser.add_argument("--together", type=float, metavar="MINUTES", help="all at once, for so long")
    parser.add_argument("--times", type=int, default=1, metavar="N", help="each so often on one ship")
    args = parser.parse_args()
    if args.together is not None:
        return all_together(args.together)
    unknown = set(args.cases) - {c.name for c in CASES}
    if unknown:
        parser.error(f"no such case: {', '.join(sorted(unknown))}; there are: {', '.join(c.name for c in CASES)}")
    sys.stdout.write(f"{HEAD}\n")
    failed = 0
    for one in CASES:
        if not args.cases or one.name in args.cases:
            for outcome in repeated(one, args.times) if args.times > 1 else [run(one)]:
                failed += bool(outcome.why)
                sys.stdout.write(f"{line(outcome)}\n")
                sys.stdout.flush()
    sys.stdout.write(f"{failed} did not hold; load average {os.getloadavg()[0]:.1f}\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
