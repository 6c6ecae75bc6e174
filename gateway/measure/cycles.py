"""What a cut gives of each cycle, in the units that people use, and why a cycle is not averaged."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cutter import Cut
from gateway.measure.loop import NM_PER_MM
from gateway.measure.sensors import SensorFaults
from gateway.model.enums import Running

DEG = 360.0 / 65_536
SKEW_DEG_PER_RPM_US = 6e-6
"""A shaft at one rpm turns so many degrees in a microsecond."""
TORN_DEG = 60.0
"""No drive twists so far within a turn, and no jump of a tooth reaches it: an encoder stuck or slipped in the turn."""


class CycleFigures(NamedTuple):
    """One cycle's figures, whether or not they may be used. `lag_deg`: before any zero, within no turn, corrected for
    the head's skew. `torn`: has an encoder lost its place within the turn?

    `shape_deg`: float64[64·ratio], the lag over equal steps of crank angle, from its mean. `ripple_mm`: amplitude of
    the length over the turn, NaN where it was not looked at.
    """

    t_us: int
    duration_s: float
    direction: int
    rpm: float
    lag_deg: float
    lag_p2p_deg: float
    lag_bad: bool
    torn: bool
    spring_mm: float
    slap_mm: float
    spring_bad: bool
    orders_deg: list[float]
    shape_deg: NDArray[np.float64]
    ripple_mm: float = math.nan


def skew_lag_deg(skew_us: float, rpm: float) -> float:
    """What a skew adds to crank − ratio·cam. `skew_us`: the crank is latched so much after the cam; `rpm`: signed."""
    return SKEW_DEG_PER_RPM_US * skew_us * rpm


def figures_of(cut: Cut, ratio: int, skew_us: float = 0.0) -> list[CycleFigures]:
    """All cycles of a cut, in order; the sums are made for all of them at once."""
    if not len(cut.frame):
        return []
    rpm = cut.direction * ratio * 60e6 / cut.duration_us
    lag_p2p_deg = cut.lag_p2p * DEG
    ripple_mm = (cut.ripple_nm / NM_PER_MM).tolist()
    columns = (
        cut.end_us,
        cut.duration_us / 1e6,
        cut.direction,
        rpm,
        cut.lag * DEG - SKEW_DEG_PER_RPM_US * skew_us * rpm,
        lag_p2p_deg,
        cut.lag_bad,
        lag_p2p_deg > TORN_DEG,
        cut.spring_nm / NM_PER_MM,
        cut.slap_nm / NM_PER_MM,
        cut.spring_bad,
        cut.orders(ratio) * DEG,
    )
    return list(map(CycleFigures, *(x.tolist() for x in columns), (cut.bins - cut.lag[:, None]) * DEG, ripple_mm))


def causes(f: CycleFigures, state: Running, faults: SensorFaults) -> tuple[str, ...]:
    """Why a revolution is not averaged, or only in part; in the fixed order in which they are counted."""
    found = []
    if f.direction < 0:
        found.append("astern")
    elif state is not Running.AHEAD:
        found.append("not steady")
    if f.lag_bad:
        found.append("cam not valid")
    elif faults.crank or faults.cam or f.torn:
        found.append("encoder fault")
    if f.spring_bad:
        found.append("loop doubtful")
    elif faults.transducer:
        found.append("transducer fault")
    return tuple(found)


def lag_from_zero(raw_deg: float | None, zero_deg: float | None) -> float | None:
    """Lag from the zero, within half a turn; `None` where there is no zero or no angle."""
    if raw_deg is None or zero_deg is None:
        return None
    return (raw_deg - zero_deg + 180.0) % 360.0 - 180.0
