"""Frozen records that the floors hand to each other.

Times: `head_us` is the head's clock, `t_us` the pipeline's own never-stepping time in microseconds, `utc_s` seconds
since 1970. Angles are degrees of the crank unless stated otherwise.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gateway.model.enums import AlarmState, Priority, Quality, Running

CRANK_VALID = 1
CAM_VALID = 2
LOOP_VALID = 4


@dataclass(frozen=True, slots=True)
class Identity:
    """The head's frame of kind 1: who it is and how it samples."""

    sequence: int
    boot: int
    head_us: int
    serial: int
    firmware: tuple[int, int]
    interval_ns: int
    crank_counts: int
    cam_counts: int
    name: str


@dataclass(slots=True)
class Health:
    """The head's frame of kind 3; `None` = not fitted. Not frozen, as `Cycle` is not: one comes every second."""

    sequence: int
    boot: int
    head_us: int
    head_c: float | None
    casing_c: float | None
    frame_c: float | None
    supply_mv: int | None
    fuel_index_ua: int | None
    crank_slips: int | None
    cam_slips: int | None
    lost: int | None
    crank_turns: int | None
    rpm: float | None = None
    """Optional tail: mean speed since the last health frame."""
    starts: int | None = None
    jitter_us: int | None = None
    skew_ns: int | None = None


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """One or more sample frames that follow each other without a gap, of one boot, interval and validity.

    `head_us`: int64[F], head time of each frame's first sample. `starts`: int64[F], index of each frame's first
    sample. `crank`, `cam`: uint16[N], 65,536 = one turn. `loop`: uint16[N], µA. `valid`: bits *_VALID.
    `joined`: the first sample follows the last one of the block handed out before.
    """

    boot: int
    interval_ns: int
    valid: int
    head_us: NDArray[np.int64]
    starts: NDArray[np.int64]
    crank: NDArray[np.uint16]
    cam: NDArray[np.uint16]
    loop: NDArray[np.uint16]
    joined: bool


@dataclass(frozen=True, slots=True)
class Measured:
    """A figure with its quality and, where that is not good, the reason in plain words. `None` = not known."""

    value: float | None
    quality: Quality
    reason: str = ""


@dataclass(slots=True)
class Cycle:
    """The averages of one working cycle: one crank turn of a two-stroke, two of a four-stroke.

    Not frozen: one is made for every revolution, and a frozen one takes eight times as long to make.

    Averages are weighted by crank angle. `raw_deg`: mean of crank − ratio·cam, unwrapped; `lag_deg`: the same from
    the zero, `None` where that was never taken. `orders_deg`: amplitudes of the lag's first eight orders of the crank.
    `steady`: the engine ran steady ahead. `refused`: causes for which a figure is missing, empty when all is there.
    """

    t_us: int
    duration_s: float
    rpm: float
    raw_deg: float | None
    lag_deg: float | None
    lag_p2p_deg: float | None
    spring_mm: float | None
    slap_mm: float | None
    orders_deg: tuple[float, ...]
    steady: bool
    refused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """The present of one engine, as published in `<base>/reading` and shown on the board."""

    t_us: int
    hours: float | None
    running: Running
    rpm: float | None
    spring: Measured
    compression_mm: float | None
    tension_n: float | None
    slap_mm: float | None
    lag: Measured
    lag_p2p_deg: float | None
    casing_c: float | None


@dataclass(frozen=True, slots=True)
class Median:
    """Ten minutes of steady running ahead: medians over the revolutions, and what the engine was doing.

    `hours`: running hours at the middle. `load`: fuel index, 0–1. Figures that are not known are `None`.
    """

    utc_s: float
    hours: float
    revolutions: int
    lag_deg: float | None
    lag_mad_deg: float | None
    spring_mm: float | None
    spring_mad_mm: float | None
    rpm: float
    casing_c: float | None
    frame_c: float | None
    load: float | None


@dataclass(frozen=True, slots=True)
class SteadyRows:
    """What the ten-minute medians of a time add up to. Crank turns over speed make the hours that were measured.

    `thinned`: of the rows, how many stand for an hour or a day by now. `turns_h`: hours by the cycles averaged, a
    cycle taken as one crank turn; `lag_h`, `spring_h`: the same of the rows in which that figure is known, and
    `lag_rows`, `spring_rows` how many those are. `first`, `last`: (UTC, running hours) of the outermost rows.
    """

    rows: int
    thinned: int
    turns_h: float
    lag_rows: int
    lag_h: float
    spring_rows: int
    spring_h: float
    first: tuple[float, float] | None
    last: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Transition:
    """An alarm changed its state: the durable record and what the panel shows.

    `engine`: slug, or `None` for the gateway's own alarm. `came_from`, `to`: states. `by`: who, where a person acted.
    `since_us`: when it was last raised.
    """

    t_us: int
    engine: str | None
    tag: str
    priority: Priority
    came_from: AlarmState
    to: AlarmState
    value: float | None
    limit: float | None
    unit: str
    text: str
    causes: tuple[str, ...] = field(default=())
    by: str | None = None
    why: str | None = None
    since_us: int | None = None

    @property
    def announces(self) -> bool:
        """Does it call for attention: unacknowledged now, and not before?"""
        return self.to is AlarmState.UNACKNOWLEDGED and self.came_from is not AlarmState.UNACKNOWLEDGED
