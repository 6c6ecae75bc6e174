"""Has the engine run on steadily since the last revolution, over a pause of the head or a restart of the gateway?"""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.measure.hours import HoursMeter
from gateway.measure.running import RunningState
from gateway.model.enums import STANDING, Running
from gateway.model.records import Cycle
from gateway.model.settings import RunningSettings

GLANCE_S = 60.0
"""A restart that misses no more leaves steady running uninterrupted; in bursts, one that misses none of them."""
CATCH_UP_US = 120_000_000
"""After a restart, how long steady running is looked for before it counts as interrupted."""


@dataclass(frozen=True, slots=True)
class Interruption:
    """Steady running is back. `warm`: a warm drive ran on meanwhile, and only its speed was changed. `stood`: it was
    seen to stand, and is back at a normal speed: hands may have been on the drive. `slow`: it is not back at a normal
    speed yet."""

    warm: bool
    stood: bool = False
    slow: bool = False


class Steadiness:
    """Look at each second and at each steady revolution; a restart must see the speed again before it knows."""

    def __init__(self, settings: RunningSettings, burst_pause_s: float) -> None:
        self._s = settings
        self._bursts = burst_pause_s > 0
        self._near_s = max(GLANCE_S, 1.5 * burst_pause_s)
        """No longer than between two bursts: what happened meanwhile is judged as it would have been there."""
        self._was_steady = True
        self._stood = False
        self._restored_steady = False
        self._catching_up_until_us = 0

    def second(self, t_us: int, state: Running) -> None:
        """A second is over, in which the engine did this."""
        if state is not Running.CHANGING or t_us > self._catching_up_until_us:
            self._catching_up_until_us = 0
        steady = state is Running.AHEAD or self._catching_up_until_us > 0
        self._was_steady = self._was_steady and steady
        self._stood = self._stood or state in STANDING

    def revolution(self, c: Cycle, since_s: float, running: RunningState, hours: HoursMeter) -> Interruption | None:
        """A steady revolution, `since_s` after the last: was steady running interrupted before it?"""
        was_steady, self._was_steady = self._was_steady, True
        restored, self._restored_steady = self._restored_steady, False
        if was_steady or (restored and hours.ran_through):
            return None
        turned = not self._bursts or hours.pause_rpm is not None
        warm = running.under_way_s >= self._s.trend_after_min * 60
        normal = self._s.rpm_min <= c.rpm <= self._s.rpm_max
        # On the way out of port it runs steadily at low speeds first: that it stood is not over with those.
        stood = self._stood and normal
        self._stood = self._stood and not normal
        return Interruption(since_s <= self._near_s and turned and warm and normal, stood, not normal)

    def resumed(self, t_us: int, unseen_us: int) -> None:
        """After a restart the first frame has come, `unseen_us` after the last that was seen before it."""
        if self._restored_steady and unseen_us <= round(1e6 * self._near_s):
            self._catching_up_until_us = t_us + CATCH_UP_US

    def state(self, state: Running) -> dict[str, object]:
        """What a restart needs: did the engine run steadily to the last, and has it stood since it last did?"""
        return {"steady": self._was_steady and state is Running.AHEAD, "stood": self._stood}

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from `state`, or from one of before either was kept."""
        self._restored_steady, self._stood = bool(kept.get("steady")), bool(kept.get("stood"))
