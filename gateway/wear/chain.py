"""The chain of medians under the drift fit: one-step prediction, the gate, the sums, and the cut into levels.

What keeps a bad median from pulling the fit: a median further than `GATE` standard deviations from its one-step
prediction is held back, and so is a second one after it. If the next agrees with what came before, what was held is
dropped as odd. If not, all stay in the chain, but each link that shifts is left out of the sums: a shift of any size
has no influence at all, and what follows it has only that of a median at its new place. Should nearly a third of the
late medians shift, the noise has grown, and the gate stands open until the fit has learnt so.
"""

import math
from collections import deque
from typing import Any, NamedTuple

import numpy as np

from gateway.wear.ar1_sums import Ar1Sums, carry
from gateway.wear.links import (
    RECENT,
    SEGMENTS_MAX,
    Link,
    Q,
    link,
    packed,
    packed_links,
    place_between,
    unpacked,
    unpacked_links,
)
from gateway.wear.phi_fit import SCALES, fit_over_phi
from gateway.wear.regression import SIGMA_MIN, Floats
from gateway.wear.rows import Point, Rows

GATE = 4.0
"""Standard deviations: a sound median in 16,000 lies beyond."""

HELD_MAX = 2
"""Medians in a row that may be odd; a third that disagrees with what came before makes it a new state of affairs."""

LEVERAGE = 0.02
"""Share of the coefficients in a prediction's variance above which they are fitted again at once."""

OPEN_GATE = 0.3
"""Share of late medians beyond the gate at which the scale, not the medians, is held to be wrong."""

OTHER_STATE = np.array((2.0, 1.0, 0.05))
"""rpm, °C, load: between two medians, so much is another state of running and no wave, ripple or rounding."""

NOTHING_KNOWN = (1000.0 / SIGMA_MIN) ** 2
"""Variance, in units of the noise's, of a level of which no median has been seen yet: a thousand degrees or mm even in
the quietest series. With less, a tooth's eight degrees would differ from the level before, and be found twice."""

_STATE_UNITS = np.array(SCALES[2:5])


class Innovation(NamedTuple):
    """A median against its one-step prediction, in the prediction's standard deviations, and what a step would show.

    A lasting shift of one unit that begins at this median shows `first` in it; one that began earlier shows `later`.
    """

    z: float
    first: float
    later: float
    leverage: float
    """Variance due to the coefficients' uncertainty over that of the noise."""
    point: Point


class Working(NamedTuple):
    """What prediction needs, frozen between refits."""

    coef: Floats
    inverse: Floats
    phi: float
    sigma: float


