"""How far a worn chain rides out on its wheels, learned by comparing the tightener with the lag.

A worn chain's longer pitch lies on a larger circle, so links in mesh give less to the slack side than free ones:
`slack = ε·(C − κ·C_mesh)`, ride-out κ between 0 (none) and 1 (full). The lag is not touched by it (the wheel and the
strand scale alike). What the tightener shows is therefore `passed = 1 − κ·C_mesh/C` of the growth that the lag shows.

κ is not known beforehand, and one interval between two retightenings moves the spring too little to learn it. Until
`LEARNED_FROM_PERCENT` of growth has been seen the full range stands. Growth is in per cent; the tightener's growth
here is that of the formula without ride-out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.model.settings import Chain, EngineSettings
from gateway.wear.elongation import Change
from gateway.wear.regression import Floats

TIGHTENER_TEETH = 20
"""Of the tightener's wheel, where the settings do not give the links in mesh; common practice, no source."""

LEARNED_FROM_PERCENT = 0.15
"""Growth by the lag before κ is taken as learned: our judgement."""

CHANGED_Z = 3.0
"""An interval whose relation lies so many joint standard uncertainties off what was learned is not learned from."""

_KAPPAS: Floats = np.linspace(0.0, 1.0, 101)
_TAIL = 0.00135
"""Beyond three standard deviations of a normal distribution, on each side."""


def mesh_links(chain: Chain, stage: int, wrap_deg: float) -> float:
    """Links that lie on wheels, for a tightener that presses on the strand from outside: Σ z·wrap/360.

    The strand turns once round in all, so what the tightener bends inwards by its wrap the wheels bend outwards more.
    """
    if stage == 2 and chain.second is not None:
        teeth = (chain.second.drive_teeth + chain.second.cam_teeth) / 2
    else:
        teeth = (chain.crank_teeth + chain.cam_teeth) / 2
    return teeth * (360.0 + wrap_deg) / 360.0 + TIGHTENER_TEETH * wrap_deg / 360.0


def mesh_share(engine: EngineSettings) -> float:
    """Share C_mesh/C of the tightener's chain that lies on wheels, 0 to 1."""
    chain, stage = engine.chain, engine.chain.tightener_stage
    loop = chain.second.loop_links if stage == 2 and chain.second is not None else chain.loop_links
    return min(mesh_links(chain, stage, engine.tightener.wrap_deg) / loop, 1.0)


@dataclass(frozen=True, slots=True)
class Interval:
    """Growth in per cent over one interval between two settings: by the lag, and by the tightener without ride-out."""

    lag: Change
    tightener: Change


class RideOut:
    """What is known of κ of one chain. `share`: C_mesh/C. Deterministic; `state` and `load` carry it over a restart."""

    def __init__(self, share: float) -> None:
        if not 0 <= share <= 1:
            raise ValueError(f"the share of links in mesh lies between 0 and 1, not {share}")
        self.share = share
        self.restart()

    def restart(self) -> None:
        """A new chain: nothing is known of its ride-out."""
        self.growth_percent = 0.0
        """Growth by the lag over all intervals learned from."""
        self._log_weight: Floats = np.zeros(len(_KAPPAS))

    @property
    def learned(self) -> bool:
        """Has enough growth been seen?"""
        return self.growth_percent >= LEARNED_FROM_PERCENT

    def learn(self, interval: Interval) -> bool:
        """Take an interval that is over; False where it shows another relation than before, and is not learned from."""
        if self.deviation(interval) > CHANGED_Z:
            return False
        self.growth_percent += max(interval.lag.value, 0.0)
        self._log_weight = self._log_weight + _log_likelihood(interval, self._passed)
        return True

    @property
    def _passed(self) -> Floats:
        return 1.0 - _KAPPAS * self.share

    def _weight(self) -> Floats:
        """The distribution of κ, float[101]: uniform until it is learned."""
        if not self.learned:
            return np.full(len(_KAPPAS), 1.0 / len(_KAPPAS))
        weight = np.exp(self._log_weight - self._log_weight.max())
        out: Floats = weight / weight.sum()
        return out

    def kappa(self) -> tuple[float, float, float]:
        """5, 50 and 95 % of κ."""
        below = np.cumsum(self._weight())
        low, middle, high = (float(_KAPPAS[min(int(np.searchsorted(below, p)), 100)]) for p in (0.05, 0.5, 0.95))
        return low, middle, high

    def growth(self, tightener: Change) -> Change:
        """The chain's growth behind what the tightener shows, the uncertainty of κ included."""
        weight, factor = self._weight(), 1.0 / self._passed
        mean = float(weight @ factor)
        spread = math.sqrt(max(float(weight @ (factor - mean) ** 2), 0.0))
        return Change(mean * tightener.value, math.hypot(mean * tightener.se, spread * tightener.value))

    def passed(self) -> Change:
        """The share of the growth that the tightener sees, for forecasts of the spring: mean and standard deviation."""
        weight = self._weight()
        mean = float(weight @ self._passed)
        return Change(mean, math.sqrt(max(float(weight @ (self._passed - mean) ** 2), 0.0)))

    def deviation(self, interval: Interval) -> float:
        """By how many joint standard uncertainties lag and tightener part, for the κ that fits best of what can be.

        Before κ is learned any value from none to full can be; then those within three standard deviations.
        """
        below = np.cumsum(self._weight())
        can_be = (below >= _TAIL) & (below - self._weight() <= 1 - _TAIL)
        passed = self._passed[can_be]
        lag, tightener = interval.lag, interval.tightener
        apart = np.abs(tightener.value - passed * lag.value)
        joint = np.maximum(np.hypot(tightener.se, passed * lag.se), 1e-9)
        return float(np.min(apart / joint)) if not _between(passed, interval) else 0.0

    def state(self) -> list[float]:
        """Everything but the settings, JSON-able."""
        return [self.growth_percent, *self._log_weight.tolist()]

    def load(self, state: Sequence[float]) -> None:
        """Go on from `state`. Raises ValueError for another number of figures."""
        if len(state) != 1 + len(_KAPPAS):
            raise ValueError(f"ride-out: {1 + len(_KAPPAS)} figures expected, not {len(state)}")
        self.growth_percent = state[0]
        self._log_weight = np.array(state[1:])


def _between(passed: Floats, interval: Interval) -> bool:
    """Does a κ between two of the grid's fit exactly?"""
    ends = sorted((float(passed.min()) * interval.lag.value, float(passed.max()) * interval.lag.value))
    return ends[0] <= interval.tightener.value <= ends[1]


def _log_likelihood(interval: Interval, passed: Floats) -> Floats:
    """ln p(tightener, lag | κ) float[K], the true growth left free (flat): normal in tightener − passed·lag."""
    variance = interval.tightener.se**2 + (passed * interval.lag.se) ** 2 + 1e-18
    off = interval.tightener.value - passed * interval.lag.value
    out: Floats = -0.5 * (off * off / variance + np.log(variance))
    return out
