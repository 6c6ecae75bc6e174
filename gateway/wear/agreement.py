"""Do lag, tightener and rule show the same wear? And where they part, what is the likely cause?

All changes are counted since one common datum (`Datum.common_since_h`); lag in crank degrees, spring lengths in mm,
growth of the chain in per cent. The pattern table and the model of the drive stand in `causes.py`.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from gateway.model.settings import EngineSettings
from gateway.wear import geometry
from gateway.wear.causes import LAG_CAUSES, SPRING_CAUSES, Cause
from gateway.wear.elongation import Change, growth_from_lag, growth_from_spring
from gateway.wear.lost_motion import transducer_doubted
from gateway.wear.ride_out import RideOut

PART_Z = 3.0
AGREE_Z = 2.0
"""Estimates part beyond three joint standard uncertainties, since the test runs every hour for years; they agree within
two. Between the two nothing is claimed: the answer is `unknown`."""

POWER_PERCENT = 0.3
"""A test that could not distinguish a third of a chain's life shows nothing: the answer is `unknown`, never `agree`."""

SAME_TIME_H = 1.0
"""Steps in both series within an hour are one happening: onsets are dated to a few ten-minute medians."""

WEAR_LOW, WEAR_HIGH = 0.008, 0.033
"""Usual wear in per cent per 1,000 h: 0.03 to 0.12° per 1,000 h of a drive with 3.7° per per cent; from memory."""

TOOTH_SHARE = 0.1
"""A step within a tenth of a tooth of a whole number of teeth is a jump."""

SET_BACK_SHARE = 0.25
"""A lag that a step over a stop has left nearer to zero than this share of the step was set there by hands, most
likely: of the steps that a slip may make, one in eight ends there."""

KEPT_ODDS = 3.5
CAUSES_MAX = 4
"""Causes less likely than the first by e^3.5 ≈ 33 are not named; a list longer than four helps nobody."""

State = Literal["agree", "part", "unknown"]
Series = Literal["lag", "spring"]


