"""The learned figures of an engine's trend as they go ashore, for a spare box. `wear/learned.py` makes and takes them.

The limits of numbers and lengths are those of `wear`, or above them.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from gateway.model.fields import STRICT_KEYS, Finite, Hours, Integer, Slug, Switch

MESSAGE_ROWS = 40
"""Of each series: ten days of running. What is more waits for the next message."""
MESSAGE_PAIRS = 20
ROWS_MAX = 2_000
"""More than a fit keeps."""
STEPS_MAX, STOPS_MAX, SHIFTS_MAX, LOOP_POINTS_MAX = 16, 8, 40, 64
WHOLE_MAX = 10**10
COLUMNS = 11
"""Number, running hours and seconds stood, each from row to row; rpm, warmth and load from the fit's beginning; the
share without warmth, and without load; the figure from the fit's beginning; level; 1 for a row that is used."""

Count = Annotated[Integer, Field(ge=0, le=WHOLE_MAX)]
Whole = Annotated[Integer, Field(ge=-WHOLE_MAX, le=WHOLE_MAX)]
Column = Annotated[tuple[Whole, ...], Field(max_length=MESSAGE_ROWS)]
Shifts = Annotated[tuple[Finite, ...], Field(max_length=SHIFTS_MAX)]
Maybe = Finite | None
Pair = tuple[Finite, Finite, Finite, Finite, Finite, Finite, Maybe, Maybe, Maybe, Switch, Finite]
"""As `measure.lost_motion.LostMotionPair`."""
Four = Annotated[tuple[Finite, ...], Field(min_length=4, max_length=4)]


@dataclass(frozen=True, kw_only=True)
class LearnedSeries:
    """Of the lag (degrees) or of the spring's length (mm). `origin`: running hours, rpm, warmth (°C), load and figure
    from which the fit counts; they name the fit. `after`: rows up to this number stand as they were sent before.
    `oldest`: number of the oldest row that counts. `total`: rows that the fit rests on. `level`: the present one.
    `pauses`: stops unseen between bursts. `medians`: of ten minutes, in all rows. `columns`: see COLUMNS."""

    __pydantic_config__ = STRICT_KEYS
    origin: Annotated[tuple[Finite, ...], Field(min_length=5, max_length=5)]
    warmth: Literal["", "difference", "casing", "frame"]
    after: Count
    oldest: Count
    total: Annotated[Integer, Field(ge=0, le=ROWS_MAX)]
    level: Count
    pauses: Count
    medians: Count
    columns: Annotated[tuple[Column, ...], Field(min_length=COLUMNS, max_length=COLUMNS)]

    def __post_init__(self) -> None:
        if len({len(column) for column in self.columns}) != 1:
            raise ValueError("columns of different length")
        if any(step < 1 for column in self.columns[:2] for step in column[1:]):
            raise ValueError("rows whose number or running hours do not rise")


@dataclass(frozen=True, kw_only=True)
class LearnedBy:
    """What it was learned by. `drive`: digits of a checksum over chain, tightener and ratio in the settings. `loop`: mA
    and mm of the transducer's line. The others are of the datum: zero in degrees, running hours of work."""

    __pydantic_config__ = STRICT_KEYS
    drive: Annotated[str, Field(pattern="^[0-9a-f]{12}$")]
    zero_deg: Finite | None
    skew_us: Finite
    loop: Annotated[tuple[tuple[Finite, Finite], ...], Field(max_length=LOOP_POINTS_MAX)]
    camshaft_set_h: Finite
    lag_start_h: Finite
    spring_changed_h: Finite
    chain_new_h: Finite | None


@dataclass(frozen=True, kw_only=True)
class Learned:
    """Learned figures of one engine at `utc_s` and running `hours`.

    `first_h`, `lag_first_h`: running hours of the first median since both, since the camshaft, were left alone.
    `steps`: series, size, standard error, running hours, and whether near a stop. `over_stops`: shifts over a stop, of
    lag and of spring. `slap`, `order1`: count, mean, sum of squares, recent mean. `ride_out`: the growth in per cent
    that it was learned from, and hundredths of the log odds of κ = 0, 0.01 … 1; null until then. `pairs`: lost motion
    measured since `pairs_after_s`.
    """

    __pydantic_config__ = STRICT_KEYS
    v: Literal[1] = 1
    engine: Slug
    utc_s: Finite
    hours: Hours
    by: LearnedBy
    lag: LearnedSeries | None
    spring: LearnedSeries | None
    first_h: Finite | None
    lag_first_h: Finite | None
    steps: Annotated[
        tuple[tuple[Literal["lag", "spring"], Finite, Finite, Finite, Switch], ...], Field(max_length=STEPS_MAX)
    ]
    stops: Annotated[tuple[Finite, ...], Field(max_length=STOPS_MAX)]
    over_stops: tuple[Shifts, Shifts]
    slap: Four
    order1: Four
    slips: tuple[Count, Count]
    ride_out: tuple[Finite, Annotated[tuple[Whole, ...], Field(min_length=101, max_length=101)]] | None
    pairs_after_s: Finite
    pairs: Annotated[tuple[Pair, ...], Field(max_length=MESSAGE_PAIRS)]
