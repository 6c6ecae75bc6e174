"""The rows of the drift fit: means of six running hours of the figure and of every regressor.

Single medians would let the fast part of the noise rule the likelihood, and the slow part that bends a line would be
forgotten. Row means also lessen the noise of what bursts of seconds know of speed and temperatures: a noisy regressor
is fitted too small (errors in variables). The model, being linear, holds for means as it does for medians.

The rows are stored and filtered again at a start or when some of them are taken out. A row far from its prediction
waits for the next one: alone it is an outlier and is not used; if the next agrees with it, both are, so that a real
change passes.
"""

import copy
import math
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from gateway.wear.noise_grid import noise_grid
from gateway.wear.regression import Floats
from gateway.wear.row_filter import RowFilter
from gateway.wear.slope_fit import SlopeFit, fit_slope

ROW_HOURS = 6.0
REVOLUTIONS = 50
"""A row rests on at least so many: about six bursts of six seconds, or half a minute without pause."""

SHORT_HOURS = 2.0
"""A stop or a new level ends a row early; of a row shorter than this nothing is kept."""

PAUSE_HOURS = 2.0
"""By so much more than the running hours the clock must have gone on, for a stop."""

ADDED = 4
"""Columns of a row of the fit beside those of a point: loading, loading not known, sine and cosine of the year."""

RESOLUTION = 0.005
"""A regressor that never varies by more than this, in its unit of the fit, is constant and left out."""

YEAR_S = 365.25 * 86_400.0

ROWS_MAX = 1500
ROWS_FORGOTTEN = 250
"""After 9,000 running hours on one setting the oldest quarter of a year is forgotten: wear is not constant for ever."""

OUTLIER = 6.0
"""Standard deviations of a row's prediction, coefficients included."""

GATED_FROM = 40
"""Rows before outliers are sought: a young fit does not know its scale."""

LIKELIEST_FOR = 20
"""The gate goes by the likeliest model, looked for again after so many rows."""


class Point(NamedTuple):
    """A median as the fit sees it: `row` float[q] in reference units, the figure last, over so many `revolutions`."""

    number: int
    utc_s: float
    hours: float
    row: Floats
    revolutions: int = REVOLUTIONS


@dataclass(slots=True)
class Row:
    """A row of the fit. `number`: of its newest median. `level`: counts up with each new level. `used`: no outlier."""

    number: int
    utc_s: float
    hours: float
    values: Floats
    level: int
    used: bool = True


Loadings = tuple[tuple[float, float], ...]
"""(Running hours from which it holds, loading: 0 ballast to 1 laden), rising; before the first it is not known."""


