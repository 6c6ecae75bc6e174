"""Does the slope's range hold in each kind of noise, and how wide is it beside that of somebody who knows the noise?

    python -m tests.bench.bench_drift_noise [--seeds 100] [--hours 4000] [--kinds SEA,ALL] [--jobs 1]

(or `python tests/bench/bench_drift_noise.py`). Noise: `tests/sea_noise.py`. Drift 0.05 to 0.15° per 1,000 h;
speed, warmth and load vary as at sea and enter the lag. Width: full width of the 90 % range over the oracle's.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from sea_noise import KINDS  # noqa: E402
from slope_trials import CHECKS, Booked, Trial, oracle_for, run_trial  # noqa: E402

BOOKED: tuple[Booked, ...] = ("", "loading")


def print_kind(kind: str, booked: Booked, trials: list[Trial]) -> None:
    """One line: coverage and width over the oracle's at each number of hours."""
    cells = []
    for i, hours in enumerate(CHECKS):
        outcomes = [t.outcomes[i] for t in trials if i < len(t.outcomes)]
        if outcomes:
            held = np.mean([o.held for o in outcomes])
            ratio = np.median([o.width / o.oracle for o in outcomes])
            half = np.median([o.width for o in outcomes]) / 2
            cells.append(f"{hours}: {held:4.0%} ×{ratio:4.2f} ±{half:.3f}")
    print(f"{kind:10} {booked:8}" + " | ".join(cells), flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=1000, help="the first seed")
    parser.add_argument("--hours", type=int, default=4000)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--spacing", type=int, default=1, help="a burst every so many ten minutes")
    args = parser.parse_args()
    print("coverage of the 90 % range, width over the oracle's, median half width (° per 1,000 h)")
    with ProcessPoolExecutor(args.jobs) as pool:
        for kind in args.kinds.split(","):
            oracle_for(kind, args.hours)
            for booked in BOOKED if kind in ("LEG", "SEA", "ALL") else BOOKED[:1]:
                tasks = [
                    (kind, seed, args.hours, booked, args.spacing)
                    for seed in range(args.first, args.first + args.seeds)
                ]
                print_kind(kind, booked, list(pool.map(run_trial, tasks, chunksize=4)))


if __name__ == "__main__":
    main()
