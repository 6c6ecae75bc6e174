"""UTC as text and back, after RFC 3339."""

import math
import re
from datetime import datetime, timedelta

_EPOCH = datetime(1970, 1, 1)
_SHAPE = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt](\d\d):(\d\d):(\d\d)(\.\d+)?(?:[Zz]|([+-])(\d\d):(\d\d))", flags=re.ASCII
)


def rfc3339(utc_s: float) -> str:
    """Seconds since 1970 as `2026-11-25T09:30:00.123Z`: UTC, always three decimals.

    Rounded to the nearest millisecond, halves up; the carry goes through seconds, days and years. (Cutting off would
    turn many a decimal fraction, whose float lies just below it, into the millisecond before.) Raises ValueError for
    what is not a finite time within the years 1 to 9999. Source: RFC 3339, section 5.6.
    """
    if not math.isfinite(utc_s):
        raise ValueError(f"{utc_s} is not a time")
    try:
        return (_EPOCH + timedelta(milliseconds=math.floor(utc_s * 1000 + 0.5))).isoformat(
            timespec="milliseconds"
        ) + "Z"
    except OverflowError:
        raise ValueError(f"{utc_s} s since 1970 lies outside the years 1 to 9999") from None


def utc_of(text: str) -> float:
    """Seconds since 1970 of an RFC 3339 date-time, with `Z` or an offset, any number of decimals.

    A leap second (`23:59:60`) counts as the first second of what follows, as POSIX time has it. Raises ValueError with
    the reason. Source: RFC 3339, section 5.6.
    """
    found = _SHAPE.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is not an RFC 3339 time such as 2026-03-01T12:00:00Z")
    year, month, day, hour, minute, second = (int(found[i]) for i in range(1, 7))
    second_60 = second == 60
    try:
        whole = datetime(year, month, day, hour, minute, 59 if second_60 else second)
    except ValueError as e:
        raise ValueError(f"{text!r} is not an RFC 3339 time: {e}") from None
    seconds = (whole - _EPOCH).total_seconds() + second_60 - _offset_s(text, found)
    return seconds + float(found[7] or 0)


def _offset_s(text: str, found: re.Match[str]) -> int:
    if found[8] is None:
        return 0
    hours, minutes = int(found[9]), int(found[10])
    if hours > 23 or minutes > 59:
        raise ValueError(f"{text!r} is not an RFC 3339 time: its offset goes beyond 23:59")
    return (1 if found[8] == "+" else -1) * (hours * 3600 + minutes * 60)
