"""What the lost motion comes to: its level, its growth since the retightening, and what that means for the chain.

Locked tightener: the growth is the chain's, `(C − κ·C_mesh)/R` for each part of elongation, κ shared with `RideOut`:
an estimate beside the lag. Until κ is learned it shows a change only. Sprung: the spring yields astern, so the figure
is one of torque; compared with a known stop, it checks the transducer, and it is never an estimate of wear.

The growth since the retightening is conditional on all pairs since then: wear at a usual rate that is hardly known,
changing from month to month, and beside it warmth, speed, the turning gear, and a scatter of its own for each
manoeuvre, which is averaged over.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cycles import skew_lag_deg
from gateway.measure.lost_motion import LostMotionPair
from gateway.model.settings import EngineSettings
from gateway.wear import geometry
from gateway.wear.elongation import WEAR_PERCENT_PER_1000H, Change
from gateway.wear.forecast import UNKNOWN, Range
from gateway.wear.ride_out import LEARNED_FROM_PERCENT, RideOut, mesh_share

PAIRS_MAX = 300
"""Some hundred manoeuvres: more than between two retightenings."""
MANOEUVRE_H = 2.0
"""Pairs of so many running hours are one manoeuvre: they share warmth and what the sea did."""
SAME_STOP_H = 0.1
"""At one standstill running hours do not count on; so much is allowed for hours that were typed."""
SEEN_FROM_H = 100.0
"""A first pair so soon after the retightening has seen all of the growth since."""
RATE_SPREAD = 0.5
"""Standard deviation of the rate of wear over its usual value, beforehand."""
MONTH_H, MONTHLY = 720.0, 0.2
"""The rate changes from month to month by this part of itself."""
WARM_DEG_PER_K, SPEED_DEG_PER_RPM, TURNING_DEG = 0.03, 0.004, 0.3
"""How far these may move the lost motion, standard deviations beforehand; our judgement."""
SCATTERS_DEG = (0.003, 0.006, 0.012, 0.024)
"""What manoeuvres may differ by for reasons of their own: averaged over, each as likely beforehand."""
NORMAL_95 = 1.6448536269514722
STEP_Z, STEP_DEG = 4.0, 0.1
"""A manoeuvre that lies so far off what those before it foretell has a step before it."""
CHECK_Z, CHECK_MM = 3.0, 1.0
"""So far from what the lost motion shows a transducer is doubted."""
STOP_SE_MM = 0.3
FLOOR_DEG = 0.005
"""What is left between manoeuvres whatever is averaged: our judgement, until a ship has shown better."""
TAUT_DEG = 0.03
"""So close to the least ever seen no slack shows: cold, or just tightened, a locked chain is taut both ways, and how
much growth that hides is not known."""
LEVEL_DEG = 10.0
"""The level itself is not known beforehand."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LostMotionView:
    """What is known now. `deg`: at the last manoeuvre; `change_deg`: since the retightening, or since the first pair;
    `growth_percent`: elongation from it, locked tighteners only. `text`: all of it in words. `learned`: is κ?
    `turned`: the last one by a turn each way on the turning gear."""

    deg: Range
    change_deg: Range
    growth_percent: Range
    utc_s: float | None
    learned: bool
    text: str
    turned: LostMotionPair | None = None


NO_LOST_MOTION = LostMotionView(UNKNOWN, UNKNOWN, UNKNOWN, None, False, "")


@dataclass(frozen=True, slots=True)
class _Point:
    """One manoeuvre: mean of its pairs."""

    utc_s: float
    hours: float
    deg: float
    se_deg: float
    rpm: float
    warm_k: float | None
    turning: bool


