"""Seeded cases of wear and of four faults, told as the trend and the step detector would tell them.

The drive is a small model of its own: a slack strand of finite stiffness, a slap that goes as one over the tension, an
encoder with an eccentric mounting, a head that counts index slips. Errors are drawn, small steps are missed or come
late, hints are sometimes not there. Run as a script it prints the confusion table.
"""

import math
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[n]) for n in (1, 2)]  # also when run as a script

from drive_engines import tern  # noqa: E402

from gateway.wear import geometry  # noqa: E402
from gateway.wear.agreement import Agreement, Evidence, StepSeen, agreement  # noqa: E402
from gateway.wear.causes import Cause  # noqa: E402
from gateway.wear.elongation import Change  # noqa: E402

KINDS = ("wear", "shifted sensor", "slipped coupling", "set spring", "backed-off nut")
SENSORS = {Cause.ENCODER, Cause.CRANK_ENCODER, Cause.CAM_ENCODER, Cause.TRANSDUCER}
STRAND_STIFFNESS = 1.0
"""Of the slack strand over the spring's at the spring: a set spring shortens by half of what it has lost."""


@dataclass
class Truth:
    """What happened since the datum: true steps by series, creeping changes, hints."""

    hours: float
    lag: float = 0.0
    spring: float = 0.0
    tension_loss_mm: float = 0.0
    steps: tuple[tuple[str, float, float, bool], ...] = ()
    crank_slips: int = 0
    cam_slips: int = 0
    order_changed: bool = False


def wear(rng: np.random.Generator) -> Truth:
    engine = tern()
    hours = float(rng.uniform(800, 4000))
    growth = rng.uniform(0.03, 0.12) * hours / 1000 / geometry.deg_per_percent(engine)
    spring = geometry.spring_mm_from_elongation(engine, growth)
    return Truth(hours, geometry.lag_deg_from_elongation(engine, growth), spring, spring)


def shifted_sensor(rng: np.random.Generator, t: Truth) -> Truth:
    at, stopped = float(rng.uniform(100, t.hours - 100)), bool(rng.random() < 0.6)
    sign = 1 if rng.random() < 0.5 else -1
    if rng.random() < 0.5:
        size = sign * float(rng.uniform(0.15, 1.5))
        slips = bool(rng.random() < 0.5)
        crank = bool(rng.random() < 0.5)
        # Lost counts move the index; a body turned on its bracket changes its eccentricity instead.
        t.crank_slips, t.cam_slips = (int(slips and crank), int(slips and not crank))
        t.order_changed = not slips and bool(rng.random() < 0.9)
        t.lag, t.steps = t.lag + size, (("lag", size, at, stopped),)
    else:
        size = sign * float(rng.uniform(0.8, 4.0))
        t.spring, t.steps = t.spring + size, (("spring", size, at, stopped),)
    return t


def slipped_coupling(rng: np.random.Generator, t: Truth) -> Truth:
    if rng.random() < 0.25:  # creeping: no step to see
        t.lag += float(rng.uniform(0.35, 1.2))
        return t
    steps = [
        ("lag", float(rng.uniform(0.12, 0.9)), float(rng.uniform(50, t.hours)), False)
        for _ in range(rng.integers(1, 3))
    ]
    t.lag += sum(s[1] for s in steps)
    t.steps = tuple(steps)
    return t


def set_spring(rng: np.random.Generator, t: Truth) -> Truth:
    lost = float(rng.uniform(2.0, 7.0))
    short = -lost / (1 + STRAND_STIFFNESS)
    t.tension_loss_mm += lost + short
    t.spring += short
    if rng.random() < 0.4:  # a coil broke
        t.steps = (("spring", short, float(rng.uniform(50, t.hours)), False),)
    return t


def backed_off_nut(rng: np.random.Generator, t: Truth) -> Truth:
    turns = [float(rng.uniform(0.15, 0.5)) for _ in range(rng.integers(1, 5))]
    sizes = [turn * tern().tightener.nut_pitch_mm for turn in turns]
    if rng.random() < 0.4:  # little by little
        sizes, steps = [sum(sizes)], ()
    else:
        steps = tuple(("spring", s, float(rng.uniform(50, t.hours)), False) for s in sizes)
    t.spring += sum(sizes)
    t.tension_loss_mm += sum(sizes)
    t.steps = steps
    return t


FAULTS = {
    "shifted sensor": shifted_sensor,
    "slipped coupling": slipped_coupling,
    "set spring": set_spring,
    "backed-off nut": backed_off_nut,
}


