"""The loading condition as it was booked, as the regressor of the trend takes it: 0 = ballast, 1 = laden."""

from collections.abc import Iterable

from gateway.wear.bookings import Entry, Loading
from gateway.wear.logbook import standing
from gateway.wear.rows import Loadings

SHARES = {"ballast": 0.0, "laden": 1.0}
SPAN_M = 1.0
"""Draughts that differ by less are one loading condition."""


def loadings_of(log: Iterable[Entry]) -> Loadings:
    """Running hours from which each booked condition holds, with its share, in order of the hours.

    A draught lies between the shallowest and the deepest one booked, which stand for ballast and laden.
    """
    booked = [e for e in standing(log) if isinstance(e, Loading)]
    draughts = [e.draught_m for e in booked if e.draught_m is not None]
    return tuple((e.hours, _share(e, draughts)) for e in booked)


def loading_text(loadings: Loadings) -> str:
    """The condition booked last, such as `laden since 21,600 h`. Raises IndexError where none was booked."""
    hours, share = loadings[-1]
    words = next((name for name, value in SHARES.items() if value == share), f"{share:.0%} of ballast to laden")
    return f"{words} since {hours:,.0f} h"


def _share(e: Loading, draughts: list[float]) -> float:
    if e.condition is not None or e.draught_m is None:
        return SHARES[e.condition or "ballast"]
    low, high = min(draughts), max(draughts)
    return (e.draught_m - low) / (high - low) if high - low >= SPAN_M else 0.5
