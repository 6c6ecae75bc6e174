"""Spike gate and exponentially weighted means for uneven steps."""

import math
from collections import deque
from collections.abc import Sequence

MAD_TO_SIGMA = 1.4826
"""1/Φ⁻¹(0.75), so that the median absolute deviation of normal noise estimates its standard deviation."""


def median(values: Sequence[float]) -> float:
    """Middle of the sorted values, the mean of the two middle ones where their count is even."""
    s = sorted(values)
    n = len(s)
    return s[n // 2] if n % 2 else 0.5 * (s[n // 2 - 1] + s[n // 2])


def is_spike(window: Sequence[float], value: float, k: float, floor: float = 0.0) -> bool:
    """Hampel's identifier: is `value` further from the window's median than k·1.4826·MAD, or than `floor` if larger?

    `floor` keeps a window of equal values, whose MAD is zero, from refusing the smallest change.
    """
    m = median(window)
    off = abs(value - m)
    return off > floor and off > k * MAD_TO_SIGMA * median([abs(v - m) for v in window])


class SpikeGate:
    """Refuses spikes among the last values; a real step goes through once it holds the middle of the window."""

    def __init__(self, size: int, k: float, floor: float) -> None:
        self._k, self._floor = k, floor
        self.window: deque[float] = deque(maxlen=size)

    @property
    def full(self) -> bool:
        """Has the window as many values as it holds?"""
        return len(self.window) == self.window.maxlen

    def admits(self, value: float) -> bool:
        """Take a value into the window; may it pass? The first three do: there is nothing to compare with."""
        window = self.window
        window.append(value)
        # Nearly all lie within the floor, whatever the deviations are.
        if len(window) < 4 or abs(value - median(window)) <= self._floor:
            return True
        return not is_spike(window, value, self._k, self._floor)

    def mean(self) -> float:
        """Mean of the window without its spikes; of fewer than four values the median, which one spike cannot move."""
        window = self.window
        if len(window) < 4:
            return median(window)
        sound = [v for v in window if not is_spike(window, v, self._k, self._floor)]
        return sum(sound) / len(sound)


class Ewma:
    """Exponentially weighted mean for uneven steps: α = 1 − exp(−Δt/τ). Starts at the first value."""

    def __init__(self, tau_s: float, value: float | None = None) -> None:
        self.tau_s = tau_s
        self.value = value

    def update(self, value: float, dt_s: float) -> float:
        """Take a value that stands for the `dt_s` seconds before it; returns the mean."""
        if self.value is None:
            self.value = value
        else:
            self.value -= math.expm1(-dt_s / self.tau_s) * (value - self.value)
        return self.value


class Smoother:
    """One figure's way from revolutions to display and trend: gate, fast mean, slow mean."""

    def __init__(self, gate: SpikeGate, fast_s: float, slow_s: float) -> None:
        self._gate = gate
        self.fast, self.slow = Ewma(fast_s), Ewma(slow_s)
        self.seen_s = 0.0
        self.spikes = 0
        self._after_pause = False

    def update(self, value: float, dt_s: float) -> bool:
        """Take one revolution's value; False where the gate refused it."""
        admitted = self._gate.admits(value)
        if self._after_pause:
            self._after_pause = not self._gate.full
            if self._after_pause:
                self.fast.value = self._gate.mean()
        if not admitted:
            self.spikes += 1
            return False
        if not self._after_pause:
            self.fast.update(value, dt_s)
        self.slow.update(value, dt_s)
        self.seen_s += dt_s
        return True

    def pause(self) -> None:
        """So long nothing was seen that what was before is no measure: until the gate's window is full again the fast
        mean is that of the revolutions since without the spikes; one among the first three cannot move it."""
        self._gate.window.clear()
        self._after_pause = True

    def begin_again(self) -> None:
        """After a standstill: gate and fast mean begin again, the slow mean goes on."""
        self._gate.window.clear()
        self._after_pause = False
        self.fast.value = None
        self.seen_s = 0.0

    def restart(self) -> None:
        """Forget: what comes now has another meaning (a new zero, a new spring setting)."""
        self.begin_again()
        self.slow.value = None

    def checkpoint(self) -> dict[str, object]:
        """All that a restart needs to go on as if nothing had happened."""
        return {
            "window": list(self._gate.window),
            "fast": self.fast.value,
            "slow": self.slow.value,
            "seen_s": self.seen_s,
            "after_pause": self._after_pause,
        }

    def restore(self, kept: dict[str, object]) -> None:
        """Go on from a checkpoint."""
        window, fast, slow = kept["window"], kept["fast"], kept["slow"]
        if not isinstance(window, list):  # no assertion: those are gone under -OO
            raise TypeError("window: not what was kept")
        self._gate.window.extend(window)
        self.fast.value = fast if isinstance(fast, float) else None
        self.slow.value = slow if isinstance(slow, float) else None
        self.seen_s = float(str(kept["seen_s"]))
        self._after_pause = bool(kept.get("after_pause", False))
