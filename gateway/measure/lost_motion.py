"""Lost motion: the lag ahead less the lag astern, measured at every manoeuvre and on the turning gear.

Astern the strands of the chain change over, so the difference is the slack of the loop over the radius of the wheel. It
has no zero in it and needs no transducer. A settled mean ahead and one astern make a pair where they lie close
together in time, speed and warmth. What is left of these differences goes into the uncertainty of the pair.
"""

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import fmean

import numpy as np

from gateway.model.enums import Running
from gateway.model.records import Cycle, Health
from gateway.model.settings import LostMotionSettings

SPELL_S = 300.0
"""A longer spell is cut: a pair is of the same minutes."""
CYCLES_MIN, CYCLES_MIN_BURSTS = 6, 3
GAP_S = 5.0
"""Cycles further apart than this are of two spells."""
KEPT = 24
"""Spells kept each way: two hours of one speed."""
LOOP_TURNS = 10 / 3
"""Neighbouring turns share uneven links: a mean of n turns has n over this many of its own."""
SPEED_DEG_PER_RPM = 0.002
"""Lag that goes with one rpm; our judgement, since each drive has its own."""
WARMTH_DEG_PER_K = 0.02
"""Lost motion that goes with one kelvin between chain casing and frame; our judgement."""
FLOOR_DEG = 0.003


@dataclass(frozen=True, slots=True)
class LostMotionPair:
    """One measurement. `deg`: raw lag ahead less astern, crank degrees; `se_deg`: its standard uncertainty.

    `rpm`: mean of both speeds, without sign. `rpm_apart`: ahead less astern. `warm_k`: casing less frame. `ahead_mm`,
    `astern_mm`: spring length each way. `None` = not known. `turning`: one turn each way on the turning gear, the first
    of which ended `apart_s` before `utc_s`.
    """

    utc_s: float
    hours: float
    deg: float
    se_deg: float
    rpm: float
    rpm_apart: float
    warm_k: float | None
    ahead_mm: float | None
    astern_mm: float | None
    turning: bool = False
    apart_s: float = 0.0

    @property
    def first_utc_s(self) -> float:
        """When the first of its two turns ended."""
        return self.utc_s - self.apart_s


@dataclass(slots=True)
class _Spell:
    """Settled cycles one way."""

    way: Running
    first_us: int
    last_us: int
    raw_deg: list[float] = field(default_factory=list)
    rpm: list[float] = field(default_factory=list)
    spring_mm: list[float] = field(default_factory=list)
    health: Health | None = None
    """As it was at the last cycle."""


@dataclass(frozen=True, slots=True)
class _Mean:
    """A spell that is over."""

    t_us: int
    raw_deg: float
    se_deg: float
    rpm: float
    spring_mm: float | None
    warm_k: float | None


