"""The period that is asked for, of which engines, and whether people's names are shown."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from gateway.encode.times import utc_of
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.report.facts import Period
from gateway.report.words import day
from gateway.wear.bookings import Entry

DEFAULT_DAYS = 30
SPAN_S_MIN = 3_600.0


class People(Protocol):
    """Shows the names of people, or leaves them out."""

    def event(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """An event."""

    def entry(self, entry: Entry) -> Entry:
        """A booking."""


class Named:
    """Shows them."""

    def event(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """As it is."""
        return dict(body)

    def entry(self, entry: Entry) -> Entry:
        """As it is."""
        return entry


@dataclass(frozen=True, slots=True)
class Asked:
    """The engines and the period. `survey`: the survey file."""

    slugs: Sequence[str]
    period: Period
    survey: bool = False


def engines(settings: Settings, engine: str | None) -> list[str]:
    """The engines' short names. Raises Refused."""
    slugs = [e.slug for e in settings.engine]
    if engine is not None and engine not in slugs:
        raise Refused(f"--engine {engine}: not among the engines: {', '.join(slugs)}")
    return slugs if engine is None else [engine]


def month(text: str, now_s: float) -> Period:
    """A month as `2031-04`, or `last` for the one before this. Raises Refused."""
    now = datetime.fromtimestamp(now_s, UTC)
    if text == "last":
        first = now.year * 12 + now.month - 2
    elif re.fullmatch(r"(19|20)\d\d-(0[1-9]|1[0-2])", text):
        first = int(text[:4]) * 12 + int(text[5:]) - 1
    else:
        raise Refused(f"--month {text}: give a month such as 2027-05, or `last`")
    begins = [datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in (first, first + 1)]
    name, key = begins[0].strftime("%B %Y"), begins[0].strftime("%Y-%m")
    return up_to_now(Period(begins[0].timestamp(), begins[1].timestamp(), name, key), now_s)


def span(from_utc: str | float | None, to_utc: str | float | None, now_s: float) -> Period:
    """From then to then; the last thirty days where neither is given. Raises Refused."""
    try:
        to_s = now_s if to_utc is None else _seconds(to_utc)
        from_s = to_s - DEFAULT_DAYS * 86_400.0 if from_utc is None else _seconds(from_utc)
    except ValueError as e:
        raise Refused(str(e)) from None
    if to_s - from_s < SPAN_S_MIN:
        raise Refused("--to must be an hour after --from, or more; give a later --to")
    period = Period(from_s, to_s, f"{day(from_s)} to {day(to_s)}", f"{day(from_s)}-to-{day(to_s)}")
    return up_to_now(period, now_s)


def up_to_now(p: Period, now_s: float) -> Period:
    """A period that is not over yet ends now. Raises Refused for one that is still to come."""
    if p.from_s > now_s - SPAN_S_MIN:
        raise Refused(f"the period begins on {day(p.from_s)}: there is no data yet to report; give an earlier --from")
    return p if p.to_s <= now_s else Period(p.from_s, now_s, f"{p.name}, not over yet", p.key)


def _seconds(when: str | float) -> float:
    return utc_of(when) if isinstance(when, str) else when