@dataclass(frozen=True, slots=True)
class StepSeen:
    """A step that no booking explains: in degrees or mm, later or longer = positive. `stopped`: it came over a stop."""

    series: Series
    size: float
    se: float
    hours: float
    stopped: bool | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known since the common datum, `hours` ago. `None` = not known.

    `lag`, `spring`: whole change, steps included. `hand_growth`: per cent by hand. `crank_slips`, `cam_slips`: the
    head's counts since the datum. `order_changed`: the once-per-turn order of the lag is not what it was. `slap_ratio`:
    slap now over slap at the datum. `ride_out`: what is known of it; `None` = the chain does not ride out.
    `lag_deg`: the present lag.
    `lost_growth`: per cent by the lost motion of a locked tightener, without ride-out. `lost_stepped`: did the last
    manoeuvre's lost motion lie off those before, by `lost_step` degrees. `transducer_off`: mm by which a sprung
    tightener's length is longer than the lost motion shows against its stop.
    """

    hours: float
    lag: Change | None
    spring: Change | None
    steps: tuple[StepSeen, ...] = ()
    hand_growth: Change | None = None
    crank_slips: int = 0
    cam_slips: int = 0
    order_changed: bool | None = None
    slap_ratio: Change | None = None
    ride_out: RideOut | None = None
    lag_deg: float | None = None
    lost_growth: Change | None = None
    lost_stepped: bool | None = None
    lost_step: Change | None = None
    transducer_off: Change | None = None


@dataclass(frozen=True, slots=True)
class Agreement:
    """`causes`: likeliest first, empty unless `part`. `z`: the widest parting in joint standard uncertainties."""

    state: State
    causes: tuple[str, ...] = ()
    z: float | None = None


@dataclass(frozen=True, slots=True)
class _Finding:
    """One thing that is not wear: the series it showed in, its sign and size, and whether it came in a step."""

    series: Series
    size: float
    stopped: bool | None
    sudden: bool
    odds: float = 0.0
    flat: bool = False
    repeated: bool = False


def agreement(engine: EngineSettings, evidence: Evidence) -> Agreement:
    """Judge whether the estimates agree and name the likely causes where they part. Never `agree` without a test."""
    if engine.tightener.kind == "locked":
        return _locked(engine, evidence)
    paired, single = _pair(evidence.steps)
    scored = [s for a, b in paired for s in _both(engine, a, b)]
    for step in single:
        scored += _score_step(engine, evidence, step)
    growths = _growths(engine, evidence)
    z = _widest(growths.values())
    if z is not None and z > PART_Z:
        scored += _score_slow(engine, evidence, growths)
    if scored:
        return Agreement("part", _named(scored), z)
    return Agreement("unknown" if _slap_unexplained(engine, evidence) else _untroubled(growths), (), z)


def _locked(engine: EngineSettings, e: Evidence) -> Agreement:
    """A locked tightener shows nothing of wear: it may only stand still. Lag and rule are left to be compared."""
    scored: list[tuple[Cause, float]] = []
    moved = any(s.series == "spring" for s in e.steps)
    if moved or (e.spring is not None and abs(e.spring.value) > engine.tightener.moved_mm + PART_Z * e.spring.se):
        scored += [(Cause.LOCK_LOOSE, 1.0), (Cause.TRANSDUCER, 0.0)]
    lag_steps = [s for s in e.steps if s.series == "lag"]
    for step in lag_steps:
        scored += _score_step(engine, e, step)
    if e.lost_stepped:
        scored += _score_lost_step(e, lag_steps, moved)
    growths = _growths(engine, e)
    z = _widest(growths.values())
    if z is not None and z > PART_Z:
        scored += _score_slow(engine, e, growths)
    return Agreement("part", _named(scored), z) if scored else Agreement(_untroubled(growths), (), z)


def _pair(steps: Iterable[StepSeen]) -> tuple[list[tuple[StepSeen, StepSeen]], list[StepSeen]]:
    """Lag and spring steps of the same hour as pairs, and the rest."""
    lag = [s for s in steps if s.series == "lag"]
    spring = [s for s in steps if s.series == "spring"]
    paired = []
    for a in list(lag):
        b = next((s for s in spring if abs(s.hours - a.hours) <= SAME_TIME_H), None)
        if b is not None:
            paired.append((a, b))
            lag.remove(a)
            spring.remove(b)
    return paired, lag + spring


def _both(engine: EngineSettings, a: StepSeen, b: StepSeen) -> list[tuple[Cause, float]]:
    """Both series stepped at once: at a stop, hands; under way in wear's ratio, the chain itself."""
    lag = Change(geometry.elongation_from_lag_deg(engine, a.size), geometry.elongation_from_lag_deg(engine, a.se))
    spring = Change(
        geometry.elongation_from_spring_mm(engine, b.size), geometry.elongation_from_spring_mm(engine, b.se)
    )
    in_ratio = lag.value > 0 and spring.value > 0 and _z(lag, spring) < PART_Z
    if _teeth(engine, a):
        return [(Cause.TOOTH_JUMP, 6.0), (Cause.CHAIN_DAMAGED, 3.0)]
    if a.stopped or b.stopped:
        return [(Cause.WORK_NOT_BOOKED, 2.0), (Cause.CHAIN_DAMAGED, 0.5 if in_ratio else -2.0)]
    if in_ratio:
        return [(Cause.CHAIN_DAMAGED, 2.0), (Cause.WORK_NOT_BOOKED, -2.0)]
    return [(Cause.COUPLING, 1.0), (Cause.CHAIN_DAMAGED, 0.5), (Cause.SPRING if b.size < 0 else Cause.NUT, 0.5)]


def _teeth(engine: EngineSettings, step: StepSeen) -> int:
    """Whole teeth of jump in a step of the lag, 0 for none."""
    for tooth in geometry.tooth_pitches_deg(engine):
        n = round(step.size / tooth)
        if n and abs(step.size - n * tooth) <= max(TOOTH_SHARE * tooth, PART_Z * step.se):
            return n
    return 0


def _score_step(engine: EngineSettings, e: Evidence, step: StepSeen) -> list[tuple[Cause, float]]:
    same_way = [s for s in e.steps if s.series == step.series and s.size * step.size > 0]
    found = _Finding(step.series, step.size, step.stopped, True, repeated=len(same_way) > 1)
    scored = _score(engine, e, found)
    if step.series == "lag" and _teeth(engine, step):
        scored.append((Cause.TOOTH_JUMP, 6.0))
    return scored