def told(rng: np.random.Generator, t: Truth) -> Evidence:
    """What the trend and the step detector would say of the truth."""
    lag_se, spring_se = float(rng.uniform(0.02, 0.05)), float(rng.uniform(0.1, 0.3))
    seen = []
    for series, size, at, stopped in t.steps:
        se = 0.02 if series == "lag" else 0.12
        if abs(size) > 4 * se or rng.random() < 0.5:
            known = rng.random() < 0.95
            late = float(rng.exponential(4.0))
            seen.append(
                StepSeen(series, size + float(rng.normal(0, se)), se, at + late, stopped if known else None)  # type: ignore[arg-type]
            )
    compression = tern().tightener.required_compression_mm
    slap = 1 / (1 - min(t.tension_loss_mm, 0.8 * compression) / compression)
    slap_se = float(rng.uniform(0.01, 0.04))
    return Evidence(
        hours=t.hours,
        lag=Change(t.lag + float(rng.normal(0, lag_se)), lag_se),
        spring=Change(t.spring + float(rng.normal(0, math.hypot(spring_se, 0.2))), spring_se),
        steps=tuple(seen),
        crank_slips=t.crank_slips,
        cam_slips=t.cam_slips,
        order_changed=t.order_changed if rng.random() < 0.9 else None,
        slap_ratio=Change(slap * (1 + float(rng.normal(0, slap_se))), slap_se) if rng.random() < 0.9 else None,
    )


def case(seed: int) -> tuple[str, Evidence, Agreement]:
    """One seeded case: the kind it is, what was seen, and what was said of it."""
    rng = np.random.default_rng([20_240, seed])
    kind = KINDS[seed % len(KINDS)]
    truth = wear(rng)
    if kind != "wear":
        truth = FAULTS[kind](rng, truth)
    seen = told(rng, truth)
    return kind, seen, agreement(tern(), seen)


def said(a: Agreement) -> list[str]:
    """All that is named, the first first, in the words of the kinds."""
    if a.state != "part":
        return ["wear" if a.state == "agree" else "unknown"]
    names = {Cause.COUPLING: "slipped coupling", Cause.SPRING: "set spring", Cause.NUT: "backed-off nut"}
    causes = map(Cause, a.causes)
    return ["shifted sensor" if c in SENSORS else names.get(c, c.value) for c in causes]


def confusion(seeds: range) -> Counter[tuple[str, str]]:
    """Cases by (kind, what is named first)."""
    return Counter((kind, said(a)[0]) for kind, _, a in map(case, seeds))


def named(seeds: range) -> int:
    """Cases whose true cause is named, first or not."""
    return sum(kind in said(a) for kind, _, a in map(case, seeds))


def report(seeds: range) -> str:
    """The confusion table and what follows from it, as text."""
    table = confusion(seeds)
    answers = sorted({answer for _, answer in table}, key=lambda a: (a not in KINDS, a))
    lines = ["| truth \\ first cause | " + " | ".join(answers) + " | right |", "| --- " * (len(answers) + 2) + "|"]
    for kind in KINDS:
        row = [table[kind, a] for a in answers]
        lines.append(f"| {kind} | " + " | ".join(map(str, row)) + f" | {table[kind, kind] / sum(row):.1%} |")
    right = sum(table[k, k] for k in KINDS) / len(seeds)
    silent = sum(n for (kind, a), n in table.items() if kind != "wear" and a == "wear")
    any_place = named(seeds) / len(seeds)
    lines += ["", f"named: {any_place:.1%}; right first: {right:.1%} of {len(seeds)}"]
    lines.append(f"a fault within two joint uncertainties, agreed: {silent}")
    return "\n".join(lines)


def parted(e: Evidence) -> bool:
    """Reckoned apart from the program: do lag and spring part beyond three joint standard uncertainties?

    One per cent of this drive is 3.677° and 30.31 mm; 0.3 mm is allowed for transducer, warmth and the spring's set.
    """
    assert e.lag is not None and e.spring is not None
    apart = abs(e.spring.value / 30.31 - e.lag.value / 3.677)
    return (
        apart > 3 * math.hypot(math.hypot(e.spring.se, 0.3) / 30.31, e.lag.se / 3.677) + 0.06 * abs(e.lag.value) / 3.677
    )


if __name__ == "__main__":
    sys.stdout.write(report(range(400)) + "\n")
