"""Running hours of a period from the counter's readings beside its ends, and the share of them that was measured."""

from dataclasses import dataclass

from gateway.model.records import SteadyRows

CLOSE_H = 0.25
"""Ends nearer than this are shown as one figure: a ten-minute median's own width, and a little."""
Counter = tuple[float, float]
"""UTC in seconds, and running hours then."""


@dataclass(frozen=True, slots=True)
class Span:
    """A figure that lies between two ends; one figure where the ends are close."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Half way."""
        return (self.low + self.high) / 2

    @property
    def close(self) -> bool:
        """May it be shown as one figure?"""
        return self.high - self.low <= CLOSE_H


def counter_at(utc_s: float, before: Counter | None, after: Counter | None) -> Span | None:
    """The counter at a time from its last reading before and its first after it; `None` without any before.

    An engine runs at most an hour in an hour, and its counter never runs back: that bounds it between two readings.
    """
    if before is None:
        return None
    low, high = before[1], before[1] + max(0.0, utc_s - before[0]) / 3600
    if after is not None:
        low = max(low, after[1] - max(0.0, after[0] - utc_s) / 3600)
        high = max(low, min(high, after[1]))
    return Span(low, high)


def run_between(start: Span | None, end: Span | None) -> Span | None:
    """Hours run from one reading of the counter to another."""
    if start is None or end is None:
        return None
    return Span(max(0.0, end.low - start.high), max(0.0, end.high - start.low))


@dataclass(frozen=True, slots=True)
class Coverage:
    """Hours of steady running ahead with good readings: in all, of the lag, of the spring.

    From a head that sends bursts, hours are not covered: then these are ten-minute medians, each of one burst or more.
    `None` = not known.
    """

    measured: float | None
    lag: float | None
    spring: float | None
    bursts: bool = False


def coverage(rows: SteadyRows, ratio: int, *, bursts: bool) -> Coverage:
    """What the medians cover. Once thinned, a row of bursts no longer shows how many it was: then nothing is known."""
    if not bursts:
        return Coverage(rows.turns_h * ratio, rows.lag_h * ratio, rows.spring_h * ratio)
    if rows.thinned:
        return Coverage(None, None, None, bursts=True)
    return Coverage(rows.rows, rows.lag_rows, rows.spring_rows, bursts=True)


def percent_of(part_h: float | None, run: Span | None) -> Span | None:
    """The share of the hours run, in per cent, at most 100; `None` where either is not known or nothing was run."""
    if part_h is None or run is None or run.low <= 0:
        return None
    return Span(min(100.0, 100 * part_h / run.high), min(100.0, 100 * part_h / run.low))


def share(c: Coverage, part: float | None, run: Span | None) -> Span | None:
    """The share of a part in per cent: of the hours run, or of the bursts that were heard steady ahead."""
    if not c.bursts:
        return percent_of(part, run)
    return percent_of(part, None if c.measured is None else Span(c.measured, c.measured))