def _growths(engine: EngineSettings, e: Evidence) -> dict[str, Change]:
    """By how much the chain has grown by each estimate since the datum, the steps taken out."""
    found: dict[str, Change] = {}
    if e.lag is not None:
        found["lag"] = growth_from_lag(engine, _less_steps(e.lag, e.steps, "lag"))
    if e.spring is not None:
        growth = growth_from_spring(engine, _less_steps(e.spring, e.steps, "spring"), e.hours)
        if growth is not None:
            found["spring"] = growth if e.ride_out is None else e.ride_out.growth(growth)
    if e.hand_growth is not None:
        found["hand"] = e.hand_growth
    if e.lost_growth is not None:
        found["lost"] = e.lost_growth if e.ride_out is None else e.ride_out.growth(e.lost_growth)
    return found


def _less_steps(change: Change, steps: Iterable[StepSeen], series: Series) -> Change:
    mine = [s for s in steps if s.series == series]
    return Change(change.value - sum(s.size for s in mine), math.hypot(change.se, *(s.se for s in mine)))


def _z(a: Change, b: Change) -> float:
    return abs(a.value - b.value) / max(math.hypot(a.se, b.se), 1e-9)


def _widest(growths: Iterable[Change]) -> float | None:
    return max((_z(a, b) for a, b in combinations(growths, 2)), default=None)


def _untroubled(growths: dict[str, Change]) -> State:
    """`agree` only where all are close together and at least one pair could have parted."""
    if (_widest(growths.values()) or 0.0) > AGREE_Z:
        return "unknown"
    sharpest = min((math.hypot(a.se, b.se) for a, b in combinations(growths.values(), 2)), default=math.inf)
    return "agree" if PART_Z * sharpest <= POWER_PERCENT else "unknown"


def _score_slow(engine: EngineSettings, e: Evidence, growths: dict[str, Change]) -> list[tuple[Cause, float]]:
    """The estimates parted without a step: whichever strays from the others, or from usual wear, is suspected."""
    usual = (WEAR_LOW + WEAR_HIGH) / 2 * e.hours / 1000
    wear = Change(usual, (WEAR_HIGH - WEAR_LOW) / 2 * e.hours / 1000)
    scored = []
    for name in growths:
        others = [g for other, g in growths.items() if other != name]
        odds = sum(_fit(g, wear) for g in others) + sum(_fit(a, b) for a, b in combinations(others, 2))
        centre = _mean(others)
        if name == "hand":
            scored.append((Cause.HAND_MEASURE, odds))
            continue
        strayed = growths[name].value - centre.value
        if name == "lost":
            scored += _lost_causes(strayed, odds)
            continue
        flat = name == "spring" and abs(growths[name].value) < 2 * growths[name].se and centre.value > 0
        size = strayed * (geometry.deg_per_percent(engine) if name == "lag" else geometry.spring_mm_per_percent(engine))
        found = _Finding("lag" if name == "lag" else "spring", size, None, False, odds, flat)
        scored += _score(engine, e, found)
    return scored


def _lost_causes(strayed: float, odds: float) -> list[tuple[Cause, float]]:
    """The lost motion grew otherwise than the lag: slack or play that the lag ahead does not show, the drive first."""
    if strayed > 0:
        return [(Cause.LOCK_LOOSE, odds + 0.5), (Cause.ENCODER_LOOSE, odds)]
    return [(Cause.RETIGHTENED_NOT_BOOKED, odds)]


def _score_lost_step(e: Evidence, lag_steps: list[StepSeen], moved: bool) -> list[tuple[Cause, float]]:
    """The lost motion stepped, which no slip of a coupling and no shift of an encoder does."""
    grew = e.lost_step is not None and e.lost_step.value > 0
    if not grew:
        # Play of the crank's encoder takes from the lost motion; so does a chain that was tightened.
        return [(Cause.ENCODER_LOOSE, 1.0), (Cause.RETIGHTENED_NOT_BOOKED, 1.0 if not lag_steps else -1.0)]
    if any(s.size > 0 for s in lag_steps):
        # A longer chain and a loose cam encoder give the same two signs.
        return [(Cause.CHAIN_DAMAGED, 3.5), (Cause.ENCODER_LOOSE, 3.2)]
    return [(Cause.LOCK_LOOSE, 2.5 if moved else 1.5), (Cause.ENCODER_LOOSE, 0.0 if moved else 1.2)]


