"""The lag over the crank angle, summed over the steady cycles of ten minutes: what the shape's witness is made from."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cutter import BINS_PER_TURN

ORDERS_PER_TURN = 16
"""Orders of the crank that are followed: the drive rings among them, and shows a cam there best."""
GATHERED_MAX = 64
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class TurnShape:
    """Ten minutes. `orders_deg`: complex[16·ratio], lag by orders of the working cycle, 1 first, in degrees:
    `lag(θ) = Re Σ orders·exp(i·k·θ/ratio)`. `cycles`: how many. `rpm`, `load`: means; `load` `None` = not fitted.
    """

    hours: float
    orders_deg: Complexes
    cycles: int
    rpm: float
    load: float | None


class TurnShapeSum:
    """Sums the cycles' shapes: one addition for 64 of them, so that a cycle costs no more than being remembered."""

    def __init__(self, ratio: int) -> None:
        self._ratio = ratio
        self.begin_again()

    def begin_again(self) -> None:
        """Forget what was summed."""
        self._sum = np.zeros(BINS_PER_TURN * self._ratio)
        self._shapes: list[NDArray[np.float64]] = []
        self._cycles, self._rpm_sum, self._load_sum, self._loads = 0, 0.0, 0.0, 0

    def add(self, shape_deg: NDArray[np.float64], rpm: float, load: float | None) -> None:
        """A steady cycle: float64[64·ratio], lag over equal steps of crank angle from its mean."""
        self._shapes.append(shape_deg)
        self._cycles += 1
        self._rpm_sum += rpm
        if load is not None:
            self._load_sum += load
            self._loads += 1
        if len(self._shapes) == GATHERED_MAX:
            self._sum_up()

    def take(self, hours: float, cycles_min: int) -> TurnShape | None:
        """Close the ten minutes; `None` where they held too few cycles."""
        self._sum_up()
        cycles, rpm, loads = self._cycles, self._rpm_sum, self._loads
        mean, load = self._sum / max(cycles, 1), self._load_sum / max(loads, 1)
        self.begin_again()
        if cycles < cycles_min:
            return None
        return TurnShape(hours, orders_of(mean, self._ratio), cycles, rpm / cycles, load if loads else None)

    def _sum_up(self) -> None:
        if self._shapes:
            self._sum += np.sum(self._shapes, axis=0)
            self._shapes.clear()


def orders_of(shape_deg: NDArray[np.float64], ratio: int) -> Complexes:
    """complex[16·ratio]: a shape of equal steps by orders of the working cycle.

    A step is a mean over its width, which shrinks the order by a sinc: divided out. Angles are of the step's middle.
    """
    n = len(shape_deg)
    k = np.arange(1, ORDERS_PER_TURN * ratio + 1)
    spectrum = np.fft.rfft(shape_deg)[k] * (2 / n) / np.sinc(k / n)
    out: Complexes = spectrum * np.exp(-1j * np.pi * k / n)
    return out


def shape_of(orders_deg: Complexes, ratio: int, points: int) -> NDArray[np.float64]:
    """float64[points]: the lag from its mean over the working cycle, at the middle of equal steps."""
    angle = (np.arange(points) + 0.5) * (2 * np.pi / points)
    k = np.arange(1, len(orders_deg) + 1)
    out: NDArray[np.float64] = (orders_deg @ np.exp(1j * np.outer(k, angle))).real
    return out
