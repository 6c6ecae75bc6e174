"""Does the forecast's interval hold, and is it as narrow as it could be? Many seeded voyages, one table.

    python -m tests.bench.bench_forecast [--voyages 500] [--slips 200] [--years 100] [--hours 43800] [--jobs 1]

(or `python tests/bench/bench_forecast.py`). What is measured is described in `tests/wear_trials.py`, the voyages in
`tests/wear_voyage.py`.
"""

import argparse
import math
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from wear_trials import LIMIT_DEG, Outcome, false_steps, find_slip, held, sail, width  # noqa: E402
from wear_voyage import make  # noqa: E402

from gateway.wear.segments import Segments  # noqa: E402
from gateway.wear.steps import JumpDetector  # noqa: E402


def report_forecast(outcomes: list[Outcome]) -> None:
    """Coverage and width, the three side by side."""
    oracle = np.array([width(o.oracle) for o in outcomes])
    print(f"forecast of the hours to {LIMIT_DEG}° at the end of {len(outcomes)} voyages, 5–95 % interval")
    print(f"{'':16}{'holds truth':>12}{'median width':>14}{'over oracle':>12}{'median below':>14}{'no late end':>12}")
    for name in ("told", "oracle", "ols"):
        ranges = [getattr(o, name) for o in outcomes]
        widths = np.array([width(r) for r in ranges])
        share = np.mean([held(o.truth, r) for o, r in zip(outcomes, ranges, strict=True)])
        below = np.mean(
            [(r.p50 if r.p50 is not None else math.inf) < o.truth for o, r in zip(outcomes, ranges, strict=True)]
        )
        label = {"told": "camdrift", "oracle": "oracle", "ols": "least squares"}[name]
        print(
            f"{label:16}{share:>11.1%} {np.median(widths):>12.0f} h{np.median(widths / oracle):>12.2f}"
            f"{below:>13.1%} {np.mean(np.isinf(widths)):>11.1%}"
        )
    low = [o for o in outcomes if o.phi < 0.725]
    high = [o for o in outcomes if o.phi >= 0.725]
    for label, part in (("φ < 0.725", low), ("φ ≥ 0.725", high)):
        if part:
            print(f"  camdrift, {label}: {np.mean([held(o.truth, o.told) for o in part]):.1%} of {len(part)}")
    medians = sum(o.medians for o in outcomes)
    seconds = sum(o.seconds for o in outcomes)
    print(f"  false steps told: {sum(o.steps for o in outcomes)}; {1e6 * seconds / medians:.0f} µs per median")


def report_update(hours: float) -> None:
    """An hourly update (six medians and the drift) early and after so many running hours; a revolution's cost."""
    series, marks = Segments("lag"), []
    rows = list(make(1, hours=hours).medians())
    for start in range(0, len(rows) - 5, 6):
        began = time.perf_counter()
        for row in rows[start : start + 6]:
            series.add(row)
        series.drift()
        marks.append(time.perf_counter() - began)
    # The first days are left out: there the fit is young and anew at each median.
    early, late = np.array(marks[200:700]), np.array(marks[-500:])
    print(
        f"hourly update after {hours:.0f} h ({len(rows)} medians): "
        f"median {1e3 * np.median(late):.2f} ms, slowest of 500 {1e3 * late.max():.2f} ms; "
        f"over that in the first weeks: {np.median(late) / np.median(early):.2f}"
    )
    lags = np.random.default_rng(1).normal(0.7, 0.03, 300_000).tolist()
    detector = JumpDetector(0.5, 8.0)
    began = time.perf_counter()
    for lag in lags:
        detector.add(lag)
    print(f"jump detector: {1e6 * (time.perf_counter() - began) / len(lags):.2f} µs per revolution")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, default in (
        ("voyages", 500),
        ("slips", 200),
        ("years", 100),
        ("hours", 43_800),
        ("jobs", 1),
        ("seed", 0),
    ):
        parser.add_argument(f"--{name}", type=int, default=default)
    args = parser.parse_args()
    if args.hours:
        report_update(args.hours)
    with ProcessPoolExecutor(args.jobs) as pool:
        seeds = range(args.seed, args.seed + args.voyages)
        if args.voyages:
            report_forecast(list(pool.map(sail, seeds, chunksize=4)))
        phis = (0.5, 0.65, 0.8, 0.9, 0.95)
        if args.slips:
            print("coupling slip after 3,000 h, marginal σ of the disturbance 0.03°: running hours until told")
        for size in (0.1, 0.15) if args.slips else ():
            for phi in phis:
                each = args.slips // len(phis)
                found = list(pool.map(find_slip, [(10_000 + i, phi, size) for i in range(each)], chunksize=4))
                delays = [math.inf if d is None else d for d, _ in found]
                sizes = [e for _, e in found if not math.isnan(e)]
                print(
                    f"  {size}°, φ {phi}: median {np.median(delays):.1f} h, "
                    f"90 % within {np.percentile(delays, 90):.1f} h, not within 100 h {np.mean(np.isinf(delays)):.1%}, "
                    f"size off by {np.median(np.abs(sizes)):.3f}°"
                )
        if args.years:
            tasks = [(20_000 + i, phis[i % len(phis)]) for i in range(args.years)]
            steps = list(pool.map(false_steps, tasks, chunksize=4))
            years = sum(h for _, h in steps) / 6_000
            print(f"false steps: {sum(s for s, _ in steps)} in {years:.0f} engine-years of 6,000 running hours")


if __name__ == "__main__":
    main()
