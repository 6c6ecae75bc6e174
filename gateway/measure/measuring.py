"""Measuring as one stage: the meter, and what it takes over minutes and over a restart."""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from gateway.link.breaks import StreamBreak
from gateway.measure.cutter import TURN
from gateway.measure.lost_motion import LostMotionPair, LostMotionWatch
from gateway.measure.medians import REVOLUTIONS_MIN, TenMinutes, Window
from gateway.measure.meter import Meter
from gateway.measure.seconds import Second
from gateway.measure.steadiness import Interruption, Steadiness
from gateway.measure.timing import TimingWatch
from gateway.measure.turn_shape import TurnShape
from gateway.model.enums import STANDING, Running
from gateway.model.records import Cycle
from gateway.model.settings import EngineSettings

PAUSE_US = 3_000_000
"""Between two seconds of a stream: the head has paused, and a burst begins."""
BURSTS_REMEMBERED = 3
"""The shortest of so many shows how long a burst is: one that was cut short must not cost the next its reading."""


class BurstLength:
    """How many whole seconds a burst has, learned from the last ones."""

    def __init__(self) -> None:
        self._lengths: deque[int] = deque(maxlen=BURSTS_REMEMBERED)
        self._seconds = 0
        self._last_us: int | None = None

    def second(self, t_us: int) -> None:
        """A whole second of the stream ends at `t_us`."""
        if self._last_us is not None and t_us - self._last_us > PAUSE_US:
            self._lengths.append(self._seconds)
            self._seconds = 0
        self._last_us = t_us
        self._seconds += 1

    def goes_on(self, most_s: float) -> bool:
        """Is more of this burst to come? Not asked of bursts longer than `most_s`, nor before one was seen whole."""
        length = min(self._lengths, default=0)
        return self._seconds < length <= most_s


@dataclass(frozen=True, slots=True)
class SlowMeans:
    """The present by the slow means; `None` = not known."""

    utc_s: float
    hours: float
    raw_deg: float | None
    spring_mm: float | None


@dataclass(frozen=True, slots=True)
class Closed:
    """Ten minutes are over, at `t_us`. `window`: `None` where they held too few revolutions. `shape`: of the lag over
    the same minutes, `None` where too few cycles were settled, or none is asked for. `warm`: the drive has had time to
    warm through."""

    t_us: int
    window: Window | None
    shape: TurnShape | None
    warm: bool