class LostMotion:
    """Pairs of one engine since its retightening. Deterministic; `state` and `load` carry it over a restart."""

    def __init__(self, engine: EngineSettings, since_h: float) -> None:
        """`since_h`: running hours of the retightening."""
        self._engine = engine
        self._since_h = since_h
        self.pairs: deque[LostMotionPair] = deque(maxlen=PAIRS_MAX)

    @property
    def is_estimate(self) -> bool:
        """Is its growth the growth of the chain? One chain with a locked tightener."""
        return self._engine.tightener.kind == "locked" and self._engine.chain.second is None

    @property
    def deg_per_percent(self) -> float:
        """Crank degrees for one per cent of elongation without ride-out: C/R."""
        stage = geometry.stages(self._engine)[-1]
        radius_mm = geometry.pitch_radius_mm(stage.pitch_mm, stage.driven_teeth)
        return math.degrees(0.01 * stage.loop_mm / radius_mm) * stage.crank_turns

    @property
    def _usual(self) -> float:
        """The same, with half of the ride-out that can be: what is to be expected beforehand."""
        return self.deg_per_percent * (1 - mesh_share(self._engine) / 2)

    def add(self, pair: LostMotionPair) -> None:
        """Take a pair."""
        self.pairs.append(pair)

    def skewed(self, more_us: float) -> None:
        """So much more skew is taken off from now on: off the pairs seen so far as well, twice their speed's."""
        if more_us:
            pairs = (replace(p, deg=p.deg - skew_lag_deg(more_us, 2 * p.rpm)) for p in self.pairs)
            self.pairs = deque(pairs, maxlen=PAIRS_MAX)

    def rebase(self, since_h: float) -> None:
        """Retightened, or the chain renewed: what was before is of another slack."""
        if since_h != self._since_h:
            self._since_h = since_h
            self.pairs = deque((p for p in self.pairs if p.hours >= since_h), maxlen=PAIRS_MAX)

    def worked(self, hours: float) -> None:
        """Work at the drive was booked: of the turns at this standstill only the last pair is of the drive as it was
        left. The others lie before the work, or one of their turns does."""
        of_this = [p for p in self.pairs if p.turning and abs(p.hours - hours) < SAME_STOP_H]
        gone = of_this[:-1]
        if gone:
            self.pairs = deque((p for p in self.pairs if p not in gone), maxlen=PAIRS_MAX)

    # -- what it comes to ---------------------------------------------------------------------------------------

    def points(self) -> list[_Point]:
        """The manoeuvres, oldest first."""
        groups: list[list[LostMotionPair]] = []
        for p in self.pairs:
            if groups and groups[-1][0].turning is p.turning and p.hours - groups[-1][0].hours < MANOEUVRE_H:
                groups[-1].append(p)
            else:
                groups.append([p])
        return [_point(g) for g in groups]

    @property
    def level(self) -> Range:
        """At the last manoeuvre, 5–95 %."""
        points = self.points()
        if not points:
            return UNKNOWN
        reach = NORMAL_95 * math.hypot(points[-1].se_deg, FLOOR_DEG)
        return Range(points[-1].deg - reach, points[-1].deg, points[-1].deg + reach)

    @property
    def from_h(self) -> float | None:
        """Running hours from which the growth is known; `None` before two manoeuvres."""
        points = self.points()
        if len(points) < 2:
            return None
        return self._since_h if self.seen_all else points[0].hours

    @property
    def seen_all(self) -> bool:
        """Was the first pair soon enough after the retightening?"""
        return bool(self.pairs) and self.pairs[0].hours - self._since_h < SEEN_FROM_H

    def change(self, from_h: float, to_h: float) -> Change | None:
        """Growth in crank degrees between two counts of running hours; `None` where it is not known."""
        known_h = self.from_h
        if known_h is None or from_h < known_h - SEEN_FROM_H or to_h <= from_h:
            return None
        points = self._slack()
        return _growth(points, min(known_h, from_h), from_h, to_h, self._usual) if len(points) > 1 else None

    def _slack(self) -> list[_Point]:
        """The manoeuvres at which slack showed; of a sprung tightener all."""
        points = self.points()
        if self._engine.tightener.kind == "sprung":
            return points
        least = min(p.deg for p in points)
        return [p for p in points if p.deg - least >= TAUT_DEG]

    def growth(self, from_h: float, to_h: float) -> Change | None:
        """The same in per cent of elongation, were there no ride-out. `None` where it shows nothing of the chain."""
        seen = self.change(from_h, to_h) if self.is_estimate else None
        return None if seen is None else Change(seen.value / self.deg_per_percent, seen.se / self.deg_per_percent)

    def since_retightening(self, hours: float, ride_out: RideOut) -> Change | None:
        """Elongation since the retightening in per cent, the uncertainty of κ included; `None` where not known."""
        seen = self.growth(self._since_h, hours) if self.seen_all else None
        return None if seen is None else ride_out.growth(seen)

    def step(self) -> Change | None:
        """By how much the last manoeuvre lies off what those before it foretell; `None` where there are too few."""
        points = self.points()
        slack = self._slack() if points else []
        # The first slack after a taut chain is no surprise.
        if len(slack) < 3 or slack[-1].hours != points[-1].hours:
            return None
        return _surprise(slack, self._usual)

    def stepped(self) -> bool | None:
        """Is that a step? `None` where it is not known."""
        found = self.step()
        return None if found is None else abs(found.value) > max(STEP_Z * found.se, STEP_DEG)

    def transducer_off_mm(self) -> Change | None:
        """Sprung, with a known stop: by how much the length ahead is longer than the lost motion shows."""
        stop_mm = self._engine.lost_motion.astern_stop_mm
        last = next((p for p in reversed(self.pairs) if p.ahead_mm is not None and not p.turning), None)
        if stop_mm is None or last is None or last.ahead_mm is None or self._engine.tightener.kind != "sprung":
            return None
        t = self._engine.tightener
        stage = geometry.stages(self._engine)[self._engine.chain.tightener_stage - 1]
        radius_mm = geometry.pitch_radius_mm(stage.pitch_mm, stage.driven_teeth)
        slack_mm = 2 * math.sin(math.radians(t.wrap_deg) / 2) / t.lever_ratio
        deg_per_mm = math.degrees(slack_mm / radius_mm) * stage.crank_turns
        shown_mm = last.deg / deg_per_mm
        return Change(last.ahead_mm - stop_mm - shown_mm, math.hypot(last.se_deg / deg_per_mm, STOP_SE_MM))

    def view(self, hours: float, ride_out: RideOut) -> LostMotionView:
        """All of it at these running hours."""
        change = None if self.from_h is None else self.change(self.from_h, hours)
        growth = self.since_retightening(hours, ride_out)
        last = self.pairs[-1].utc_s if self.pairs else None
        text = self._text(hours, change, growth, ride_out)
        turned = next((p for p in reversed(self.pairs) if p.turning), None)
        return LostMotionView(self.level, _range(change), _range(growth), last, ride_out.learned, text, turned)

    def _text(self, hours: float, change: Change | None, growth: Change | None, ride_out: RideOut) -> str:
        s = self._engine.lost_motion
        if not s.applies:
            return "Not measured: by the settings this drive never runs astern, or a servo turns its camshaft astern."
        level = self.level
        if level.p50 is None:
            return (
                f"Not measured yet. It needs steady running ahead and astern within {s.within_min:g} min and "
                f"{s.rpm_apart:g} rpm, or one turn each way on the turning gear."
            )
        points = self.points()
        where = "on the turning gear" if points[-1].turning else f"at {points[-1].rpm:.0f} rpm"
        parts = [f"{_shown(level, 2, '°')}, lag ahead less lag astern, {where}, {hours - points[-1].hours:,.0f} h ago."]
        if change is not None:
            since = "the retightening" if self.seen_all else f"{points[0].hours:,.0f} h"
            parts.append(f"Change since {since}: {_shown(_range(change), 2, '°', sign=True)}.")
        if self._engine.tightener.kind == "sprung":
            parts.append(self._sprung_text())
        elif not self.is_estimate:
            parts.append("Two chains: it shows a change only, not which chain.")
        elif growth is not None:
            parts.append(f"Elongation since the retightening: {_shown(_range(growth), 3, ' %')}.")
        if self.is_estimate and not ride_out.learned:
            seen = max(ride_out.growth_percent, 0.0)
            parts.append(
                f"Its relation to elongation is not learned yet ({seen:.2f} of {LEARNED_FROM_PERCENT:.2f} % growth "
                "seen): it shows a change only."
            )
        return " ".join(parts)

    def _sprung_text(self) -> str:
        off = self.transducer_off_mm()
        if off is None:
            return "The spring yields astern: this shows torque and not wear."
        if transducer_doubted(off):
            return f"The transducer reads {off.value:+.1f} mm beside what the lost motion shows: check the transducer."
        return f"The transducer agrees with the stop astern within {abs(off.value):.1f} mm."

    # -- over a restart -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything but the settings, JSON-able; bounded by PAIRS_MAX."""
        return {"since_h": self._since_h, "pairs": [list(astuple(p)) for p in self.pairs]}

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`. The log book's retightening is newer, and stands."""
        self.pairs = deque((LostMotionPair(*p) for p in state["pairs"]), maxlen=PAIRS_MAX)
        if state["since_h"] != self._since_h:
            self.pairs = deque((p for p in self.pairs if p.hours >= self._since_h), maxlen=PAIRS_MAX)


def transducer_doubted(off: Change) -> bool:
    """Is the length so far off the stop that the transducer is to be doubted?"""
    return abs(off.value) > max(CHECK_Z * off.se, CHECK_MM)


def _point(pairs: Sequence[LostMotionPair]) -> _Point:
    weights = np.array([1 / p.se_deg**2 for p in pairs])
    weights /= weights.sum()
    warm = [p.warm_k for p in pairs if p.warm_k is not None]
    # What pairs of one manoeuvre share is in the scatter between manoeuvres.
    values = np.array([p.deg for p in pairs])
    spread = float(np.sqrt(weights @ (values - weights @ values) ** 2 / len(pairs)))
    own = float(np.sqrt(np.sum((weights * [p.se_deg for p in pairs]) ** 2)))
    last = pairs[-1]
    rpm = float(np.mean([p.rpm for p in pairs]))
    mean_warm = float(np.mean(warm)) if warm else None
    return _Point(last.utc_s, last.hours, float(weights @ values), max(own, spread), rpm, mean_warm, last.turning)


def _regressors(points: Sequence[_Point]) -> tuple[Floats, Floats]:
    """float64[n, 3] warmth, speed, turning gear, each from its mean; and their prior variances float64[3]."""
    warm = np.array([np.nan if p.warm_k is None else p.warm_k for p in points])
    known = ~np.isnan(warm)
    warm = np.where(known, warm - (warm[known].mean() if known.any() else 0.0), 0.0)
    turning = np.array([float(p.turning) for p in points])
    rpm = np.array([p.rpm for p in points])
    running = turning == 0
    rpm = np.where(running, rpm - (rpm[running].mean() if running.any() else 0.0), 0.0)
    return np.column_stack((warm, rpm, turning)), np.array([WARM_DEG_PER_K, SPEED_DEG_PER_RPM, TURNING_DEG]) ** 2


def _wear_cov(a: Floats, b: Floats, deg_per_percent: float) -> Floats:
    """Covariance of the wear's part at hours a and b since the beginning: a rate, and its wander over months."""
    rate = deg_per_percent * WEAR_PERCENT_PER_1000H / 1000
    wander = (MONTHLY * rate * MONTH_H) ** 2 / MONTH_H
    out: Floats = (RATE_SPREAD * rate) ** 2 * np.outer(a, b) + wander * np.minimum.outer(a, b)
    return out


_Fit = tuple[float, Floats, Floats, Floats]


def _fit(points: Sequence[_Point], begin_h: float, deg_per_percent: float) -> list[_Fit]:
    """For each scatter: its log likelihood, times of the points, inverse covariance, and residuals from the prior."""
    t = np.array([max(p.hours - begin_h, 0.0) for p in points])
    y = np.array([p.deg for p in points])
    x, prior = _regressors(points)
    rate = deg_per_percent * WEAR_PERCENT_PER_1000H / 1000
    base = _wear_cov(t, t, deg_per_percent) + (x * prior) @ x.T + LEVEL_DEG**2
    own = np.array([p.se_deg**2 for p in points])
    # A manoeuvre without temperatures may be as warm or as cold as any.
    own += np.array([(3.0 * WARM_DEG_PER_K) ** 2 if p.warm_k is None and not p.turning else 0.0 for p in points])
    out: list[_Fit] = []
    for scatter in SCATTERS_DEG:
        cov = base + np.diag(own + scatter**2)
        off = y - rate * t - y.mean()
        inverse: Floats = np.linalg.inv(cov).astype(np.float64)
        _, log_det = np.linalg.slogdet(cov)
        out.append((float(-0.5 * (off @ inverse @ off + log_det)), t, inverse, off))
    return out


def _growth(points: Sequence[_Point], begin_h: float, from_h: float, to_h: float, per: float) -> Change:
    """Growth between two hours given all manoeuvres: mean and standard deviation over the mixture of scatters."""
    rate = per * WEAR_PERCENT_PER_1000H / 1000
    ends = np.array([max(from_h - begin_h, 0.0), to_h - begin_h])
    own = _wear_cov(ends, ends, per)
    variance = own[1, 1] + own[0, 0] - 2 * own[0, 1]
    found = []
    for log, t, inverse, off in _fit(points, begin_h, per):
        cross = _wear_cov(ends, t, per)
        gain = (cross[1] - cross[0]) @ inverse
        mean = rate * (ends[1] - ends[0]) + float(gain @ off)
        found.append((log, mean, max(float(variance - gain @ (cross[1] - cross[0])), 0.0)))
    return _mixed(found, FLOOR_DEG)


def _surprise(points: Sequence[_Point], per: float) -> Change:
    """The last manoeuvre less what the others foretell."""
    begin_h = points[0].hours
    found = []
    for log, _, inverse, off in _fit(points, begin_h, per):
        # By the inverse of the whole: residual when the last is left out, and its variance.
        variance = 1 / float(inverse[-1, -1])
        found.append((log, float(inverse[-1] @ off) * variance, variance))
    return _mixed(found, 0.0)


def _mixed(found: list[tuple[float, float, float]], floor: float) -> Change:
    log = np.array([f[0] for f in found])
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    means, variances = np.array([f[1] for f in found]), np.array([f[2] for f in found])
    mean = float(weight @ means)
    return Change(mean, math.sqrt(float(weight @ (variances + (means - mean) ** 2)) + floor**2))


def _range(c: Change | None) -> Range:
    if c is None:
        return UNKNOWN
    reach = NORMAL_95 * c.se
    return Range(c.value - reach, c.value, c.value + reach)


def _shown(r: Range, digits: int, unit: str, *, sign: bool = False) -> str:
    form = f"{'+' if sign else ''}.{digits}f"
    low, middle, high = (format(round(x or 0.0, digits) + 0.0, form) for x in (r.p05, r.p50, r.p95))
    return f"{middle}{unit} ({low} to {high})"
