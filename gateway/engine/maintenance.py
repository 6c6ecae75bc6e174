"""A maintenance record on its way into the log book: filled in from the present, and made into records to store."""

import math
import uuid
from typing import Any

from gateway.encode.messages import adjustment_event_body, rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.engine.snapshot import EngineSnapshot
from gateway.model.errors import Refused
from gateway.model.output import NewBooking, NewEvent
from gateway.wear import bookings
from gateway.wear.refusals import can_be_growth

PRESENT_S = 3_600.0
_FROM_READINGS: dict[str, dict[str, str]] = {
    "retightened": {"spring_after_mm": "spring_mm", "elongation_percent": "elongation_percent"},
    "camshaft-set": {"raw_deg": "raw_deg", "elongation_percent": "elongation_percent"},
    "spring-renewed": {"spring_after_mm": "spring_mm"},
    "chain-renewed": {"spring_after_mm": "spring_mm", "lag_after_deg": "lag_deg"},
    "links-renewed": {"spring_after_mm": "spring_mm", "lag_after_deg": "lag_deg"},
}
"""Which figures of a record the present readings can give, by kind."""


def present_figures(s: EngineSnapshot) -> dict[str, float]:
    """The present figures that a record may be filled in with, by name; what is not known is left out."""
    d, percent = s.view.detail, s.view.elongation_percent
    standing = None if d is None else d.standing_raw_deg
    found = {
        "hours": s.hours,
        "spring_mm": s.view.spring_mm,
        "raw_deg": None if d is None else d.raw_deg if standing is None else standing,
        "lag_deg": s.view.lag_deg if d is None or standing is None else d.standing_lag_deg,
        # A figure that cannot be the chain's is not filled in: nobody has typed it, so nobody could correct it.
        "elongation_percent": percent if percent is not None and can_be_growth(percent) else None,
    }
    return {k: round(v, 3) for k, v in found.items() if v is not None and math.isfinite(v)}


def filled(data: dict[str, Any], figures: dict[str, float], now_s: float) -> dict[str, Any]:
    """A record with what was not typed: id, time, and what the present `figures` can give. Raises Refused.

    The present figures do not hold for work done more than an hour ago: then all of them must be typed.
    """
    entry = {k: v for k, v in data.items() if v is not None}
    if isinstance(entry.get("utc_s"), str):
        try:
            entry["utc_s"] = utc_of(entry["utc_s"])
        except ValueError as e:
            raise Refused(str(e)) from None
    if isinstance(kind := entry.get("kind"), str):
        entry["kind"] = bookings.ALIASES.get(kind, kind)
    entry.setdefault("id", uuid.uuid4().hex[:12])
    entry.setdefault("utc_s", round(now_s, 3))
    if not _is_present(entry["utc_s"], now_s):
        return entry
    if "hours" in figures:
        entry.setdefault("hours", figures["hours"])
    for key, figure in _FROM_READINGS.get(str(entry.get("kind")), {}).items():
        if figure in figures:
            entry.setdefault(key, figures[figure])
    return entry


def _is_present(utc_s: object, now_s: float) -> bool:
    return isinstance(utc_s, int | float) and utc_s > now_s - PRESENT_S


def records_of(
    topics: Topics, slug: str, entry: bookings.Entry, stored: str, by: str, now_s: float
) -> tuple[NewEvent, NewBooking]:
    """The event and the log book's row, with the text `stored`, of a record typed at `now_s`: the event's time.

    When the work was done stands among the figures: an event of the past would look as if it had waited to be sent.
    """
    before, after = bookings.before_after(entry)
    after["work_utc"] = rfc3339(entry.utc_s)
    # By this a correction names what it replaces, for readers who have the events only.
    after["record_id"] = entry.id
    text = f"{entry.note} (booked by {by})" if entry.note else f"booked by {by}"
    body = adjustment_event_body(entry.kind, now_s, entry.hours, by=entry.person, before=before, after=after, text=text)
    row = NewBooking(slug, entry.id, entry.kind, rfc3339(now_s), stored)
    return NewEvent(topics.event(slug), "adjustment", body), row
