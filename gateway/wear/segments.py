"""One series watched: its drift fit, and the CUSUM that cuts it into levels, so that a jump never becomes a slope."""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from gateway.model.records import Median
from gateway.wear.chain import GATE
from gateway.wear.drift import Drift, DriftFit, OperatingPoint
from gateway.wear.rows import Loadings, Point
from gateway.wear.steps import Cusum, Signal
from gateway.wear.stop_shifts import step_over_ramp

THRESHOLD = 15.0
"""Natural logarithm: each side signals falsely once in at least e^15 = 3.3 million medians, both together once in
1.6 million; ten engine-years of 6,000 running hours are 360,000."""

EVIDENCE_AFTER = 3.0
"""What must come from the medians after the first: a single shift of whatever size that then fades with the noise is
taken for a step once in e^3 = 20 times at most."""

SHIFT_MOST = 4.0
"""In quiet series the step sought is not the settings' but this many standard deviations of the noise, if less:
smaller ones would pass for wear."""

SHIFT_LEAST = 0.2
"""... but never less than this share of the settings': nobody acts on it."""

ARMED_FROM = 144
"""Medians fitted before steps are sought: before, φ and the noise are not known well enough."""

YOUNG_STEPS = 3.0
"""... but for what shifts so many times the step sought, for one median more than may be odd: that is no noise, and a
young fit would learn it as wear, or as what another speed does."""

CLEAR_MEDIANS = 3
CLEAR_SIGMAS = 6.0
"""Three medians in a row so far from the line, all on one side, are no noise, whatever its memory."""

CLEAR_APART_SIGMAS = 4.0
"""The chart's size allows for the noise that the series was carrying, the medians' distance from the line does not: it
is preferred only where the two part by more than the noise can do."""


DRIFT_FROM, DRIFT_SINCE = 36, 12
"""Medians in all, and since the onset, before a drift can be distinguished from a step."""

DRIFT_CLEAR = 3.0
"""Natural logarithm by which a drift must be likelier than a step: a step must not be missed for a doubt."""

SMALL = 0.75
"""A step below this share of the step sought is reported to nobody; for it the likelier of the two is enough."""


@dataclass(frozen=True, slots=True)
class StepFound:
    """A step of the series: when it began (the first median at the new level), how large, and its standard error."""

    onset_hours: float
    onset_utc_s: float
    found_hours: float
    size: float
    error: float


