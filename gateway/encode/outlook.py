"""The forecast in words, rounded to what is known of it: one place for trend, page, report and demo."""

import math
from datetime import date, timedelta

from gateway.encode.shapes import DateRange, HoursRange, TrendLimit, TrendMessage

LEAST_H = 10.0
"""No forecast is known to less than ten running hours."""
DAY_KNOWN, MONTH_KNOWN = 10.0, 500.0
"""Days on the nearer side of a range up to which a day is shown, and up to which a month is; beyond, the year."""
NOT_YET = "not known yet"


def rounded(value: float, reach: float) -> float:
    """Hours to the power of ten that is not above `reach`, how far the nearer end of their range lies from the middle.

    At least to tens: 937 with a reach of 0.5 is 940, 913 with a reach of 240 is 900.
    """
    unit = max(LEAST_H, 10.0 ** math.floor(math.log10(reach))) if reach > 0 else LEAST_H
    return unit * math.floor(value / unit + 0.5)


def about_hours(h: HoursRange) -> str:
    """`about 900 h (700 to 1,200)`; an interval that is known exactly is `912 h`.

    Raises ValueError where the range has no middle.
    """
    if h.p50 is None:
        raise ValueError("the range has no middle; ask outlook for its words")
    if h.p05 == h.p50 == h.p95:
        return f"{h.p50:,.0f} h"
    sides = [abs(h.p50 - end) for end in (h.p05, h.p95) if end is not None]
    reach = min(sides, default=0.0)
    low, middle, high = (None if x is None else rounded(x, reach) for x in (h.p05, h.p50, h.p95))
    about = f"about {middle:,.0f} h" if middle else f"less than {LEAST_H:,.0f} h"
    if low == middle == high:
        return about
    early = "?" if low is None else f"{low:,.0f}"
    return f"{about} ({early} {'or later' if high is None else f'to {high:,.0f}'})"


def about_date(d: DateRange) -> str:
    """`2027-05 (2027-03 to 2027-09)`: day, month or year, as far as it is known; empty without a middle."""
    if d.p50 is None:
        return ""
    middle = date.fromisoformat(d.p50)
    ends = [date.fromisoformat(x) for x in (d.p05, d.p95) if x is not None]
    days = min((abs((middle - x) / timedelta(days=1)) for x in ends), default=0.0)
    length = 10 if days < DAY_KNOWN else 7 if days < MONTH_KNOWN else 4
    early, shown, late = (None if x is None else x[:length] for x in (d.p05, d.p50, d.p95))
    assert shown is not None
    if early == shown == late:
        return shown
    return f"{shown} ({early or '?'} {f'to {late}' if late else 'or later'})"


def outlook(x: TrendLimit, t: TrendMessage) -> str:
    """When a limit of this trend is reached, in running hours and by date; or that it is not known, or not in sight.

    Not in sight is only what is known to lie beyond every horizon: where the early end is nearer it is not known yet.
    """
    h = x.hours_to
    if h.p50 is not None:
        when = about_date(x.date)
        return "reached" if h.p50 == 0 else f"in {about_hours(h)}" + (f"; {when}" if when else "")
    earliest = "" if h.p05 is None else f"; earliest (1 in 20) in {_earliest(h.p05)}"
    spring = x.limit == "tension-low"
    young = (t.spring_mm if spring else t.lag_deg).p50 is None
    if not spring and t.why_unknown:
        return t.why_unknown + earliest
    return "not in sight" if h.p05 is None and not young else NOT_YET + earliest


def _earliest(hours: float) -> str:
    """Two figures of it: it is an end of a range that has no middle."""
    return f"about {rounded(hours, hours / 10):,.0f} h" if hours >= LEAST_H else f"less than {LEAST_H:,.0f} h"
