"""Sail many seeds and print one table.

python -m tests.voyages --hours 1 [--jobs 2] [--first SEED] [--seeds N] [--again 50]
"""

import argparse
import re
import sys
import time
from collections import Counter

from .oracles import Verdict
from .swarm import swarm


def main() -> int:
    """Print each seed that fails, then the table; 1 where an oracle is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.voyages", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--seeds", type=int, default=None)
    parser.add_argument("--again", type=int, default=50, help="each so-manieth seed is sailed twice; 0 = none")
    args = parser.parse_args()
    verdicts: list[Verdict] = []
    for v in swarm(args.first, args.jobs, time.monotonic() + 3_600 * args.hours, args.seeds, args.again):
        verdicts.append(v)
        for kind, lines in (("FAILED", v.failures), ("MISSED", v.missed), ("FALSE", v.false_alarms)):
            for line in lines:
                _say(f"seed {v.seed}: {kind} {line}")
        if len(verdicts) % 20 == 0:
            _say(f"... {len(verdicts)} voyages, {sum(x.days for x in verdicts):,.0f} engine-days")
    return _table(verdicts)


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _table(verdicts: list[Verdict]) -> int:
    days = sum(v.days for v in verdicts)
    false = sum(len(v.false_alarms) for v in verdicts)
    planted, found = sum(v.planted for v in verdicts), sum(v.found for v in verdicts)
    forecasts, covered = sum(v.forecasts for v in verdicts), sum(v.covered for v in verdicts)
    failed = [v for v in verdicts if v.failures]
    off_h = [v.ports_off_h for v in verdicts]
    share = found / planted if planted else 1.0
    rows = [
        ("voyages, engine-days", f"{len(verdicts):,}, {days:,.0f}", ""),
        ("machine time", f"{sum(v.took_s for v in verdicts):,.0f} s", ""),
        (
            "events ashore, copies among them",
            f"{sum(v.events for v in verdicts):,}, {sum(v.copies for v in verdicts):,}",
            "",
        ),
        ("trends at the second broker, ashore", f"{sum(v.trends for v in verdicts):,}", ""),
        ("voyages with a broken oracle", f"{len(failed)}", "0"),
        ("planted faults found in time", f"{found:,} of {planted:,} = {100 * share:.2f} %", ">= 99 %"),
        ("alarms without cause", f"{false} = {365.25 * false / max(days, 1e-9):.2f} an engine-year", "<= 1"),
        ("lag called good, worst error", f"{max((v.lag_worst_deg for v in verdicts), default=0):.4f} deg", "0.02"),
        ("length called good, worst error", f"{max((v.length_worst_mm for v in verdicts), default=0):.3f} mm", "0.2"),
        ("true cause named", _share(sum(v.named for v in verdicts), sum(v.worded for v in verdicts)), ">= 95 %"),
        (
            "true cause first, where it can be",
            _share(sum(v.named_first for v in verdicts), sum(v.may_be_first for v in verdicts)),
            ">= 90 %",
        ),
        ("hours, worst error", f"{100 * max((v.hours_worst_share for v in verdicts), default=0):.4f} %", "0.1 %"),
        (
            "hours off at the end, ports with them",
            f"{sum(off_h) / max(1, len(off_h)):.2f} h a voyage, {max(off_h, default=0):.2f} h at worst",
            "",
        ),
        ("forecasts' 5-95 % holds the truth", f"{covered} of {forecasts}", "85-95 %"),
    ]
    for what, figure, bound in rows:
        _say(f"{what:<38}{figure:<36}{bound}")
    for name, lines in (
        ("alarms without cause, by tag", [line.split()[0] for v in verdicts for line in v.false_alarms]),
        ("broken oracles, by kind", [re.sub(r"[-+0-9.,]+", "#", line)[:60] for v in verdicts for line in v.failures]),
        ("causes not named or not first", [line for v in verdicts for line in v.unnamed]),
        ("missed, by kind", [line.split(" at ")[0] for v in verdicts for line in v.missed]),
    ):
        _say(f"{name}: {', '.join(f'{k} {n}' for k, n in Counter(lines).most_common()) or 'none'}")
    rate_ok = 365.25 * false <= days or not false
    return 0 if not failed and share >= 0.99 and rate_ok else 1


def _share(n: int, of: int) -> str:
    return f"{n} of {of} = {100 * n / of:.1f} %" if of else "none"


if __name__ == "__main__":
    sys.exit(main())
