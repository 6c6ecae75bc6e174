"""What the report is made from: the figures of a period, read from the store or worked out of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256

from gateway.alarm.load import Load
from gateway.encode.shapes import TrendMessage
from gateway.model.enums import Priority
from gateway.model.settings import EngineSettings, Vessel
from gateway.report.alarms import AlarmCount
from gateway.report.hours import Coverage, Span
from gateway.report.plot import Point
from gateway.report.work import Side, Work
from gateway.wear.bookings import Entry
from gateway.wear.logbook import Datum


@dataclass(frozen=True, slots=True)
class Period:
    """[from, to) in seconds since 1970, cut at the present, what to call it, and a short key for names of files."""

    from_s: float
    to_s: float
    name: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did to an alarm. `text`: the reason, or what the alarm reported then."""

    utc_s: float
    engine: str | None
    tag: str
    act: str
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class Raised:
    """An announcement of an alarm of priority alarm or above. `until_s`: when it cleared; `None`: it stands."""

    utc_s: float
    engine: str | None
    tag: str
    priority: Priority
    text: str
    until_s: float | None


@dataclass(frozen=True, slots=True)
class Start:
    """A start of the gateway. `fingerprint`: of the settings with which it started, empty where not known."""

    utc_s: float
    version: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Commissioning:
    """A kept commissioning record. `title` names it; `text`: as it is printed; `open`: what is not complete."""

    engine: str
    title: str
    text: str
    open: Sequence[str]


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """One engine over the period. `None` = not known.

    `run_h`: running hours in the period, `counter_h` the counter at its end. `watched_from_s`: where the record of the
    running hours begins inside the period. `measured_h`: running hours of the first and the last reading. `first`,
    `last`: readings of the first and the last 24 running hours that were measured, `first_free_mm` the spring's free
    length at the first. `datum`: what counts at the end. `log`: the bookings that stand then, of whatever time.
    `trend`: the last one up to the end, `trends_from_s` from when on trends are kept. `courses`: points over time by
    name (`lag_deg`, `spring_mm`, `elongation_percent`, `rpm`), with gaps. `bands`: from when on which band of the
    spring's length counts, in mm.
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
    log: Sequence[Entry]
    trend: TrendMessage | None
    trends_from_s: float | None
    courses: Mapping[str, Sequence[Point]]
    bands: Sequence[tuple[float, float, float]]
    work: Sequence[Work]
    alarms: Sequence[AlarmCount]


@dataclass(frozen=True, slots=True)
class ShipFacts:
    """The whole report. `alarms_from_s`: from when on alarms are still on the record; `None` = none are kept.

    `fingerprint`: of the settings from which the limits are taken. `acts`, `raised`, `starts`: by time, the starts with
    the last one before the period; they are kept for longer than other events. `survey`: it is the survey file, for
    which `commissionings` are there. `ashore`: sentences on what is not known, where it is made from what is kept
    ashore.
    """

    vessel: Vessel
    period: Period
    made_s: float
    version: str
    engines: Sequence[EngineFacts]
    alarms: Sequence[AlarmCount]
    alarms_from_s: float | None
    load: Load | None
    fingerprint: str
    acts: Sequence[Act]
    raised: Sequence[Raised]
    starts: Sequence[Start]
    survey: bool = False
    ashore: Sequence[str] = ()
    commissionings: Sequence[Commissioning] = ()

    def reference(self) -> str:
        """The number of this document: ship, period, and digits of all that went into it."""
        digits = sha256(repr(self).encode()).hexdigest()[:8].upper()
        return f"{self.vessel.slug}-{'survey-' if self.survey else ''}{self.period.key}-{digits}"