class LostMotionWatch:
    """Feed it every cycle with the running state, and the whole turns on the turning gear; pairs come out."""

    def __init__(self, settings: LostMotionSettings, *, bursts: bool) -> None:
        self._s = settings
        self._least = CYCLES_MIN_BURSTS if bursts else CYCLES_MIN
        self._spell: _Spell | None = None
        self._means: dict[Running, deque[_Mean]] = {w: deque(maxlen=KEPT) for w in (Running.AHEAD, Running.ASTERN)}
        self._turned: dict[int, tuple[int, float]] = {}
        self._turned_us = 0

    def cycle(
        self, c: Cycle, state: Running, health: Health | None, utc_s: float, hours: float
    ) -> LostMotionPair | None:
        """Take a cycle, whatever the engine does; `state` is as it was at its end."""
        pair = None
        s = self._spell
        way = state if state in self._means and (c.rpm > 0) is (state is Running.AHEAD) else None
        if s is not None:
            parted = way is not s.way or c.raw_deg is None or (c.t_us - s.last_us) / 1e6 > c.duration_s + GAP_S
            if parted or c.t_us - s.first_us > SPELL_S * 1e6:
                pair, self._spell = self._close(s, utc_s, hours), None
        if way is None or c.raw_deg is None or not self._s.applies:
            return pair
        if self._spell is None:
            self._spell = _Spell(way, c.t_us, c.t_us)
        s = self._spell
        s.last_us = c.t_us
        s.raw_deg.append(c.raw_deg)
        s.rpm.append(abs(c.rpm))
        if c.spring_mm is not None:
            s.spring_mm.append(c.spring_mm)
        s.health = health
        return pair

    def turned(
        self, t_us: int, way: int, raw_deg: float, spring_mm: float | None, utc_s: float, hours: float
    ) -> LostMotionPair | None:
        """Take the mean of a whole turn on the turning gear, which ended at `t_us`; `way`: +1 ahead, −1 astern."""
        if t_us <= self._turned_us or not self._s.applies:
            return None
        self._turned_us = t_us
        self._turned[way] = (t_us, raw_deg)
        other = self._turned.get(-way)
        if other is None or t_us - other[0] > self._s.within_min * 60e6:
            return None
        # The next pair wants a fresh turn each way.
        self._turned = {}
        ahead, astern = (raw_deg, other[1]) if way > 0 else (other[1], raw_deg)
        deg = _wrapped(ahead - astern)
        apart_s = (t_us - other[0]) / 1e6
        return LostMotionPair(utc_s, hours, self._own(deg), FLOOR_DEG, 0.0, 0.0, None, spring_mm, None, True, apart_s)

    def _close(self, s: _Spell, utc_s: float, hours: float) -> LostMotionPair | None:
        n = len(s.raw_deg)
        if n < self._least:
            return None
        # Not `statistics.stdev`, which adds up fractions: of five minutes it takes longer than averaging their samples.
        se = max(float(np.std(s.raw_deg, ddof=1)) * math.sqrt(min(1.0, LOOP_TURNS / n)), FLOOR_DEG)
        spring = fmean(s.spring_mm) if s.spring_mm else None
        mine = _Mean((s.first_us + s.last_us) // 2, fmean(s.raw_deg), se, fmean(s.rpm), spring, _warm_k(s.health))
        others = self._means[Running.ASTERN if s.way is Running.AHEAD else Running.AHEAD]
        alike = [o for o in others if self._alike(mine, o)]
        if not alike:
            self._means[s.way].append(mine)
            return None
        other = min(alike, key=lambda o: abs(o.t_us - mine.t_us))
        # Each mean is in one pair only: the uncertainties of pairs are their own.
        others.remove(other)
        ahead, astern = (mine, other) if s.way is Running.AHEAD else (other, mine)
        return self._paired(ahead, astern, utc_s, hours)

    def _alike(self, a: _Mean, b: _Mean) -> bool:
        known = a.warm_k is not None and b.warm_k is not None
        warm_k = (a.warm_k or 0.0) - (b.warm_k or 0.0) if known else 0.0
        return (
            abs(a.t_us - b.t_us) <= self._s.within_min * 60e6
            and abs(a.rpm - b.rpm) <= self._s.rpm_apart
            and abs(warm_k) <= self._s.warmth_apart_k
        )

    def _paired(self, ahead: _Mean, astern: _Mean, utc_s: float, hours: float) -> LostMotionPair:
        both = None if ahead.warm_k is None or astern.warm_k is None else (ahead.warm_k, astern.warm_k)
        apart_k = self._s.warmth_apart_k / 2 if both is None else both[0] - both[1]
        rpm_apart = ahead.rpm - astern.rpm
        se = math.hypot(ahead.se_deg, astern.se_deg, SPEED_DEG_PER_RPM * rpm_apart, WARMTH_DEG_PER_K * apart_k)
        deg = self._own(_wrapped(ahead.raw_deg - astern.raw_deg))
        rpm = (ahead.rpm + astern.rpm) / 2
        warm = None if both is None else fmean(both)
        return LostMotionPair(utc_s, hours, deg, se, rpm, rpm_apart, warm, ahead.spring_mm, astern.spring_mm)

    def _own(self, deg: float) -> float:
        """Without the play of the encoder's own coupling."""
        return deg - self._s.coupling_play_deg


def _warm_k(health: Health | None) -> float | None:
    if health is None or health.casing_c is None or health.frame_c is None:
        return None
    return health.casing_c - health.frame_c


def _wrapped(deg: float) -> float:
    return (deg + 180.0) % 360.0 - 180.0
