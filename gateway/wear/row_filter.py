"""Generalised least squares under every noise model of the grid at once, by one Kalman step a row.

A row is whitened under each model: its innovation against the one-step prediction, over the innovation's standard
deviation. The gain depends on the model and the gaps alone, so all columns (regressors, figure, season) are filtered
with the same gain, and the sums of products of whitened columns are those of generalised least squares (Harvey 1989,
*Forecasting, Structural Time Series Models and the Kalman Filter*, section 3.4.2).

A new level (after a step, a re-zero, a retightening) restarts the noise's state, and the old level is eliminated from
the sums: slope and coefficients stay common.
"""

from typing import NamedTuple

import numpy as np

from gateway.wear.noise_grid import NoiseGrid
from gateway.wear.regression import Floats, without_first

LEVEL = 0
"""The column of the level, 1 in every row."""


class LevelSums(NamedTuple):
    """What is kept of one or more levels. `products`: float[G, q, q]; `logs`: ln |V| and eliminated levels, float[G].

    `plain`: products without whitening, float[q, q], level eliminated for past levels. `rows`: how many.
    """

    products: Floats
    logs: Floats
    plain: Floats
    rows: int


def _empty(models: int, columns: int) -> LevelSums:
    return LevelSums(np.zeros((models, columns, columns)), np.zeros(models), np.zeros((columns, columns)), 0)


class RowFilter:
    """Filters rows float[q] under G models; about 0.2 ms a row for 325 models and a dozen columns."""

    def __init__(self, grid: NoiseGrid, columns: int) -> None:
        self.grid = grid
        self.columns = columns
        self.past = _empty(len(grid.prior), columns)
        """The levels before the present one, each eliminated."""
        self.past_levels = 0
        self._begin_level()

    def _begin_level(self) -> None:
        self.present = _empty(len(self.grid.prior), self.columns)
        self._mean = np.zeros((len(self.grid.prior), 3, self.columns))
        self._cov = self.grid.stationary()
        self._move: tuple[float, Floats, Floats] | None = None

    @property
    def rows(self) -> int:
        """Rows filtered, of all levels."""
        return self.past.rows + self.present.rows

    @property
    def spare(self) -> int:
        """Rows less the levels eliminated."""
        return self.rows - self.past_levels

    def predicted(self, elapsed_h: float) -> tuple[Floats, Floats]:
        """One-step prediction of the noise float[G, q] and its variance float[G], `elapsed_h` after the last row."""
        mean, cov = self._ahead(elapsed_h)
        gain = cov[:, :, 0] + cov[:, :, 1]
        return mean[:, 0] + mean[:, 1], gain[:, 0] + gain[:, 1] + self.grid.white

    def add(self, row: Floats, elapsed_h: float) -> None:
        """Filter the next row of the present level, `elapsed_h` hours after the one before it."""
        mean, cov = self._ahead(elapsed_h)
        gain = cov[:, :, 0] + cov[:, :, 1]
        variance = gain[:, 0] + gain[:, 1] + self.grid.white
        innovation = row - mean[:, 0] - mean[:, 1]
        share = gain / variance[:, None]
        mean += share[:, :, None] * innovation[:, None, :]
        cov -= share[:, :, None] * gain[:, None, :]
        self._mean, self._cov = mean, cov
        white = innovation / np.sqrt(variance)[:, None]
        p = self.present
        self.present = LevelSums(
            p.products + white[:, :, None] * white[:, None, :],
            p.logs + np.log(variance),
            p.plain + np.outer(row, row),
            p.rows + 1,
        )

    def _ahead(self, elapsed_h: float) -> tuple[Floats, Floats]:
        """The state before the next row: mean float[G, 3, q], covariance float[G, 3, 3]."""
        if not self.present.rows:
            return self._mean.copy(), self._cov.copy()
        if self._move is None or self._move[0] != elapsed_h:
            self._move = (elapsed_h, *self.grid.transition(elapsed_h))
        _, move, added = self._move
        return move @ self._mean, move @ self._cov @ move.transpose(0, 2, 1) + added

    def new_level(self) -> None:
        """The next row begins a new level: restart the state, eliminate the level, keep slope and coefficients."""
        if self.present.rows:
            products, log_level = without_first(self.present.products)
            plain = without_first(self.present.plain[None])[0][0]
            self.past = LevelSums(
                self.past.products + products,
                self.past.logs + self.present.logs + log_level,
                self.past.plain + plain,
                self.past.rows + self.present.rows,
            )
            self.past_levels += 1
        self._begin_level()

    def sums(self) -> LevelSums:
        """All levels together; column `LEVEL` is the present one's."""
        return LevelSums(
            self.past.products + self.present.products,
            self.past.logs + self.present.logs,
            self.past.plain + self.present.plain,
            self.rows,
        )
