"""A pump 10 % weak: found within 24 h at sea, and the right cylinder? And how often is one named without cause?

Simulated drives in bursts of 6 s each ten minutes, encoders with harmonics, speeds that change each half to two days,
20 days before the pump gets weak. Found: the change has stood for the alarm's on-delay. Due: 90 % found, of those 95 %
the right cylinder first; at most five named without cause in 50 engine-years.

Run: `python tests/bench/bench_shape.py found [SEEDS]` or `… quiet [YEARS] [FIRST SEED]`.
"""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[n]) for n in (1, 2)]

from shape_drives import DAY_S, drive, engine, followed  # noqa: E402

from gateway.alarm.table import BY_TAG  # noqa: E402
from gateway.wear.shape_reference import ShapeView  # noqa: E402

EVERY_S, WEAK_AT_S = 600.0, 20 * DAY_S
PART_DAYS = 73.0
"""Drives of a fifth of a year each, for the quiet years."""


class Delay:
    """When the change has stood for the alarm's on-delay."""

    def __init__(self) -> None:
        self._since: float | None = None

    def raises(self, t_s: float, view: ShapeView) -> bool:
        """Has it now?"""
        if view.named is None:
            self._since = None
        elif self._since is None:
            self._since = t_s
        return self._since is not None and t_s - self._since >= BY_TAG["shape-changed"].on_delay_s


def found(seeds: int) -> None:
    """One cylinder after the other gets weak."""
    hits: list[tuple[float, bool]] = []
    for seed in range(seeds):
        weak = {"kind": "pump-load", "at_s": WEAK_AT_S, "cylinder": seed % 6 + 1, "part": 0.9}
        delay = Delay()
        for t, view in followed(drive(seed, 26, [weak]), engine(), 0.0, WEAK_AT_S + DAY_S, EVERY_S, quick=True):
            if delay.raises(t, view) and t >= WEAK_AT_S and view.named is not None:
                hits.append(((t - WEAK_AT_S) / 3_600, view.named.cylinders == (seed % 6 + 1,)))
                break
    right = sum(ok for _, ok in hits)
    hours = sorted(h for h, _ in hits)
    print(f"found {len(hits)} of {seeds}; right cylinder {right}; median {hours[len(hours) // 2]:.1f} h")


def quiet(years: float, first: int) -> None:
    """Nothing happens."""
    alarms, judged, shapes = 0, 0, 0
    for seed in range(first, first + round(years * 365 / PART_DAYS)):
        delay, stood = Delay(), False
        for t, view in followed(drive(seed, PART_DAYS), engine(), 0.0, PART_DAYS * DAY_S, EVERY_S, quick=True):
            stands = delay.raises(t, view)
            alarms += stands and not stood
            stood = stands
            judged += bool(view.changes)
            shapes += 1
        print(f"seed {seed}: {alarms} so far, {judged} of {shapes} shapes with a figure", file=sys.stderr, flush=True)
    print(f"{alarms} without cause in {years:g} engine-years; a figure for {judged / shapes:.0%} of the shapes")


if __name__ == "__main__":
    if sys.argv[1:2] == ["quiet"]:
        quiet(*(float(sys.argv[2]) if len(sys.argv) > 2 else 50.0,), int(sys.argv[3]) if len(sys.argv) > 3 else 1_000)
    else:
        found(int(sys.argv[2]) if len(sys.argv) > 2 else 50)