def _clear_shift(offsets: list[tuple[Point, float]], sigma: float) -> tuple[Point, float] | None:
    """The first median of a shift that stands clear of the noise, and its size; `None` for a step that hides in it."""
    late = sorted(offset for _, offset in offsets[-CLEAR_MEDIANS:])
    if len(late) < CLEAR_MEDIANS or min(map(abs, late)) < CLEAR_SIGMAS * sigma or late[0] * late[-1] < 0:
        return None
    size = late[len(late) // 2]
    first = offsets[-1][0]
    for point, offset in reversed(offsets):
        if abs(offset - size) > 0.25 * abs(size):
            break
        first = point
    return first, size


class Segments:
    """Drift fit and step search of one series. `step`: the size of step sought, degrees or mm."""

    def __init__(
        self,
        figure: Literal["lag", "spring"] = "lag",
        step: float = 0.1,
        operating_point: OperatingPoint | None = None,
    ) -> None:
        if not step > 0:
            raise ValueError("the step sought must be above zero")
        self.step = step
        self.fit = DriftFit(figure, operating_point)
        self.fit.clear_shift = YOUNG_STEPS * step
        self.chart = Cusum(1.0, THRESHOLD, THRESHOLD - EVIDENCE_AFTER, z_max=GATE)
        self._started: dict[int, tuple[int, float, float]] = {}
        self._loadings: Loadings = ()

    @property
    def armed(self) -> bool:
        """Are steps sought already?"""
        return self.fit.noise is not None and self.fit.medians >= ARMED_FROM

    def add(self, median: Median) -> StepFound | None:
        """Take a median; returns the step that it makes certain. The fit then stands on a new level since its onset."""
        innovations = self.fit.add(median)
        noise = self.fit.noise
        if noise is None:
            return None
        sigma = noise[1]
        if self.fit.shifted is not None:
            (point, size), self.fit.shifted = self.fit.shifted, None
            return StepFound(point.hours, point.utc_s, median.hours, size, sigma)
        if not self.armed:
            return self._young(sigma, median.hours)
        self.chart.shift = min(self.step, max(SHIFT_MOST * sigma, SHIFT_LEAST * self.step)) / sigma
        for i in innovations:
            signal = self.chart.add(i.z, i.first, i.later)
            self._note(i.point.number, i.point.hours, i.point.utc_s)
            if signal is not None:
                return self._stepped(signal, sigma, median.hours)
        return None

    def _young(self, sigma: float, now_hours: float) -> StepFound | None:
        shift = self.fit.group_shift()
        if shift is None or abs(shift[1]) < YOUNG_STEPS * self.step:
            return None
        point, size = shift
        self.fit.split(point.number, size)
        self._reset()
        return StepFound(point.hours, point.utc_s, now_hours, size, sigma)

    def _note(self, number: int, hours: float, utc_s: float) -> None:
        """Remember the medians that may yet prove to be an onset: the two sides' best ones."""
        at = self.chart.number
        for side in self.chart.onsets:
            if side == at:
                self._started[at] = (number, hours, utc_s)
        if len(self._started) > 2:
            self._started = {k: v for k, v in self._started.items() if k in self.chart.onsets}

    def _stepped(self, signal: Signal, sigma: float, now_hours: float) -> StepFound | None:
        number, hours, utc_s = self._started[signal.onset]
        found = StepFound(hours, utc_s, now_hours, signal.size * sigma, signal.error * sigma)
        offsets = self.fit.offsets()
        clear = _clear_shift(offsets, sigma)
        if clear is None:
            small = abs(found.size) < SMALL * self.step
            since = sum(p.number >= number for p, _ in offsets)
            if small and since < DRIFT_SINCE:
                return None  # The signal stands: the next medians will show which it is.
            if self._is_drift(offsets, since, 0.0 if small else DRIFT_CLEAR):
                self._reset()
                return None
        if clear is not None and abs(clear[1] - found.size) > CLEAR_APART_SIGMAS * sigma:
            # It shifted in the middle of a median, so that the chart saw two smaller steps.
            point, size = clear
            number = point.number
            found = StepFound(point.hours, point.utc_s, now_hours, size, found.error)
        self.fit.split(number, found.size)
        self._reset()
        return found

    def _is_drift(self, offsets: list[tuple[Point, float]], since: int, clear: float) -> bool:
        """Did the figure clearly not step, `since` medians ago, but walk off the line?"""
        noise = self.fit.noise
        if noise is None or len(offsets) < DRIFT_FROM or since < DRIFT_SINCE:
            return False
        hours, off = (np.array(x) for x in ([p.hours for p, _ in offsets], [o for _, o in offsets]))
        return step_over_ramp(hours, off, noise[0], len(offsets) - since) < -clear

    def _reset(self) -> None:
        self.chart.reset()
        self._started = {}

    def rebase(self, keep_slope: bool, since_h: float = math.inf) -> None:
        """The drive was adjusted by hand. With `keep_slope` only the level is new (the spring after a retightening);
        without it everything is learnt again (the lag after the camshaft was set, both after a new chain). `since_h`:
        running hours at which it was done, where that was before the newest median."""
        if keep_slope:
            self.fit.new_level(since_h)
        else:
            self.fit = DriftFit(self.fit.figure, self.fit.operating_point)
            self.fit.book_loadings(self._loadings)
        self._reset()

    def book_loadings(self, loadings: Loadings) -> None:
        """Take the loading condition as it is booked; a new fit goes by it as well."""
        self._loadings = loadings
        self.fit.book_loadings(loadings)

    def drift(self) -> Drift:
        """The drift as it stands at the newest median."""
        return self.fit.drift()

    def state(self) -> dict[str, Any]:
        """Everything but the settings, JSON-able."""
        return {
            "fit": self.fit.state(),
            "chart": self.chart.state(),
            "shift": self.chart.shift,
            "begun": [[k, *v] for k, v in self._started.items()],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`: what comes of it is the same to the bit."""
        self.fit = DriftFit.restore(state["fit"], self.fit.operating_point)
        self.fit.clear_shift = YOUNG_STEPS * self.step
        self._loadings = self.fit.loadings
        self.chart.load(state["chart"])
        self.chart.shift = state["shift"]
        self._started = {int(k): (int(n), h, u) for k, n, h, u in state["begun"]}
