"""Drift of a series of ten-minute medians: level and slope, with ranges that hold in the noise of a ship at sea.

    figure = level + b·hours + c₁·(rpm − rpm₀) + c₂·(T − T₀) + c₃·(load − load₀) + c₄·(loading − loading₀) + noise.

T is how much warmer the casing is than the frame: chain and frame are both of iron, and what shows is by how much the
one has grown more than the other. The frame follows a start or another speed for hours, and the casing's temperature
alone would leave that to the drift. Where only one of the two is measured, T is that one. The loading is what is booked
of it, from ballast (0) to laden (1).

The noise is weather over days, legs and season over weeks and months, and white noise of each row; it is not
estimated and then believed: the fit is averaged over a grid of noise models (`rows`, `slope_fit`, `noise_grid`).
Single medians, with AR(1) noise, serve the step chart's predictions alone; `chain` describes what keeps a bad median
from pulling the fits.
"""

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gateway.model.records import Median
from gateway.wear.chain import Chain, Innovation
from gateway.wear.links import Q
from gateway.wear.phi_fit import COLUMNS, SCALES
from gateway.wear.regression import SIGMA_MIN, Floats
from gateway.wear.rows import REVOLUTIONS, Loadings, Point, Rows
from gateway.wear.slope_fit import SlopeFit, hours_needed
from gateway.wear.student import quantile

START_ROWS = 36
"""Medians gathered before the first fit."""

START_WINDOW = 7
START_GATE = 8.0
"""Wide, since the deviation from a running median has no fixed scale; what slips through pulls little."""

ENOUGH_ROWS = 16
ENOUGH_HOURS = 100.0
"""Rows and running hours before a drift is published. From there on the ranges hold (`bench_drift_noise`): before the
first legs are over they are wide."""

SEASON = {"lag": 0.0175, "spring": 0.1}
"""Amplitude, in degrees or mm, of a yearly season whose phase is not known; from memory."""

USUAL_PER_H = {"lag": 7e-5, "spring": 5e-4}
"""Usual wear in degrees or mm per hour, by which the hours still needed are counted; from memory."""

HOURS_A_PAUSE = 0.25
"""Running hours (standard deviation) by which a stop may be miscounted where bursts leave it unseen: of how the engine
manoeuvred meanwhile only a rough count is had. Measured on simulated voyages, 0.2 h a stop; times 1.2, since a step in
the hours turns a line by up to one and a half times as much as it shifts its ends. It shows in fast wear only."""

WARMTH_UNKNOWN = 5
"""The column that is 1 where T is not known."""

LOADING = Q - 1
"""The column of the loading in a row of the fit."""

Warmth = Literal["", "difference", "casing", "frame"]
"""What T is; empty until a median has a temperature."""

UNSURE: dict[str, tuple[float, float, float]] = {"lag": (0.0015, 0.0015, 0.03), "spring": (0.002, 0.02, 0.05)}
"""Degrees or mm per rpm, °C and full load by which a coefficient may be wrong: half of a usual one, from memory."""

UNSURE_DIFFERENCE = {"lag": 0.005, "spring": 0.04}
"""The same per °C that the casing is warmer than the frame; the frame's warming takes more than half of it away again
where the casing's temperature stands alone."""

_UNITS = np.array((*SCALES, 1.0))


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where the trend's figure is given. Set: `None` stands for the mean fitted. Given: `None` was never known."""

    rpm: float
    warmth_c: float | None
    """T: of the casing less the frame's, or of the one measured."""
    load: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """The fit: `a` at `hours_ref` and at the operating point, `b` per running hour, their covariance.

    (a, b) has Student's t with `dof` degrees of freedom, this place and `cov` as its covariance scale.
    The variance of `b` includes that of the count of hours (`HOURS_A_PAUSE`). `n`: medians used, `odd`: medians
    dropped, `levels`: levels that share the slope. `enough` False: figures are NaN, `why` names what is still needed,
    `needed_h`: running hours until then, or until the slope can be distinguished from zero; 0 once it can.
    """

    enough: bool
    why: str
    hours_ref: float = math.nan
    a: float = math.nan
    b: float = math.nan
    cov: tuple[tuple[float, float], tuple[float, float]] = ((math.nan, math.nan), (math.nan, math.nan))
    dof: float = math.nan
    n: int = 0
    odd: int = 0
    levels: int = 1
    needed_h: float = 0.0
    operating_point: OperatingPoint | None = None
    coefficients: tuple[tuple[str, float, float], ...] = ()
    """(regressor, value per rpm, °C, unit of load or from ballast to laden, standard error)."""


