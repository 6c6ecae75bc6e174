"""How far lag and spring length of a minute are from the truth, beside plain averaging over time of the same samples.

The simulated head: both encoders mounted 0.2° out of centre, torsion of 0.25° in order 3 and 0.12° in order 6, 14,400
counts, speed and phases drawn by the seed; once with the head's own speed ripple, once with that of an engine with a
weak cylinder. Run: `python tests/bench/bench_accuracy.py [seeds]`. Targets: 0.002° and 0.02 mm.
"""

import statistics
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from accuracy_minute import RIPPLE, Errors, errors  # noqa: E402

SEEDS = 20
HEADINGS = ("lag, by revolutions", "lag, by time", "spring, by revolutions", "spring, by time")
NAMES = ("lag_deg", "time_lag_deg", "spring_mm", "time_spring_mm")
UNITS = ("°", "°", "mm", "mm")


def rows(found: list[Errors]) -> list[tuple[str, float, float, str]]:
    """Heading, median and worst of the errors' sizes, unit."""
    sizes = [[abs(getattr(e, name)) for e in found] for name in NAMES]
    return [(h, statistics.median(s), max(s), u) for h, s, u in zip(HEADINGS, sizes, UNITS, strict=True)]


def run(seeds: int) -> None:
    """Both ripples."""
    for ripple in RIPPLE:
        made = rows([errors(seed, ripple) for seed in range(seeds)])
        sys.stdout.write(f"speed ripple: {ripple}, {seeds} minutes\n")
        for heading, middle, worst, unit in made:
            sys.stdout.write(f"  {heading:24} median {middle:.5f} {unit:2} worst {worst:.5f} {unit}\n")
        sys.stdout.write(f"  lag by time is {made[1][1] / made[0][1]:.0f} times worse (medians)\n")


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS)
