"""Figures in words, with their unit and what they mean: one place for trend and report."""

from datetime import UTC, datetime

from gateway.alarm.wording import LIMIT_NAMES, WORDS
from gateway.encode.shapes import Range
from gateway.report.hours import Span

DO = {
    "nothing": "Nothing to do now",
    "compensate": "Compensation at the fuel pumps",
    "re-time": "Re-time the camshaft",
    "retighten": "Retighten the chain",
    "renew-chain": "Renew the chain or its worn links",
    "find-fault": "Find the fault first",
}
LIMITS = {tag: name[0].lower() + name[1:] for tag, name in LIMIT_NAMES.items()}
AGREEMENT = {
    "agree": "lag and tightener agree",
    "part": "lag and tightener part: not all of it is wear",
    "unknown": "the wear could not be checked against a second estimate",
}
ALARMS = {tag: words.title for tag, words in WORDS.items()}
NOTICE = (
    "This report is made by a monitoring aid. It never replaces the engine maker's manual, class rules, the ship's "
    "safety management system, a permit to work or a licensed engineer's judgement. No figure in it is permission to "
    "work on the drive or to open a door."
)
NOT_KNOWN = "not known"
GAP = "\u00a0"
"""Between a figure and its unit: no line is broken there."""


def number(value: float | None, digits: int, *, sign: bool = False) -> str:
    """A figure, thousands apart, or that it is not known."""
    return NOT_KNOWN if value is None else f"{value:{'+' if sign else ''},.{digits}f}"


def ranged(r: Range, digits: int, *, sign: bool = False) -> str:
    """The middle, and 5 to 95 % in brackets."""
    if r.p50 is None:
        return NOT_KNOWN
    return f"{number(r.p50, digits, sign=sign)} ({end(r.p05, digits)} to {end(r.p95, digits)})"


def end(value: float | None, digits: int) -> str:
    """An end of a range, or that it is open."""
    return "?" if value is None else f"{value:,.{digits}f}"


def spanned(s: Span | None, digits: int, unit: str) -> str:
    """A figure with its unit, or the two ends between which it lies where they are far apart."""
    if s is None:
        return NOT_KNOWN
    if f"{s.low:.{digits}f}" == f"{s.high:.{digits}f}" or s.close:
        return f"{s.middle:,.{digits}f}{GAP}{unit}"
    return f"{s.low:,.{digits}f} to {s.high:,.{digits}f}{GAP}{unit}"


def with_unit(value: float | None, digits: int, unit: str, *, sign: bool = False) -> str:
    """A figure and its unit, or that it is not known."""
    if value is None:
        return NOT_KNOWN
    return number(value, digits, sign=sign) + ("" if unit == "°" else GAP) + unit


def day(utc_s: float) -> str:
    """`2027-05-01`."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d")


def minute(utc_s: float) -> str:
    """`2027-05-01 06:30 UTC`."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def plural(n: int, word: str) -> str:
    """`1 event`, `2 events`."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"