class DriftFit:
    """The drift of the lag or of the spring length since the last setting."""

    def __init__(
        self,
        figure: Literal["lag", "spring"] = "lag",
        operating_point: OperatingPoint | None = None,
    ) -> None:
        self.figure = figure
        self.warmth: Warmth = ""
        self.operating_point = operating_point
        self.refused = 0
        self._count = 0
        self._reference: Floats | None = None
        self._start: list[tuple[float, float, Floats, int]] = []
        self._rows = Rows(Q, SEASON[figure])
        self._chain = Chain(self._rows, UNSURE[figure])
        self._found: tuple[float, Drift] | None = None
        """The drift at so many running hours of the newest row: it changes with the rows alone."""
        self._before = 0
        """Medians behind rows that were taken over: the chain has not seen them."""
        self.clear_shift = math.inf
        """A shift between rows taken over and the first medians after them that is no noise, in the figure's unit."""
        self.shifted: tuple[Point, float] | None = None
        """Such a shift: the first median after it, and how far. Who reads it sets it back."""

    # -- feeding -----------------------------------------------------------------------------------------------

    def add(self, median: Median) -> tuple[Innovation, ...]:
        """Take a median; returns what is decided by it: none while it is held, else one, or all held.

        A median without the figure, or whose running hours do not advance, is refused and counted.
        """
        raw = self._raw(median)
        newest = self._start[-1][1] if self._start else max(self._chain.newest_hours, self._rows.newest_hours)
        if raw is None or median.hours <= newest:
            self.refused += 1
            return ()
        if self._chain.working is None:
            self._start.append((median.utc_s, median.hours, raw, median.revolutions))
            if len(self._start) >= START_ROWS:
                self._begin()
            return ()
        return self._chain.add(self._point(median.utc_s, median.hours, raw, median.revolutions))

    def _raw(self, m: Median) -> Floats | None:
        figure = m.lag_deg if self.figure == "lag" else m.spring_mm
        if figure is None or not all(map(math.isfinite, (figure, m.hours, m.utc_s, m.rpm))):
            return None
        casing_c, frame_c, load = (
            v if v is not None and math.isfinite(v) else math.nan for v in (m.casing_c, m.frame_c, m.load)
        )
        if not self.warmth:
            self._choose(casing_c, frame_c)
        warmth_c = {"difference": casing_c - frame_c, "casing": casing_c, "frame": frame_c}.get(self.warmth, math.nan)
        return np.array((1.0, m.hours, m.rpm, warmth_c, load, 0.0, 0.0, figure))

    def _choose(self, casing_c: float, frame_c: float) -> None:
        """What T is, for as long as this fit goes on: a mixture would look like a step."""
        known = not math.isnan(casing_c), not math.isnan(frame_c)
        chosen: dict[tuple[bool, bool], Warmth]
        chosen = {(True, True): "difference", (True, False): "casing", (False, True): "frame", (False, False): ""}
        self.warmth = chosen[known]
        self._chain.unsure = np.array(_unsure(self.figure, self.warmth))

    def _point(self, utc_s: float, hours: float, raw: Floats, revolutions: int) -> Point:
        assert self._reference is not None
        row = (raw - self._reference) / _UNITS
        for known, unknown in ((3, WARMTH_UNKNOWN), (4, 6)):
            if math.isnan(row[known]):
                row[known], row[unknown] = 0.0, 1.0
        self._count += 1
        return Point(self._count, utc_s, hours, row, revolutions)

    def _begin(self) -> None:
        """The first fit: reference in the middle of the first medians, the odd ones among them left out. That of rows
        which were taken over stays."""
        raws = np.array([raw for _, _, raw, _ in self._start])
        blank = np.isnan(raws)
        middle = np.median(np.where(blank, 0.0, raws), axis=0)
        for column in (3, 4):
            known = raws[~blank[:, column], column]
            middle[column] = np.median(known) if len(known) else 0.0
        middle[[0, 1, 5, 6]] = 0.0, self._start[0][1], 0.0, 0.0
        taken_over = self._reference is not None
        if self._reference is None:
            self._reference = middle
        points = [self._point(*row) for row in self._start]
        self._start = []
        odd = _odd_ones(raws[:, -1])
        self._chain.odd += int(odd.sum())
        sound = [point for point, is_odd in zip(points, odd, strict=True) if not is_odd]
        off = self._rows.off(sound) if taken_over else None
        if off is not None and abs(off) >= self.clear_shift:
            # What happened while no gateway watched is a step and no slope.
            self._rows.new_level()
            self.shifted = sound[0], off
        self._chain.begin(sound)

    def offsets(self) -> list[tuple[Point, float]]:
        """The newest medians, each with how far it lies from the line fitted so far; see `Chain.offsets`."""
        return self._chain.offsets()

    def group_shift(self) -> tuple[Point, float] | None:
        """See `Chain.group_shift`."""
        return self._chain.group_shift

    # -- a new level -------------------------------------------------------------------------------------------

    def split(self, since: int, size: float) -> None:
        """Begin a new level at the median numbered `since` (`Innovation.point`), where it stepped by about `size`.

        The slope and the other coefficients stay common to all levels: a slipped coupling does not change how the
        chain wears. Raises RuntimeError before the first fit.
        """
        if self._chain.working is None:
            raise RuntimeError("there is no fit yet that could be split; feed more medians first")
        self._chain.split(since, size)

    def new_level(self, since_h: float = math.inf) -> None:
        """The figure was changed by hand (a retightening): the next median begins a new level with the same slope, or
        the first one after `since_h` running hours, where the work is recorded late."""
        self._start = [row for row in self._start if row[1] > since_h]
        if self._chain.working is not None:
            self._chain.new_level(since_h)
        elif self._reference is not None:
            self._rows.new_level()
        self._found = None

    # -- solving -----------------------------------------------------------------------------------------------

    @property
    def rows(self) -> int:
        """Rows that the fit rests on."""
        return len(self._rows.rows)

    @property
    def unsent(self) -> int:
        """Rows that are not ashore as they stand."""
        return sum(row.number > self._rows.sent for row in self._rows.rows)

    @property
    def medians_in_all(self) -> int:
        """Medians behind the fit, with those behind rows that were taken over."""
        return self.medians + self._before

    def sent(self, number: int) -> None:
        """Rows up to that number are ashore as they stand."""
        self._rows.sent = number

    def book_loadings(self, loadings: Loadings) -> None:
        """Take what is booked of the loading, from when on; it counts for the rows that are there as well."""
        self._rows.book_loadings(loadings)
        self._found = None

    @property
    def loadings(self) -> Loadings:
        """What is booked of the loading."""
        return self._rows.loadings

    def drift(self) -> Drift:
        """The fit as it stands at the newest row; does not change what later medians will give."""
        hours, n = self._rows.hours, self.medians_in_all
        missing_h = max(ENOUGH_HOURS - hours, 6.0 * (ENOUGH_ROWS - len(self._rows.rows)))
        if missing_h > 0:
            return Drift(False, f"not known yet (about {rounded_up(missing_h)} h more needed)", n=n, needed_h=missing_h)
        newest = self._rows.rows[-1].hours
        if self._found is None or self._found[0] != newest or not self._rows.level_has_row:
            fit = self._rows.fit() if self._rows.level_known else None
            if fit is None or not fit.kept[0]:
                return Drift(False, "the level has just changed; a few more medians are needed", n=n, needed_h=1.0)
            self._found = newest, self._drift_of(fit)
        return replace(self._found[1], n=n, odd=self._chain.odd)

    @property
    def medians(self) -> int:
        """Medians taken up so far, without those behind rows that were taken over."""
        return self._chain.medians + len(self._start)

    @property
    def warmth_lost(self) -> bool:
        """Had the medians a temperature, and has the newest none?"""
        last = self._chain.last
        return bool(self.warmth) and last is not None and bool(last.row[WARMTH_UNKNOWN])

    @property
    def noise(self) -> tuple[float, float] | None:
        """φ and the marginal standard deviation, as the predictions use them; `None` before the first fit."""
        return (self._chain.working.phi, self._chain.working.sigma) if self._chain.working is not None else None

    def _drift_of(self, fit: SlopeFit) -> Drift:
        assert self._reference is not None
        point, at = self._operating()
        level, slope = np.zeros((2, self._rows.figure))
        slope[1] = 1.0 / SCALES[1]
        newest = self._rows.rows[-1] if self._rows.level_has_row else self._chain.last
        assert newest is not None
        hours_ref = newest.hours
        level[:2] = 1.0, (hours_ref - self._reference[1]) / SCALES[1]
        level[[2, 3, 4, LOADING]] = at
        place, cov = fit.line(level * fit.kept, slope)
        miscounted = place[1] * HOURS_A_PAUSE * math.sqrt(self._rows.pauses) / self._rows.hours
        half_width = quantile(0.95, fit.dof) * math.sqrt(cov[1, 1])
        wanted = max(float(place[1]), USUAL_PER_H[self.figure])
        return Drift(
            enough=True,
            why="",
            hours_ref=hours_ref,
            a=float(place[0] + self._reference[-1]),
            b=float(place[1]),
            cov=((float(cov[0, 0]), float(cov[0, 1])), (float(cov[0, 1]), float(cov[1, 1] + miscounted**2))),
            dof=fit.dof,
            levels=self._rows.levels,
            needed_h=hours_needed(self._rows.hours, half_width, wanted) if place[1] <= half_width else 0.0,
            operating_point=point,
            coefficients=tuple(self._coefficient(fit, column) for column in (2, 3, 4, LOADING) if fit.kept[column]),
        )

    def _coefficient(self, fit: SlopeFit, column: int) -> tuple[str, float, float]:
        unit = 1.0 if column == LOADING else SCALES[column]
        value = float(fit.weight @ fit.coef[:, column])
        spread = fit.cov[:, column, column] + (fit.coef[:, column] - value) ** 2
        name = "loading" if column == LOADING else COLUMNS[column]
        return name, value / unit, math.sqrt(float(fit.weight @ spread)) / unit

    def _operating(self) -> tuple[OperatingPoint, list[float]]:
        """The operating point, what is not set of it the mean of what was fitted, and its place in reference units."""
        assert self._reference is not None
        wanted = self.operating_point
        given = (None, None, None) if wanted is None else (wanted.rpm, wanted.warmth_c, wanted.load)
        figures: list[float | None] = []
        at: list[float] = []
        table = self._rows.table()
        for column, unknown, figure in zip((2, 3, 4), (None, 5, 6), given, strict=True):
            reference = float(self._reference[column])
            mean = _mean_known(table, column, unknown)
            place = mean if figure is None else (figure - reference) / SCALES[column]
            figures.append(None if place is None else reference + SCALES[column] * place)
            at.append(place or 0.0)
        rpm, heat, load = figures
        assert rpm is not None
        return OperatingPoint(rpm, heat, load), [*at, _mean_known(table, LOADING, LOADING + 1) or 0.0]

    # -- across a restart --------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything, as JSON-able lists and numbers."""
        return {
            "figure": self.figure,
            "temperature": self.warmth,
            "counters": [self.refused, self._count],
            "reference": None if self._reference is None else self._reference.tolist(),
            "start": [[utc_s, hours, _blank_out(raw), revolutions] for utc_s, hours, raw, revolutions in self._start],
            "chain": self._chain.state(),
            "rows": self._rows.state(),
            "before": self._before,
        }

    @classmethod
    def restore(cls, state: dict[str, Any], operating_point: OperatingPoint | None = None) -> "DriftFit":
        """The fit as it was when `state` was taken: what it gives afterwards is the same to the bit."""
        new = cls(state["figure"], operating_point)
        new.warmth = state["temperature"]
        new.refused, new._count = state["counters"]
        new._before = state.get("before", 0)
        if state["reference"] is not None:
            new._reference = np.array(state["reference"])
        new._start = [
            # A state of before revolutions were kept has none.
            (utc_s, hours, np.array([math.nan if v is None else v for v in raw]), *(revolutions or [REVOLUTIONS]))
            for utc_s, hours, raw, *revolutions in state["start"]
        ]
        if "rows" in state:
            new._rows.load(state["rows"])
        new._chain = Chain.restore(state["chain"], new._rows, _unsure(new.figure, new.warmth))
        if "rows" not in state:
            new._chain.rows_from_recent()
        return new


