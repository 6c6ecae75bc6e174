"""Medians linked to the one before each, for the one-step predictions of the step chart."""

from collections import deque
from typing import Any, NamedTuple

import numpy as np

from gateway.wear.ar1_sums import UNCORRELATED, gap_place
from gateway.wear.phi_fit import COLUMNS
from gateway.wear.regression import Floats
from gateway.wear.rows import Point

RECENT = 288
"""Links that can be taken out again when a step is dated back: two days of running."""

SEGMENTS_MAX = 4
"""Levels whose common slope is kept; with the fifth the oldest is forgotten, slope and all."""

STEP_HOURS = 1.0 / 6.0

Q = len(COLUMNS) + 1


class Link(NamedTuple):
    """A point and what it is linked to: the row before it (`None`: none is known), the place of the gap between them.

    `used` False: it shifted, and is not in the sums.
    """

    point: Point
    before: Floats | None
    place: int
    used: bool


def link(last: Point | None, point: Point, used: bool) -> Link:
    """Link a point to the last one before it."""
    place = UNCORRELATED if last is None else place_between(last, point)
    return Link(point, None if last is None or place == UNCORRELATED else last.row, place, used)


def place_between(before: Point, point: Point) -> int:
    """The place of the gap between two points (see `ar1_sums`): by time, or by the hours should those be more."""
    elapsed = max(point.hours - before.hours, (point.utc_s - before.utc_s) / 3600.0)
    return gap_place(elapsed / STEP_HOURS)


def packed(p: Point) -> list[Any]:
    """JSON-able."""
    return [p.number, p.utc_s, p.hours, p.row.tolist(), p.revolutions]


def unpacked(kept: list[Any]) -> Point:
    """From `packed`; a state of before revolutions were kept has a point as one that is a row by itself."""
    number, utc_s, hours, row, *revolutions = kept
    return Point(number, utc_s, hours, np.array(row), *revolutions)


def packed_links(links: deque[Link]) -> dict[str, Any]:
    """JSON-able: the row before the first; each other link's is that of the link before it."""
    first = links[0].before if links else None
    return {
        "before": None if first is None else first.tolist(),
        "recent": [[packed(k.point), k.before is not None, k.place, k.used] for k in links],
    }


def unpacked_links(kept: dict[str, Any]) -> list[Link]:
    """From `packed_links`."""
    row = None if kept["before"] is None else np.array(kept["before"])
    links = []
    for point, linked, place, used in kept["recent"]:
        links.append(Link(unpacked(point), row if linked else None, place, used))
        row = links[-1].point.row
    return links
