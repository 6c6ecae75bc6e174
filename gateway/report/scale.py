"""Axes: round steps for figures, and steps of the calendar for times (UTC)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

DAY_S = 86_400.0
_HOUR_S = 3_600.0
_STEPS_S = [h * _HOUR_S for h in (1, 2, 3, 6, 12)] + [d * DAY_S for d in (1, 2, 4, 7)]
_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)
_MONTH_S = 30.4 * DAY_S


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line from [low, high] to [start, end] of the drawing; `end` may lie before `start`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, x: float) -> float:
        """Where `x` lies in the drawing; what is beyond the ends is drawn at the end."""
        share = (x - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)


def around(values: Sequence[float], least: float) -> tuple[float, float]:
    """A range that holds all values with a little room, `least` wide at the least."""
    low, high = (min(values), max(values)) if values else (0.0, 0.0)
    room = max(0.06 * (high - low), (least - (high - low)) / 2)
    return low - room, high + room


def round_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 times a power of ten that makes at most `most` steps of the span."""
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    return next(m * power for m in (1, 2, 5, 10, 20) if m * power * (1 + 1e-9) >= raw)


def ticks(low: float, high: float, most: int = 6) -> list[tuple[float, str]]:
    """Round figures in [low, high], at most `most` + 1, with their text. Raises ValueError for an empty range."""
    if not (high > low and math.isfinite(high - low)):
        raise ValueError("an axis needs a range")
    step = round_step(high - low, most)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step + 0.0:,.{digits}f}") for n in range(first, last + 1)]


def time_ticks(low_s: float, high_s: float, most: int = 8) -> list[tuple[float, str]]:
    """Hours, days, months or years in [low, high], at most `most` + 1, with their text, in UTC."""
    if not high_s > low_s:
        raise ValueError("an axis needs a range")
    span_s = high_s - low_s
    if span_s / most > _STEPS_S[-1]:
        return _months(low_s, high_s, most)
    step_s = next(s for s in _STEPS_S if s >= span_s / most)
    first = math.ceil(low_s / step_s - 1e-9)
    form = "%d %b" if step_s >= DAY_S else "%d %b %H:%M"
    return [(n * step_s, _text(n * step_s, form)) for n in range(first, math.floor(high_s / step_s + 1e-9) + 1)]


def _months(low_s: float, high_s: float, most: int) -> list[tuple[float, str]]:
    step = next((m for m in _MONTHS if m * _MONTH_S >= (high_s - low_s) / most), _MONTHS[-1])
    began = datetime.fromtimestamp(low_s, UTC)
    month = (began.year * 12 + began.month - 1) // step * step
    found = []
    while (utc_s := _month_s(month)) <= high_s:
        if utc_s >= low_s:
            found.append((utc_s, _text(utc_s, "%Y" if step >= 12 else "%b %Y")))
        month += step
    return found


def _month_s(month: int) -> float:
    return datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC).timestamp()


def _text(utc_s: float, form: str) -> str:
    date = datetime.fromtimestamp(utc_s, UTC).strftime(form)
    return date.removeprefix("0")