def _mean(growths: list[Change]) -> Change:
    weights = [1 / max(g.se, 1e-9) ** 2 for g in growths]
    total = sum(weights)
    return Change(sum(w * g.value for w, g in zip(weights, growths, strict=True)) / total, 1 / math.sqrt(total))


def _fit(a: Change, b: Change) -> float:
    """Log likelihood that two changes are one, up to a constant; capped, so that no single wild figure decides all."""
    return max(-0.5 * _z(a, b) ** 2, -12.0)


def _score(engine: EngineSettings, e: Evidence, found: _Finding) -> list[tuple[Cause, float]]:
    table = LAG_CAUSES if found.series == "lag" else SPRING_CAUSES
    slap = _slap(engine, e, found) if found.series == "spring" else None
    scored = []
    for w in table:
        odds = found.odds + w.prior + (w.late if found.size > 0 else w.early) + (w.sudden if found.sudden else w.slow)
        if found.stopped is not None:
            odds += w.stopped if found.stopped else w.under_way
        odds += w.slips * (e.crank_slips + e.cam_slips > 0) + w.orders * (e.order_changed is True)
        odds += w.flat * found.flat + w.repeated * found.repeated + w.set_back * _is_set_back(e, found)
        odds += {"up": w.slap_up, "same": w.slap_same, "down": w.slap_down, None: 0.0}[slap]
        if w.cause is Cause.TRANSDUCER and e.transducer_off is not None:
            # Compared with a stop: a length that is wrong there is the transducer's.
            odds += 4.0 if transducer_doubted(e.transducer_off) else -4.0
        scored.append((_which_encoder(e) if w.cause is Cause.ENCODER else w.cause, odds))
    return scored


def _is_set_back(e: Evidence, found: _Finding) -> bool:
    """Did the lag step over a stop to where a camshaft that was set again stands? A slip would do so by chance only."""
    if not (found.series == "lag" and found.stopped and e.lag_deg is not None):
        return False
    return abs(e.lag_deg) <= SET_BACK_SHARE * abs(found.size)


def _which_encoder(e: Evidence) -> Cause:
    if (e.crank_slips > 0) == (e.cam_slips > 0):
        return Cause.ENCODER
    return Cause.CRANK_ENCODER if e.crank_slips else Cause.CAM_ENCODER


def _slap(engine: EngineSettings, e: Evidence, found: _Finding) -> Literal["up", "same", "down"] | None:
    """What became of the slap, which rises as the tension falls; `None` where it cannot be known.

    Taken: the slap goes as one over the tension. The wear's own share of the lost compression is allowed for.
    """
    if e.slap_ratio is None or e.spring is None:
        return None
    compression = engine.tightener.required_compression_mm
    worn_mm = max(_less_steps(e.spring, e.steps, "spring").value, 0.0) if found.sudden else 0.0
    rise = e.slap_ratio.value - (1 + worn_mm / compression)
    if abs(rise) > 2 * e.slap_ratio.se:
        return "up" if rise > 0 else "down"
    return "same" if abs(found.size) / compression - rise > 2 * e.slap_ratio.se else None


def _slap_unexplained(engine: EngineSettings, e: Evidence) -> bool:
    """The slap rose beyond what the measured lengths explain: tension was lost that no length shows."""
    if e.slap_ratio is None or e.spring is None:
        return False
    compression = engine.tightener.required_compression_mm
    left = max(1 - e.spring.value / compression, 0.2)
    se = math.hypot(e.slap_ratio.se, e.spring.se / compression)
    return e.slap_ratio.value - 1 / left > PART_Z * se


def _named(scored: list[tuple[Cause, float]]) -> tuple[str, ...]:
    best: dict[Cause, float] = {}
    for cause, odds in scored:
        best[cause] = max(odds, best.get(cause, -math.inf))
    ordered = sorted(best, key=lambda c: -best[c])
    top = best[ordered[0]]
    return tuple(c.value for c in ordered if best[c] > top - KEPT_ODDS)[:CAUSES_MAX]