@dataclass(slots=True)
class Rows:
    """Rows of one series, and their filter. `columns`: of a point's row, level and hours first, the figure last.

    A row of the fit has two more before the figure: the loading, and 1 while it is not known; and sine and cosine of
    the year behind it.
    """

    columns: int
    season_amplitude: float = 0.0
    loadings: Loadings = ()
    pauses: int = 0
    """Stops within a level that lay between two bursts, unseen."""
    rows: list[Row] = field(default_factory=list)
    sent: int = 0
    """Number of the newest row that stands as it was sent ashore; those above it go with the next message."""
    _level: int = 0
    _gathered: list[Point] = field(default_factory=list)
    _held: Row | None = None
    _ahead_hours: float | None = None
    _filter: RowFilter = field(init=False)
    _filtered: Row | None = field(init=False, default=None)
    _likeliest: tuple[int, int] = field(init=False, default=(-1000, 0))
    """At how many rows the likeliest model was looked for, and which it was."""

    def __post_init__(self) -> None:
        """Begin without rows."""
        self._filter = RowFilter(noise_grid(), self.columns + ADDED)

    # -- medians in ---------------------------------------------------------------------------------------------

    def add(self, point: Point, used: bool = True) -> None:
        """Take a median; one with `used` False shifted from those before it and enters no row."""
        ahead, self._ahead_hours = self._ahead_hours, point.utc_s / 3600.0 - point.hours
        stopped = ahead is not None and self._ahead_hours - ahead > PAUSE_HOURS
        if stopped and point.revolutions < REVOLUTIONS:
            self.pauses += 1
        if self._gathered and (stopped or self._complete(point.hours)):
            self._close()
        if used:
            self._gathered.append(point)

    def _complete(self, hours: float) -> bool:
        """Rows end at multiples of six running hours, but not before there are revolutions enough."""
        other = hours // ROW_HOURS != self._gathered[0].hours // ROW_HOURS
        return other and sum(max(p.revolutions, 1) for p in self._gathered) >= REVOLUTIONS

    def _close(self) -> None:
        """Make a row of what is gathered, unless it is short."""
        gathered, self._gathered = self._gathered, []
        span_h = gathered[-1].hours - gathered[0].hours
        if span_h < SHORT_HOURS and sum(max(p.revolutions, 1) for p in gathered) < 2 * REVOLUTIONS:
            return
        self._take(self._mean(gathered))
        if len(self.rows) > ROWS_MAX:
            del self.rows[:ROWS_FORGOTTEN]
            self._filter_again()

    def _take(self, row: Row) -> None:
        held, self._held = self._held, None
        outlier = self._deviation(row) > OUTLIER
        if held is not None:
            held.used = outlier
            if outlier:
                self._filter_row(held)
        elif outlier:
            self._held, row.used = row, False
        self.rows.append(row)
        if row.used:
            self._filter_row(row)

    # -- filter -------------------------------------------------------------------------------------------------

    def _filter_row(self, row: Row) -> None:
        if self._filtered is not None and self._filtered.level != row.level:
            self._filter.new_level()
        self._filter.add(row.values, self._elapsed_h(row))
        self._filtered = row

    def _elapsed_h(self, row: Row) -> float:
        """Hours since the row before, by time, or by the running hours should those be more."""
        before = self._filtered
        if before is None or before.level != row.level:
            return 0.0
        # Rounded: rows six hours apart, give or take seconds, share one transition matrix.
        return round(max(row.hours - before.hours, (row.utc_s - before.utc_s) / 3600.0, 0.1), 1)

    def _filter_again(self) -> None:
        self._filter, self._filtered = RowFilter(noise_grid(), self.columns + ADDED), None
        for row in self.rows:
            if row.used:
                self._filter_row(row)

    def _deviation(self, row: Row) -> float:
        """How far a row lies from its prediction by the likeliest model, in standard deviations; 0 while unknown."""
        if self._filter.present.rows < GATED_FROM or self._filtered is None or self._filtered.level != row.level:
            return 0.0
        if self._filter.rows >= self._likeliest[0] + LIKELIEST_FOR:
            whole = self._fit(self._filter)
            self._likeliest = self._filter.rows, 0 if whole is None else int(np.argmax(whole.weight))
        best = self._likeliest[1]
        fit = self._fit(self._filter, slice(best, best + 1))
        if fit is None:
            return 0.0
        noise, variance = self._filter.predicted(self._elapsed_h(row))
        p = self.figure
        change = row.values - noise[best]
        own = float(fit.scale[0] * variance[best])
        doubt = float(change[:p] @ fit.cov[0] @ change[:p])
        return abs(float(change[p] - change[:p] @ fit.coef[0])) / math.sqrt(own + doubt)

    # -- levels -------------------------------------------------------------------------------------------------

    def take_out(self, since: int) -> None:
        """Take out every row of the present level that holds the median numbered `since` or a later one."""
        self._gathered = [p for p in self._gathered if p.number < since]
        if self._gathered:
            self._close()
        kept = [r for r in self.rows if r.level != self._level or r.number < since]
        self._held = None
        if len(kept) < len(self.rows):
            self.rows = kept
            self.sent = min(self.sent, since - 1)
            self._filter_again()

    def new_level(self) -> None:
        """The next median begins a new level; a short row that is gathered is dropped."""
        if self._gathered:
            self._close()
        self._ahead_hours = self._held = None
        self._level += 1

    def began(self, since_h: float) -> None:
        """The present level began at `since_h` running hours: rows of the one before it that lie behind that are its
        own, and one across it is of neither."""
        own = [r for r in self.rows if r.level == self._level - 1 and r.hours > since_h - ROW_HOURS / 2]
        if own:
            self.sent = min(self.sent, own[0].number - 1)
            across = [r for r in own if r.hours < since_h + ROW_HOURS / 2]
            for row in own:
                row.level = self._level
            self.rows = [r for r in self.rows if not any(r is x for x in across)]
            self._filter_again()

    # -- what is known ------------------------------------------------------------------------------------------

    @property
    def hours(self) -> float:
        """Running hours that the rows span, those between two levels not counted."""
        spans: dict[int, tuple[float, float]] = {}
        for row in self.rows:
            spans[row.level] = (spans.get(row.level, (row.hours, 0.0))[0], row.hours)
        return sum(last - first + ROW_HOURS for first, last in spans.values())

    @property
    def newest_hours(self) -> float:
        """Running hours of the newest row."""
        return self.rows[-1].hours if self.rows else -math.inf

    def off(self, points: list[Point]) -> float | None:
        """How far the mean of these points lies from the fit, in the figure's unit; `None` where the level has none."""
        fit = self.fit() if self.level_has_row else None
        if fit is None or not points:
            return None
        p, values = self.figure, self._mean(points).values
        return float(values[p] - values[:p] @ (fit.weight @ fit.coef))

    @property
    def level_known(self) -> bool:
        """Has the present level a row, or medians for one?"""
        return bool(self._gathered) or self.level_has_row

    @property
    def levels(self) -> int:
        """Levels that have rows, and the present one."""
        return len({r.level for r in self.rows} | {self._level})

    @property
    def level_has_row(self) -> bool:
        """Is there a row of the present level?"""
        return bool(self.rows and self.rows[-1].level == self._level)

    def fit(self) -> SlopeFit | None:
        """The fit of all levels; a level without a row yet stands on what is gathered for its first."""
        present = self._filter
        if self._filtered is not None and self._filtered.level != self._level:
            present = copy.copy(present)
            present.new_level()
            if self._gathered:
                present.add(self._mean(self._gathered).values, 0.0)
        return self._fit(present)

    def _fit(self, rows: RowFilter, models: slice = slice(None)) -> SlopeFit | None:
        p = self.figure
        return fit_slope(rows, self.varying(), (p + 1, p + 2), self.season_amplitude, models)

    def varying(self) -> list[bool]:
        """Which columns may enter the fit: level, hours, and what varies within a level by more than its resolution."""
        table, levels = self.table()[:, : self.figure], np.array([r.level for r in self.rows if r.used])
        spans = [np.ptp(table[levels == level], axis=0) for level in set(levels.tolist())]
        varies = np.max(spans, axis=0) > RESOLUTION if spans else np.ones(self.figure, bool)
        return [True, True, *varies[2:].tolist()]

    @property
    def figure(self) -> int:
        """The figure's column in a row of the fit."""
        return self.columns + 1

    def table(self) -> Floats:
        """The rows that are used, float[N, q + 4]: level … loading, loading not known, figure, sine, cosine."""
        used = [r.values for r in self.rows if r.used]
        return np.array(used) if used else np.zeros((0, self.columns + ADDED))

    def book_loadings(self, loadings: Loadings) -> None:
        """Take what is booked of the loading, for the rows that are there as well."""
        if loadings != self.loadings:
            self.loadings = loadings
            for row in self.rows:
                row.values = self._whole(np.array(self._means(row)), row.hours, row.utc_s)
            self._filter_again()

    def _whole(self, values: Floats, hours: float, utc_s: float) -> Floats:
        """A row of the fit from the means of its points, float[q + 4]."""
        known = [value for since_h, value in self.loadings if since_h <= hours]
        loading = (known[-1], 0.0) if known else (0.0, 1.0)
        angle = 2 * math.pi * utc_s / YEAR_S
        return np.concatenate((values[:-1], loading, values[-1:], (math.sin(angle), math.cos(angle))))

    def _mean(self, points: list[Point]) -> Row:
        """Their mean, under the newest one's number; rounded far below any resolution, to be short in the store."""
        utc_s = round(float(np.mean([p.utc_s for p in points])), 1)
        hours = round(float(np.mean([p.hours for p in points])), 4)
        values: Floats = np.array([p.row for p in points]).mean(axis=0).round(9)
        return Row(points[-1].number, utc_s, hours, self._whole(values, hours, utc_s), self._level)

    # -- over a restart -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The rows and what is gathered, as JSON-able lists and numbers; the filter follows from them."""
        return {
            "rows": [[r.number, r.utc_s, r.hours, self._means(r), r.level, r.used] for r in self.rows],
            "held": self._held is not None,
            "level": self._level,
            "gathered": [[p.number, p.utc_s, p.hours, p.row.tolist(), p.revolutions] for p in self._gathered],
            "pauses": [self.pauses, self._ahead_hours],
            "loadings": [list(since) for since in self.loadings],
            "sent": self.sent,
        }

    def _means(self, row: Row) -> list[float]:
        p = self.figure
        return [*row.values[: p - 2].tolist(), float(row.values[p])]

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`: what follows is the same to the bit."""
        self.loadings = tuple((hours, value) for hours, value in state["loadings"])
        self.rows = [
            Row(number, utc_s, hours, self._whole(np.array(values), hours, utc_s), level, used)
            for number, utc_s, hours, values, level, used in state["rows"]
        ]
        self._held = self.rows[-1] if state["held"] else None
        self._level, self.sent = state["level"], state.get("sent", 0)
        self._gathered = [Point(n, u, h, np.array(row), revs) for n, u, h, row, revs in state["gathered"]]
        self.pauses, self._ahead_hours = state["pauses"]
        self._filter_again()
