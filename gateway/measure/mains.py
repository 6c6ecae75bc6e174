"""Mains ripple in the loop: a line at 50 or 60 Hz that stays there whatever the shaft does, and so is not the chain's.

The chain has lines at whole orders of the crank, the tooth mesh above all (60 Hz at 80 rpm with 45 teeth), so a line
counts as the mains' only while it lies beside all of them.
"""

from collections import deque
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gateway.model.records import CAM_VALID, CRANK_VALID, LOOP_VALID, SampleBlock
from gateway.model.settings import Chain

EVERY_US = 5_000_000
LOOK_US = 1_000_000
LINES_HZ = (50.0, 60.0)
OFF_HZ = 0.3
"""By so much aboard the mains' frequency may be off (common practice, no source)."""
BESIDE_HZ = 0.1
LINE_UA = 40.0
"""Amplitude from which it matters: 0.2 mm of 80 mm."""
PART = 0.5
"""Of the loop's variation within the second."""
LOOKS, ENOUGH, LEFT = 10, 5, 2
RATE_HZ_MIN = 150.0
ALL_VALID = CRANK_VALID | CAM_VALID | LOOP_VALID
Floats = NDArray[np.float64]
Counts = NDArray[np.uint16]


def tooth_orders(chain: Chain) -> tuple[float, ...]:
    """The tooth mesh of each chain, in orders of the crank."""
    first = float(chain.crank_teeth)
    return (first,) if chain.second is None else (first, first / chain.cam_teeth * chain.second.drive_teeth)


class MainsLook(NamedTuple):
    """One second looked at. `hz`: of the mains' line in it, 0 where there is none."""

    hz: float


class MainsWatch:
    """Feed it all blocks; one second in five is looked at. Take the looks in the stream's order: `text` names the
    noise while it stands."""

    def __init__(self, tooth_orders: tuple[float, ...]) -> None:
        """`tooth_orders`: strongest lines of the chain, orders of the crank."""
        self._teeth = tooth_orders
        self._due_us = 0
        self._held: list[tuple[Counts, Counts]] = []
        self._begin_us = 0
        self._found: deque[float] = deque(maxlen=LOOKS)
        self.text = ""

    def block(self, block: SampleBlock) -> list[tuple[int, MainsLook]]:
        """The next block: the looks that end in it, each with its frame."""
        if not self._held and int(block.head_us[-1]) < self._due_us:
            return []
        if block.valid & ALL_VALID != ALL_VALID or block.interval_ns * RATE_HZ_MIN > 1e9:
            self._held = []
            return []
        looks = []
        starts = block.starts.tolist()
        for k, t_us in enumerate(block.head_us.tolist()):
            if not self._held and t_us < self._due_us:
                continue
            end = starts[k + 1] if k + 1 < len(starts) else len(block.loop)
            if self._gathered(block, t_us, slice(starts[k], end), joined=k > 0 or block.joined):
                looks.append((k, self._look(block.interval_ns / 1e9)))
        return looks

    def _gathered(self, block: SampleBlock, t_us: int, samples: slice, *, joined: bool) -> bool:
        """Take a frame; is the second full?"""
        if not joined:
            self._held = []
        if not self._held:
            self._begin_us = t_us
        self._held.append((block.loop[samples], block.crank[samples]))
        n = len(self._held[-1][1])
        return t_us + n * block.interval_ns // 1000 - self._begin_us >= LOOK_US

    def _look(self, interval_s: float) -> MainsLook:
        x = np.concatenate([loop for loop, _ in self._held]).astype(np.float64)
        crank = [crank for _, crank in self._held]
        self._held, self._due_us = [], self._begin_us // EVERY_US * EVERY_US + EVERY_US
        x -= x.mean()
        return MainsLook(next((hz for hz in LINES_HZ if self._is_mains(x, interval_s, hz, crank)), 0.0))

    def take(self, look: MainsLook) -> None:
        """The next look."""
        self._found.append(look.hz)
        n = sum(hz > 0 for hz in self._found)
        if n >= ENOUGH:
            hz = max(LINES_HZ, key=self._found.count)
            self.text = f"{hz:.0f} Hz mains ripple in the loop: electrical noise, check the screen and the supply"
        elif n < LEFT:
            self.text = ""

    def _is_mains(self, x: Floats, interval_s: float, hz: float, crank: list[Counts]) -> bool:
        """Is a line here, on its own, and beside all that the shaft could make?"""
        half, wave = len(x) // 2, _wave(len(x), interval_s, hz)
        first, second = (x[part] @ wave[part] / half for part in (slice(half), slice(half, 2 * half)))
        amplitude = float(abs(first + second))
        if amplitude < LINE_UA or amplitude**2 / 2 < PART * float(x @ x) / len(x):
            return False
        # The phase that the line gains from one half to the next is how far it lies off.
        off_hz = float(np.angle(second / first)) / (2 * np.pi * half * interval_s)
        return abs(off_hz) <= OFF_HZ and self._is_beside(hz + off_hz, _turns_hz(crank, interval_s))

    def _is_beside(self, hz: float, turns_hz: float) -> bool:
        if turns_hz <= 0:
            return True
        order = hz / turns_hz
        if any(abs(order - tooth) < 1.0 for tooth in self._teeth):
            return False
        return abs(order - round(order)) * turns_hz > BESIDE_HZ


def _turns_hz(crank: list[Counts], interval_s: float) -> float:
    """Turns of the crank in a second, without sign; asked for only where there is a line."""
    steps = np.diff(np.concatenate(crank)).view(np.int16)
    return abs(int(steps.sum(dtype=np.int64))) / 65_536 / (len(steps) * interval_s)


@lru_cache(maxsize=8)
def _wave(n: int, interval_s: float, hz: float) -> NDArray[np.complex128]:
    """The line at `hz`, turned the other way; a head has one or two lengths of a second."""
    wave: NDArray[np.complex128] = np.exp(-2j * np.pi * hz * interval_s * np.arange(n))
    return wave