class Measuring:
    """Feed its meter the stream; then hand each of its steady cycles and seconds to this, in order."""

    def __init__(self, engine: EngineSettings, *, burst_pause_s: float, stale_us: int, reading_every_us: int) -> None:
        self._bursts = burst_pause_s > 0
        self.meter = Meter(engine, bursts=self._bursts, stale_us=stale_us)
        self._is_warm = False
        """At the last steady revolution the drive had had time to warm through, for what the trend takes."""
        self._lost_motion = LostMotionWatch(engine.lost_motion, bursts=self._bursts)
        self.timing = TimingWatch()
        self._ratio = engine.ratio
        self._steadiness = Steadiness(engine.running, burst_pause_s)
        self._medians = TenMinutes()
        self._warm_after_s = engine.running.trend_after_min * 60
        self._reading_every_us = reading_every_us
        self._reading_due_us = 0
        self._reading_held = False
        self._burst = BurstLength()
        self._restored_us: int | None = None

    def revolution(self, c: Cycle) -> Interruption | None:
        """A steady revolution: was steady running interrupted before it?"""
        m = self.meter
        return self._steadiness.revolution(c, m.since_steady_s, m.running, m.hours)

    def gather(self, c: Cycle) -> None:
        """Take a steady revolution into the ten minutes; `close` what is over first."""
        m = self.meter
        self._medians.cycle(c, m.hours.hours, m.health, m.load(), m.hours.pause_rpm if self._bursts else None)
        self._is_warm = m.running.under_way_s >= self._warm_after_s

    def close(self, t_us: int, utc_s: Callable[[int], float]) -> Closed | None:
        """The ten minutes that are over at `t_us`; `None` while they go on. `utc_s`: of a pipeline time."""
        if not self._medians.due(t_us):
            return None
        last_us, shapes = self._medians.last_us, self.meter.turn_shape
        window = self._medians.close(utc_s(last_us), self.meter.health)
        shape = None if shapes is None else shapes.take(self.hours, REVOLUTIONS_MIN)
        return Closed(last_us, window, shape, self._is_warm)

    def cycle(self, c: Cycle, utc_s: float) -> LostMotionPair | None:
        """A cycle, steady or not: is it the last that a measurement of the lost motion needs?"""
        m = self.meter
        return self._lost_motion.cycle(c, m.running.state, m.health, utc_s, self.hours)

    def turned(self, utc_s: Callable[[int], float]) -> LostMotionPair | None:
        """Ask once a second: has a whole turn on the turning gear just ended that measures the lost motion?

        `utc_s`: of a pipeline time."""
        m = self.meter
        if m.running.state not in STANDING:
            return None
        ended_us, raw_deg = m.turned_us(), m.turned_raw_deg()
        if ended_us is None or raw_deg is None:
            return None
        spring_mm = m.spring_now(ended_us).value
        return self._lost_motion.turned(ended_us, m.turned_way(), raw_deg, spring_mm, utc_s(ended_us), self.hours)

    @property
    def hours(self) -> float:
        """Running hours."""
        return self.meter.hours.hours

    def slow_means(self, utc_s: float) -> SlowMeans:
        """What the trend shows of the present, which is at `utc_s`."""
        m = self.meter
        return SlowMeans(utc_s, self.hours, m.lag.slow.value, m.spring.slow.value)

    def broke(self, at: StreamBreak) -> Second | None:
        """The stream broke. Returns the second that ends with it, if there is one."""
        if at.cause in ("time-step", "pause"):
            self.timing.stumbled(at.gap_us)
        return self.meter.gap(max(0, at.gap_us))

    def second(self, t_us: int) -> None:
        """A second is over."""
        s = self.meter.last_second
        if s is not None:
            self.timing.second(t_us, s.crank_travel / TURN, self.meter.cycles * self._ratio)
        self._steadiness.second(t_us, self.meter.running.state)

    def is_reading_due(self, t_us: int) -> bool:
        """Ask once a second, last of all."""
        self._burst.second(t_us)
        if t_us < self._reading_due_us:
            return False
        # It stands for the whole of the pause that follows: the mean of the burst, not of its first revolution.
        if self._bursts and self._burst.goes_on(self._reading_every_us / 1e6):
            return False
        # Started in the midst of a burst, the head's count of turns comes a second later; the reading stands for the
        # whole of the pause. Only once: it may never come.
        self._reading_held = self.meter.hours.behind and not self._reading_held
        if self._reading_held:
            return False
        self._reading_due_us = (t_us // self._reading_every_us + 1) * self._reading_every_us
        return True

    def jumped(self, series: Literal["lag", "spring"], level: float) -> None:
        """The slow mean would be between the two levels for hours: growth of the chain, which a jump is not."""
        mean = self.meter.lag if series == "lag" else self.meter.spring
        mean.slow.value = level

    def begin_window_again(self) -> None:
        """A jump lies in the ten minutes, and their middle would be of neither level."""
        self._medians.restart()
        if self.meter.turn_shape is not None:
            self.meter.turn_shape.begin_again()

    def doubt(self, lag: str, length: str) -> None:
        """Why a value is not to be called good while a step of it stands that its sensor may have made; or empty."""
        self.meter.lag_doubt, self.meter.length_doubt = lag, length

    def rebase(self, zero_deg: float | None, free_length_mm: float, *, lag: bool, spring: bool) -> None:
        """Count from a new datum. `lag`, `spring`: the work has moved it."""
        self.meter.zero_deg, self.meter.free_length_mm = zero_deg, free_length_mm
        if lag:
            # What the mean holds is from before the work; entered under way it stands, since nothing was moved.
            if self.meter.running.state is not Running.AHEAD:
                self.meter.lag.restart()
            self.meter.sensors.zeroed()
        if spring:
            self.meter.spring.restart()
            self.meter.ripple.begin_again()

    def measured_otherwise(self, *, lag: bool, spring: bool) -> None:
        """The settings were changed: what the means hold was measured by the old ones."""
        if lag:
            self.meter.lag.restart()
        if spring:
            self.meter.spring.restart()
            self.meter.ripple.begin_again()

    # -- over a restart -----------------------------------------------------------------------------------------

    def caught_up(self, t_us: int) -> None:
        """The next frame's time is `t_us`: what passed while nobody looked is a gap, which the count of turns fills."""
        if self._restored_us is None:
            return
        unseen_us = max(0, t_us - self._restored_us)
        self.meter.gap(unseen_us)
        self._restored_us = None
        self._steadiness.resumed(t_us, unseen_us)

    def state(self) -> dict[str, object]:
        """What a restart needs."""
        return {"meter": self.meter.checkpoint(), **self._steadiness.state(self.meter.running.state)}

    def restore(self, kept: Mapping[str, object], t_us: int) -> None:
        """Go on from `state`. `t_us`: pipeline time as it was kept."""
        meter = kept["meter"]
        if not isinstance(meter, dict):  # no assertion: those are gone under -OO
            raise TypeError("meter: not what was kept")
        self.meter.restore(meter)
        self._steadiness.restore(kept)
        # Not the timeline's: it comes to a burst's first health frame before the pause has been counted.
        self._restored_us = self.meter.seen_us or t_us
