"""What a course over time is drawn from: from when on which datum counts, its band, and the work that is marked.

The page and the report draw from the same sums. Times are seconds since 1970.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from gateway.model.settings import EngineSettings
from gateway.wear.bookings import Correction, Entry
from gateway.wear.geometry import deg_per_percent
from gateway.wear.logbook import Datum, rebase, standing

DATUMS_MAX = 200
GAP_STEPS = 3.0
MARKED = ("retightened", "camshaft-set", "pumps-compensated", "chain-renewed", "links-renewed", "spring-renewed")
Values = Mapping[str, float | None]
T = TypeVar("T")


class Datums:
    """From when on which datum counts; before the first booking it is that of the settings."""

    def __init__(self, e: EngineSettings, log: Sequence[Entry]) -> None:
        found = [(float("-inf"), rebase(e, ()))]
        stands = sorted((x for x in log if not isinstance(x, Correction)), key=lambda x: x.utc_s)[-DATUMS_MAX:]
        corrections = [x for x in log if isinstance(x, Correction)]
        known: list[Entry] = []
        for entry in stands:
            known.append(entry)
            ids = {x.id for x in known}
            found.append((entry.utc_s, rebase(e, [*known, *(c for c in corrections if c.replaces in ids)])))
        self._begins = [begin for begin, _ in found]
        self._datums = [datum for _, datum in found]

    def at(self, utc_s: float) -> Datum:
        """The datum that counts at this time."""
        return self._datums[bisect_right(self._begins, utc_s) - 1]


def elongation_percent(e: EngineSettings, d: Datum, lag_deg: float | None) -> float | None:
    """The chain's elongation by the lag alone; `None` where it is not known where it began."""
    if lag_deg is None or d.lag_start is None:
        return None
    return d.lag_start.percent + (lag_deg - (d.lag_at_set_deg or 0.0)) / deg_per_percent(e)


def band_mm(e: EngineSettings, free_length_mm: float, locked_at_mm: float | None) -> tuple[float, float, float]:
    """The spring's required length and the lower and upper end of its band, in mm.

    Sprung: measured free length less required compression. Locked: the length at which the bolt was locked.
    """
    t = e.tightener
    if t.kind == "locked" and locked_at_mm is not None:
        return locked_at_mm, locked_at_mm - t.moved_mm, locked_at_mm + t.moved_mm
    required = free_length_mm - t.required_compression_mm
    return required, required - t.band_mm, required + t.band_mm


def broken(
    points: Sequence[T], utc_s: Callable[[T], float], values: Callable[[T], Values], gap_s: float
) -> list[tuple[float, Values]]:
    """Points with one of nothing known in each gap, so that no line is drawn over a time without measurement."""
    out: list[tuple[float, Values]] = []
    for a, b in pairwise([*points, None]):
        assert a is not None
        out.append((utc_s(a), values(a)))
        if b is not None and utc_s(b) - utc_s(a) > gap_s:
            out.append((utc_s(a) + gap_s / GAP_STEPS, {}))
    return out


def booked_between(log: Sequence[Entry], from_s: float, to_s: float) -> list[Entry]:
    """The bookings that stand, corrected, of work done in [from, to), by time; the last ones where there are many."""
    return [x for x in sorted(standing(log), key=lambda x: x.utc_s) if from_s <= x.utc_s < to_s][-DATUMS_MAX:]
