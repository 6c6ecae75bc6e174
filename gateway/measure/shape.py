"""The lag over the crank angle, averaged over revolutions; summed only now and then, since it is seldom looked at."""

import numpy as np
from numpy.typing import NDArray

GATHERED_MAX = 64


class ShapeMean:
    """Exponentially weighted mean of one cycle's shape; each counts by its share of `tau_s`."""

    def __init__(self, tau_s: float) -> None:
        self._tau_s = tau_s
        self._mean: NDArray[np.float64] | None = None
        self._shapes: list[NDArray[np.float64]] = []
        self._durations_s: list[float] = []

    def add(self, shape_deg: NDArray[np.float64], duration_s: float) -> None:
        """One cycle: float64[64·ratio], lag over equal steps of crank angle from its mean."""
        self._shapes.append(shape_deg)
        self._durations_s.append(duration_s)
        if len(self._shapes) == GATHERED_MAX:
            self._sum_up()

    @property
    def mean_deg(self) -> NDArray[np.float64] | None:
        """float64[64·ratio]; `None` before the first cycle."""
        if self._shapes:
            self._sum_up()
        return self._mean

    def _sum_up(self) -> None:
        share = np.minimum(1.0, np.array(self._durations_s) / self._tau_s)
        if self._mean is None:
            # The first stands for all before it.
            share[0], self._mean = 1.0, np.zeros_like(self._shapes[0])
        # What is left of the mean before each of them, after all that followed it.
        left = np.cumprod((1.0 - share)[::-1])[::-1]
        after = np.append(left[1:], 1.0)
        self._mean = left[0] * self._mean + (share * after) @ np.array(self._shapes)
        self._shapes.clear()
        self._durations_s.clear()