def _odd_ones(figures: Floats) -> NDArray[np.bool_]:
    """Hampel's gate over the first medians, before there is a fit to predict from: bool[N].

    A fit of 36 medians with five regressors bends to an odd one; the running median of seven does not, and it lets the
    edge of a change of speed stand.
    """
    padded = np.pad(figures, START_WINDOW // 2, mode="reflect")
    off = np.abs(figures - np.median(np.lib.stride_tricks.sliding_window_view(padded, START_WINDOW), axis=1))
    scale = max(1.4826 * float(np.median(off)), SIGMA_MIN)
    odd: NDArray[np.bool_] = off > START_GATE * scale
    return odd


def _mean_known(table: Floats, column: int, unknown: int | None) -> float | None:
    """Mean of a regressor over the rows in which it is known; `None` where it never is."""
    known = 1.0 - (table[:, unknown] if unknown is not None else 0.0 * table[:, 0])
    return float(table[:, column].sum() / known.sum()) if known.sum() > 0.5 else None


def rounded_up(hours: float) -> int:
    """Hours still needed, rounded up to what is known of them: tens."""
    return 10 * math.ceil(hours / 10)


def _unsure(figure: str, warmth: Warmth) -> tuple[float, float, float]:
    per_rpm, per_c, per_load = UNSURE[figure]
    return per_rpm, UNSURE_DIFFERENCE[figure] if warmth == "difference" else per_c, per_load


def _blank_out(raw: Floats) -> list[float | None]:
    return [None if math.isnan(v) else v for v in raw.tolist()]
