"""Running state from the crank's speed, second by second."""

from collections import deque

from gateway.measure.waves import BurstWaves, Waves
from gateway.model.enums import Running
from gateway.model.settings import RunningSettings

REST_GAP_S = 60.0
"""An engine does not start, run and stop again within so short a silence."""
STANDSTILL_RPM = 0.02
"""Below this the crank stands: a dithering encoder of 14,400 counts shows a quarter of it."""

BURST_STEADY_S = 3.0
"""A head that sends bursts of a few seconds shows no more; the speed before the pause is taken for the rest."""


class RunningState:
    """Stopped, turning, changing, steady ahead, steady astern; unknown until heard, and when the crank is not valid.

    Steady means that the speed, averaged over `SPAN_S`, has stayed within `steady_rpm` for `steady_s`; once steady, it
    may wander half as far again before it is called changing. In heavy weather the speed hunts with the waves; it is
    steady then while its mean over whole waves is.
    """

    SPAN_S = 3.0

    def __init__(self, settings: RunningSettings, *, bursts: bool = False) -> None:
        self._s = settings
        self._bursts = bursts
        self._need_s = settings.steady_s
        self._seconds: deque[tuple[float, float]] = deque()
        self._speeds: deque[float] = deque()
        self._spans_s: deque[float] = deque()
        self._least = self._most = 0.0
        self._held_s = 0.0
        self._waves: Waves | BurstWaves = BurstWaves() if bursts else Waves()
        self.state = Running.UNKNOWN
        self.rpm: float | None = None
        self.under_way_s = 0.0
        """Seconds since the crank began to run in its present direction; what warms the drive."""
        self.rest_s = 0.0
        """Seconds for which it was seen to stand or to be on the turning gear; never more than it did."""

    def lost(self) -> None:
        """Nothing is heard, or the crank is not valid: what the engine does is not known."""
        self.state, self.rpm = Running.UNKNOWN, None
        self.rest_s = 0.0
        self._clear()

    def gap(self, gap_s: float) -> None:
        """The stream paused for `gap_s`. Between bursts a steady engine is taken to have gone on as it was."""
        if gap_s > REST_GAP_S:
            self.rest_s = 0.0
        steady = self.state in (Running.AHEAD, Running.ASTERN)
        if self._bursts and steady:
            self.under_way_s += gap_s
        if gap_s >= self.SPAN_S:
            self._seconds.clear()
            self._waves.pause()
            if not self._bursts:
                self._clear()

    def _clear(self) -> None:
        self._seconds.clear()
        self._forget_speeds()

    def _forget_speeds(self) -> None:
        self._speeds.clear()
        self._spans_s.clear()
        self._held_s = 0.0
        self._waves.forget()

    def second(self, rpm: float, span_s: float) -> Running:
        """Take one second's mean speed (signed) and return what the engine does."""
        seconds = self._seconds
        seconds.append((rpm, span_s))
        total = weighted = 0.0
        for _, span in seconds:
            total += span
        while total - seconds[0][1] >= self.SPAN_S:
            total -= seconds.popleft()[1]
        for r, span in seconds:
            weighted += r * span
        self.rpm = mean = weighted / total
        self._judge(mean, span_s)
        return self.state

    def _judge(self, rpm: float, span_s: float) -> None:
        speed = abs(rpm)
        if speed < self._s.turning_rpm:
            self.state = Running.STOPPED if speed < STANDSTILL_RPM else Running.TURNING
            self.under_way_s = 0.0
            self.rest_s += span_s
            self._forget_speeds()
            return
        self.rest_s = 0.0
        if self._speeds and self._speeds[-1] * rpm < 0:
            self._forget_speeds()
            self.under_way_s = 0.0
        self.under_way_s += span_s
        self._hold(rpm, span_s)
        self._waves.second(rpm, span_s)
        need_s = min(self._s.steady_s, BURST_STEADY_S) if self._bursts else self._s.steady_s
        while self._held_s - self._spans_s[0] >= need_s:
            self._let_go()
        wander = self._most - self._least
        way = Running.AHEAD if rpm > 0 else Running.ASTERN
        if self.state is way and wander <= 1.5 * self._s.steady_rpm:
            return
        bar_rpm = (1.5 if self.state is way else 1.0) * self._s.steady_rpm
        constant = wander <= self._s.steady_rpm
        if self._held_s >= need_s - 0.5 and (constant or self._waves.steady(bar_rpm)):
            self.state = way
        else:
            self.state = Running.CHANGING

    def _hold(self, rpm: float, span_s: float) -> None:
        first = not self._speeds
        self._speeds.append(rpm)
        self._spans_s.append(span_s)
        self._held_s += span_s
        if first or rpm > self._most:
            self._most = rpm
        if first or rpm < self._least:
            self._least = rpm

    def _let_go(self) -> None:
        self._held_s -= self._spans_s.popleft()
        gone = self._speeds.popleft()
        # Sought again only where it may have been this one: all are looked through seldom.
        if gone == self._most:
            self._most = max(self._speeds)
        if gone == self._least:
            self._least = min(self._speeds)

    def checkpoint(self) -> dict[str, object]:
        """What a restart needs; the speeds themselves are seen again within seconds."""
        return {"under_way_s": self.under_way_s}

    def restore(self, kept: dict[str, object]) -> None:
        """Take up a checkpoint: the state is judged again, the time under way goes on."""
        self.under_way_s = float(str(kept.get("under_way_s", 0.0)))
