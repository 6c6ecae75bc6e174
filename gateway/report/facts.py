"""What the report is made from: the figures of a period, read from the store or worked out of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.alarm.load import Load
from gateway.encode.shapes import TrendMessage
from gateway.model.settings import EngineSettings
from gateway.report.alarms import AlarmCount
from gateway.report.hours import Coverage, Span
from gateway.report.plot import Point
from gateway.report.work import Side, Work
from gateway.wear.logbook import Datum


@dataclass(frozen=True, slots=True)
class Period:
    """[from, to) in seconds since 1970, cut at the present, and what to call it."""

    from_s: float
    to_s: float
    name: str


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """One engine over the period. `None` = not known.

    `run_h`: running hours in the period, `counter_h` the counter at its end. `watched_from_s`: where the record of the
    running hours begins inside the period. `measured_h`: running hours of the first and the last reading. `first`,
    `last`: readings of the first and the last 24 running hours that were measured, `first_free_mm` the spring's free
    length at the first. `datum`: what counts at the end. `courses`: points over time by name (`lag_deg`, `spring_mm`,
    `elongation_percent`, `rpm`), with gaps. `bands`: from when on which band of the spring's length counts, in mm.
    """

    settings: EngineSettings
    run_h: Span | None
    counter_h: Span | None
    watched_from_s: float | None
    coverage: Coverage
    measured_h: tuple[float, float] | None
    first: Side
    last: Side
    first_free_mm: float
    first_elongation_percent: float | None
    last_elongation_percent: float | None
    datum: Datum
    trend: TrendMessage | None
    courses: Mapping[str, Sequence[Point]]
    bands: Sequence[tuple[float, float, float]]
    work: Sequence[Work]
    alarms: Sequence[AlarmCount]


@dataclass(frozen=True, slots=True)
class ShipFacts:
    """The whole report. `alarms_from_s`: from when on alarms are still on the record; `None` = none are kept."""

    vessel: str
    period: Period
    made_s: float
    version: str
    engines: Sequence[EngineFacts]
    alarms: Sequence[AlarmCount]
    alarms_from_s: float | None
    load: Load | None
