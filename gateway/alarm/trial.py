"""The end of a trial alarm, by the time of the person who waits for it: head time may stand still, or run faster."""

from gateway.alarm.machine import Alarm, Finding
from gateway.model.records import Transition

TRIAL_S = 120.0
"""Interface, section 3: a trial ends by itself after two minutes."""


class Trial:
    """Ask it now and then with the gateway's monotonic clock; an act raised the alarm."""

    def __init__(self, alarm: Alarm) -> None:
        self._alarm = alarm
        self._began_s: float | None = None

    def passes(self, mono_s: float, now_us: int) -> list[Transition]:
        """Time goes on; the transition where the trial is over. After a restart its time begins again."""
        if not self._alarm.facts.active:
            self._began_s = None
            return []
        if self._began_s is None:
            self._began_s = mono_s
        if mono_s - self._began_s < TRIAL_S:
            return []
        return self._alarm.judge(now_us, Finding(False))
