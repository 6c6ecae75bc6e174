"""What comes out of an engine's pipeline, in order: each record is published, stored or shown by the floors above."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gateway.model.records import Median, Reading, Transition
from gateway.wear.trend import Trend


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """An alarm changed its state, at `utc_s` and `hours` running hours. `since_utc_s`: when it was last raised."""

    transition: Transition
    utc_s: float
    hours: float | None
    since_utc_s: float | None = None


@dataclass(frozen=True, slots=True)
class ReadingDue:
    """The present, every `reading_every_s`."""

    reading: Reading
    utc_s: float


@dataclass(frozen=True, slots=True)
class MedianDue:
    """Ten minutes of steady running are over."""

    median: Median


@dataclass(frozen=True, slots=True)
class TrendDue:
    """Wear, forecast and decision, each hour and after each adjustment; and how many alarms called in 24 h."""

    trend: Trend
    announcements_24h: int = 0


@dataclass(frozen=True, slots=True)
class WrongHead:
    """Another head than configured is on the port; it is not measured."""

    heard: str
    wanted: str


Output = AlarmChanged | ReadingDue | MedianDue | TrendDue | WrongHead


def alarms_changed(moved: Iterable[Transition], utc_s: Callable[[int], float], hours: float) -> list[Output]:
    """The outputs of transitions, in order. `utc_s`: of a pipeline time; `hours`: running hours now."""
    return [AlarmChanged(t, utc_s(t.t_us), hours, None if t.since_us is None else utc_s(t.since_us)) for t in moved]