class Chain:
    """Medians of one series in reference units, one after the other, and what is known from them.

    `rows` gets each median that enters.
    `unsure`: per rpm, °C and unit of load, how wrong a coefficient may be that was learnt within one state of running.
    """

    def __init__(self, rows: Rows, unsure: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> None:
        self.rows = rows
        self.unsure = np.array(unsure)
        self.odd = 0
        self.segments = [Ar1Sums(Q)]
        self.last: Point | None = None
        self.held: list[Point] = []
        self.working: Working | None = None
        self._spans = [(math.inf, -math.inf)]
        self._recent: deque[Link] = deque(maxlen=RECENT)
        self._outside = 0.0
        self._refit_at = 0
        self.group_shift: tuple[Point, float] | None = None
        """With the newest median those held have shifted together: the first of them, and how far (figure's unit)."""

    @property
    def medians(self) -> int:
        """Medians in the sums."""
        return sum(s.rows for s in self.segments)

    @property
    def hours(self) -> float:
        """Running hours that the sums span, those between two levels not counted."""
        return sum(latest - first for first, latest in self._spans if latest > first)

    @property
    def newest_hours(self) -> float:
        """Running hours of the newest median, held or not."""
        if self.held:
            return self.held[-1].hours
        return self.last.hours if self.last is not None else -math.inf

    def begin(self, points: list[Point]) -> None:
        """The first medians, already freed of odd ones."""
        for point in points:
            self._link(point)
        self._refit()

    def add(self, point: Point) -> tuple[Innovation, ...]:
        """Take a median; returns the innovations that it decides: none while held, else one, or all that were held."""
        new = self._innovation(self.last, point)
        outside = abs(new.z) > GATE
        self.group_shift = None
        out: tuple[Innovation, ...]
        if outside and self._outside <= OPEN_GATE:
            self.held.append(point)
            out = self._release() if len(self.held) > HELD_MAX else ()
        else:
            self.odd += len(self.held)
            self._outside = 0.95 * self._outside + 0.05 * (len(self.held) + outside)
            self.held = []
            self._link(point)
            out = (new,)
        # A median in a state hardly seen yet teaches the coefficients at once: their error would look like a step.
        if self.segments[-1].rows >= self._refit_at or any(i.leverage > LEVERAGE for i in out):
            self._refit()
        return out

    def _release(self) -> tuple[Innovation, ...]:
        """What was held agrees with nothing before it, so it is not odd: it enters, without the shifts."""
        assert self.working is not None
        off = sorted(float(p.row[-1] - p.row[:-1] @ self.working.coef) for p in self.held)
        if off[0] * off[-1] > 0:
            self.group_shift = self.held[0], off[len(off) // 2]
        out = []
        for point in self.held:
            new = self._innovation(self.last, point)
            outside = abs(new.z) > GATE
            self._link(point, used=not outside)
            self._outside = 0.95 * self._outside + 0.05 * outside
            out.append(new)
        self.held = []
        return tuple(out)

    def _innovation(self, before: Point | None, point: Point) -> Innovation:
        """The one-step prediction's error over its standard deviation, the coefficients' uncertainty included."""
        w = self.working
        assert w is not None
        if before is None:
            rho, change = 0.0, point.row
        else:
            rho = carry(w.phi, place_between(before, point))
            change = point.row - rho * before.row
        x = change[:-1]
        own, doubt = 1 - rho * rho, float(x @ w.inverse @ x)
        spread = math.sqrt(own + doubt + self._other_state(x) / (w.sigma * w.sigma))
        error = float(change[-1] - x @ w.coef)
        return Innovation(error / (w.sigma * spread), 1.0 / spread, (1 - rho) / spread, doubt / own, point)

    def _other_state(self, x: Floats) -> float:
        """Variance that a change `x` of the state of running adds, in the figure's unit squared.

        The fit's covariance does not hold it: what a sea or a short burst does to the measured speed teaches the fit
        too small a coefficient with too much confidence, and another speed or load would look like a step.
        """
        moved = x[2:5] * _STATE_UNITS
        wrong = np.where(np.abs(moved) > OTHER_STATE, self.unsure * moved, 0.0)
        return float(wrong @ wrong)

    def _link(self, point: Point, used: bool = True) -> None:
        new = link(self.last, point, used)
        if used:
            self.segments[-1].add(new.before, point.row, new.place)
        self._recent.append(new)
        self.rows.add(point, used)
        first, latest = self._spans[-1]
        self._spans[-1] = (min(first, point.hours), max(latest, point.hours))
        self.last = point

    def offsets(self) -> list[tuple[Point, float]]:
        """The newest medians, the held ones too, each with how far it lies from the line fitted so far (figure's unit).

        Asked when a step is found, before `split`: the line then still is that of the old level.
        """
        if self.working is None:
            return []
        coef = self.working.coef
        points = [k.point for k in self._recent] + self.held
        return [(p, float(p.row[-1] - p.row[:-1] @ coef)) for p in points]

    def split(self, since: int, size: float) -> None:
        """Begin a new level at the median numbered `since`, where the figure stepped by about `size`.

        What entered since then is taken out and fed again to the new level; at most the last `RECENT` links.
        """
        again = [k for k in self._recent if k.point.number >= since]
        for k in again:
            if k.used:
                self.segments[-1].add(k.before, k.point.row, k.place, sign=-1)
        self.rows.take_out(since)
        self._new_level(max((k.point.hours for k in self._recent if k.point.number < since), default=None))
        assert self.working is not None
        coef = self.working.coef.copy()
        coef[0] += size
        self.working = self.working._replace(coef=coef)
        for k in again:
            near = self.last is None or abs(self._innovation(self.last, k.point).z) <= GATE
            self._link(k.point, used=near)
        self._refit()

    def new_level(self, since_h: float = math.inf) -> None:
        """The next median, or the first after `since_h` running hours, begins a new level. What is held back of the
        old one is dropped. Where a level began since then, that is it."""
        if self._spans[-1][0] > since_h:
            return
        self.held = []
        late = [(p, off) for p, off in self.offsets() if p.hours > since_h]
        if late:
            self.split(late[0][0].number, float(np.median([off for _, off in late])))
            self.rows.began(since_h)
        else:
            self._new_level(None)
            self._refit()

    def _new_level(self, old_ends: float | None) -> None:
        self._recent.clear()
        self.rows.new_level()
        self.last = self.group_shift = None
        self._outside = 0.0
        first, latest = self._spans[-1]
        if self.segments[-1].rows < 2:
            self.segments.pop()
            self._spans.pop()
        elif old_ends is not None:
            self._spans[-1] = (first, min(latest, old_ends))
        self.segments.append(Ar1Sums(Q))
        self._spans.append((math.inf, -math.inf))
        del self.segments[:-SEGMENTS_MAX], self._spans[:-SEGMENTS_MAX]

    def _refit(self) -> None:
        """Freeze what the predictions need; again after 2 % more medians of this level, at most after a day's."""
        rows = self.segments[-1].rows
        self._refit_at = rows + max(1, min(rows // 50, 144))
        fit = fit_over_phi(self.segments)
        if fit is None:
            return
        phi, found = fit.likeliest()
        inverse = found.inverse[0]
        if not fit.kept[0]:
            inverse[0, 0] = NOTHING_KNOWN
        sigma = max(math.sqrt(found.rss[0] / fit.spare), SIGMA_MIN)
        self.working = Working(found.coef[0], inverse, phi, sigma)

    def rows_from_recent(self) -> None:
        """A state of version 0.1 has no rows: they begin with its newest medians, all of the present level."""
        for new in self._recent:
            self.rows.add(new.point, new.used)

    def state(self) -> dict[str, Any]:
        """Everything, as JSON-able lists and numbers."""
        w = self.working
        return {
            "counters": [self.odd, self._refit_at, self._outside],
            "segments": [s.state() for s in self.segments],
            "spans": [[first, latest] if latest >= first else None for first, latest in self._spans],
            **packed_links(self._recent),
            "last": None if self.last is None else packed(self.last),
            "held": [packed(p) for p in self.held],
            "working": None if w is None else [w.coef.tolist(), w.inverse.tolist(), w.phi, w.sigma],
        }

    @classmethod
    def restore(cls, state: dict[str, Any], rows: Rows, unsure: tuple[float, float, float]) -> "Chain":
        """The chain as it was when `state` was taken, to the bit; `rows` as they were then, or empty."""
        new = cls(rows, unsure)
        new.odd, new._refit_at, new._outside = state["counters"]
        new.segments = [Ar1Sums.restore(Q, s) for s in state["segments"]]
        new._spans = [(math.inf, -math.inf) if s is None else (s[0], s[1]) for s in state["spans"]]
        new._recent.extend(unpacked_links(state))
        new.last = None if state["last"] is None else unpacked(state["last"])
        new.held = [unpacked(p) for p in state["held"]]
        if state["working"] is not None:
            coef, inverse, phi, sigma = state["working"]
            new.working = Working(np.array(coef), np.array(inverse), phi, sigma)
        return new
