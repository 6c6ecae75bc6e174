"""The rows of the drift fit: a median over minutes is one by itself, those of short bursts are averaged first.

A burst of seconds knows the temperatures from a reading or two, each off by a tenth of a degree. In a regressor such an
error does more than noise in the figure: where the figure itself is quieter, the likelihood takes the warmth's
coefficient down to nothing and lets a φ near 1 follow the warmth's slow course instead, and the drift drowns in what φ
near 1 leaves open (errors in variables). The mean of some bursts has the error less by the root of their number and
still shows all that is slow; the model, being linear, holds for means as it does for medians.
"""

from collections import deque
from typing import Any, NamedTuple

import numpy as np

from gateway.wear.ar1_sums import UNCORRELATED, Ar1Sums, gap_place
from gateway.wear.phi_fit import COLUMNS, PhiFit, fit_over_phi
from gateway.wear.regression import Floats

REVOLUTIONS = 50
"""A row of the fit rests on at least so many: about six bursts of six seconds, or half a minute without pause."""

RECENT = 288
"""Links that can be taken out again when a step is dated back: two days of running."""

SEGMENTS_MAX = 4
"""Levels whose common slope is kept; with the fifth the oldest is forgotten, slope and all."""

STEP_HOURS = 1.0 / 6.0

PAUSE_HOURS = 2.0
"""By so much more than the running hours the clock must have gone on, for a stop between two bursts."""

Q = len(COLUMNS) + 1


class Point(NamedTuple):
    """A median as the fit sees it: `row` float[q] in reference units, over so many `revolutions`."""

    number: int
    utc_s: float
    hours: float
    row: Floats
    revolutions: int = REVOLUTIONS


class Link(NamedTuple):
    """A point and what it is linked to: the row before it (`None`: a stranger), the place of the gap between them.

    `used` False: it leapt, and is not in the sums.
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
    """The place of the gap between two points (see `ar1_sums`): by the clock, or by the hours should those say more."""
    elapsed = max(point.hours - before.hours, (point.utc_s - before.utc_s) / 3600.0)
    return gap_place(elapsed / STEP_HOURS)


class Means:
    """Sums of products of the rows, level by level, in a size that does not grow with the length of the series."""

    def __init__(self) -> None:
        self.segments = [Ar1Sums(Q)]
        self.pauses = 0
        """Stops within a level that lay between two bursts, unseen."""
        self._ahead_hours: float | None = None
        """The clock at the newest median, ahead of the running hours."""
        self._gathered: list[Point] = []
        self._leapt = False
        self._last: Point | None = None
        self._recent: deque[Link] = deque(maxlen=RECENT)

    def add(self, point: Point, used: bool = True) -> None:
        """Take a median; `used` False: it leapt from the one before it, and only what follows counts from here."""
        ahead, self._ahead_hours = self._ahead_hours, point.utc_s / 3600.0 - point.hours
        if ahead is not None and point.revolutions < REVOLUTIONS:
            self.pauses += self._ahead_hours - ahead > PAUSE_HOURS
        if not used:
            self._gathered, self._leapt = [], True
        self._gathered.append(point)
        if sum(max(p.revolutions, 1) for p in self._gathered) >= REVOLUTIONS:
            new = link(self._last, _mean(self._gathered), not self._leapt)
            if new.used:
                self.segments[-1].add(new.before, new.point.row, new.place)
            self._recent.append(new)
            if self._recent[0].point.number < point.number - 2 * RECENT:
                self._recent.popleft()
            self._last, self._gathered, self._leapt = new.point, [], False

    def take_out(self, since: int) -> None:
        """Take out of the present level what holds the median numbered `since` or a later one."""
        for old in self._recent:
            if old.used and old.point.number >= since:
                self.segments[-1].add(old.before, old.point.row, old.place, sign=-1)

    def new_level(self) -> None:
        """The next median begins a new level; what is gathered and makes no row yet is dropped."""
        self._gathered, self._leapt = [], False
        self._last = self._ahead_hours = None
        self._recent.clear()
        if self.segments[-1].rows < 2:
            self.segments.pop()
        self.segments.append(Ar1Sums(Q))
        del self.segments[:-SEGMENTS_MAX]

    def fit(self) -> PhiFit | None:
        """The fit of all levels as it stands. A level without a row yet stands on what is gathered for its first."""
        last = self.segments[-1]
        if not last.rows and self._gathered:
            last = Ar1Sums(Q)
            last.add(None, _mean(self._gathered).row, UNCORRELATED)
        return fit_over_phi([*self.segments[:-1], last])

    def state(self) -> dict[str, Any]:
        """Everything, as JSON-able lists and numbers."""
        return {
            "segments": [s.state() for s in self.segments],
            "gathered": [packed(p) for p in self._gathered],
            "leapt": self._leapt,
            "pauses": [self.pauses, self._ahead_hours],
            "last": None if self._last is None else packed(self._last),
            **packed_links(self._recent),
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> "Means":
        """The means as they were when `state` was taken, to the bit."""
        new = cls()
        new.segments = [Ar1Sums.restore(Q, s) for s in state["segments"]]
        new._gathered = [unpacked(p) for p in state["gathered"]]
        new._leapt = state["leapt"]
        new.pauses, new._ahead_hours = state["pauses"]
        new._last = None if state["last"] is None else unpacked(state["last"])
        new._recent.extend(unpacked_links(state))
        return new


def _mean(points: list[Point]) -> Point:
    """Their mean, under the newest one's number; of a single one the same to the bit."""
    if len(points) == 1:
        return points[0]
    utc_s, hours = (float(np.mean(figures)) for figures in ([p.utc_s for p in points], [p.hours for p in points]))
    row: Floats = np.mean([p.row for p in points], axis=0)
    return Point(points[-1].number, utc_s, hours, row, sum(p.revolutions for p in points))


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
