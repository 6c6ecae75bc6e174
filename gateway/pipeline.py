"""The whole path on one page: bytes → frames → samples → revolutions → reading → wear → alarms → what is said.

One `EnginePipeline` per engine and head. Pure: no disk, no socket, no clock; time is an argument. The same bytes always
say the same thing, however they are split, so that a capture replays to the byte what the daemon published.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from gateway.alarm.acts import Act, perform
from gateway.alarm.calm import Calm, Figures, calm
from gateway.alarm.judge import Evidence, StepSeen, WearSeen, judge
from gateway.alarm.machine import AlarmSet
from gateway.alarm.table import ENGINE_TAGS, ROWS
from gateway.link.blocks import Run
from gateway.link.breaks import Mark
from gateway.link.decoder import Decoder
from gateway.link.loss import LinkWatch
from gateway.link.runs import runs
from gateway.measure.hours import WAVES_RPM
from gateway.measure.medians import TenMinutes
from gateway.measure.meter import Meter
from gateway.measure.seconds import Second
from gateway.measure.timeline import Now, Timeline
from gateway.model.enums import STANDING, Running
from gateway.model.records import Cycle, Identity, Median, Reading, Transition
from gateway.model.settings import Settings
from gateway.wear import bookings
from gateway.wear.geometry import tooth_pitches_deg
from gateway.wear.logbook import Datum, rebase
from gateway.wear.steps import SETTLE, SETTLE_IN_BURSTS, Jump, JumpDetector
from gateway.wear.trend import EngineWear, Series, Side, Trend, nearest

SILENT_S = 5.0
"""Interface, section 3: no good frame for 5 s, or for three times the usual pause of bursts."""

GLANCE_S = 60.0
"""A restart that misses no more leaves steady running uninterrupted; in bursts, one that misses none of them."""
CATCH_UP_US = 120_000_000
"""After a restart, how long steady running is looked for before it counts as interrupted."""


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """An alarm changed its state, at `utc_s` and `hours` running hours. `since_utc_s`: when it was last raised."""

    transition: Transition
    utc_s: float
    hours: float | None
    since_utc_s: float | None = None


@dataclass(frozen=True, slots=True)
class ReadingDue:
    """The present, every `reading_every_s`."""

    reading: Reading
    utc_s: float


@dataclass(frozen=True, slots=True)
class MedianDue:
    """Ten minutes of steady running are over."""

    median: Median


@dataclass(frozen=True, slots=True)
class TrendDue:
    """Wear, forecast and decision, each hour and after each adjustment."""

    trend: Trend


@dataclass(frozen=True, slots=True)
class WrongHead:
    """Another head than configured is on the port; it is not measured."""

    heard: str
    wanted: str


Output = AlarmChanged | ReadingDue | MedianDue | TrendDue | WrongHead


class EnginePipeline:
    """From one head's bytes to what is said of one engine. Not thread-safe: it has one owner."""

    def __init__(
        self,
        settings: Settings,
        engine_slug: str,
        start_utc_s: float = 0.0,
        log: Sequence[bookings.Entry] = (),
    ) -> None:
        """`log`: what was booked of this engine so far."""
        self.engine = next(e for e in settings.engine if e.slug == engine_slug)
        self.head = next(h for h in settings.head if h.slug == self.engine.head)
        self.timeline = Timeline(settings.time.source, start_utc_s)
        self.decoder = Decoder()
        self._silent_after_s = max(SILENT_S, 3 * self.head.burst_pause_s)
        self._bursts = self.head.burst_pause_s > 0
        self.meter = Meter(self.engine, bursts=self._bursts, stale_us=round(self._silent_after_s * 1e6))
        rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
        self.alarms = AlarmSet(rows, self.engine.alarms, self.engine.slug, repeat_min=settings.gateway.repeat_min)
        self.identity: Identity | None = None
        self.wear = EngineWear(self.engine, rebase(self.engine, log))
        self.wear_seen = WearSeen()
        self.last_trend: Trend | None = None
        self.link = LinkWatch()
        self.medians = TenMinutes()
        settle = SETTLE_IN_BURSTS if self._bursts else SETTLE
        self._lag_jump = JumpDetector(self.engine.lag.step_deg, min(tooth_pitches_deg(self.engine)), settle)
        self._spring_jump = JumpDetector(self.engine.tightener.step_mm, settle=settle)
        self._reading_every_us = round(settings.gateway.reading_every_s * 1e6)
        self._reading_due_us = 0
        self._reading_held = False
        self._trend_every_us = round(settings.gateway.trend_every_min * 60e6)
        self._trend_due_us = self._trend_every_us
        self._trend_medians = 0
        self._settle_s = self.engine.running.settle_min * 60
        self._trend_after_s = self.engine.running.trend_after_min * 60
        self._warm = False
        self._head_clock = settings.time.source == "head"
        self._heard: Now | None = None
        self._silent_s = 0.0
        self._wrong_head = False
        self._restored_us: int | None = None
        self._frames_counted = 0
        self._slips = (0, 0)
        self._was_steady = True
        self._catching_up_until_us = 0
        self._glance_us = 0
        self._restored_steady = False
        self._calm: Calm | None = None
        """Given up by whatever can move an alarm between two seconds."""
        self._at_rest = False
        """No alarm's delay ran at the last second: until the next, only a revolution's own figures can begin one."""
        self._take_datum(self.wear.datum)

    # -- bytes in, outputs out -----------------------------------------------------------------------------------

    def feed(self, data: bytes, now: Now) -> list[Output]:
        """Take bytes that arrived at `now`; return what comes of them, in order."""
        if self._heard is None:
            self._heard = now
        out: list[Output] = []
        for item in runs(self.decoder.gather(data, self.identity), self.identity):
            if isinstance(item, Mark):
                out += self._broke(item)
            elif isinstance(item, Identity):
                out += self._identify(item)
            elif not self._wrong_head:
                out += self._run(item, now)
        return out

    def idle(self, now: Now) -> list[Output]:
        """Nothing arrived since the last call: by the gateway's own clock, is the head silent?"""
        if self._heard is None:
            self._heard = now
        quiet_s = now.mono_s - self._heard.mono_s
        if quiet_s < self._silent_after_s:
            return []
        return self._silence(self.timeline.idle(now), quiet_s)

    def _run(self, run: Run, now: Now) -> list[Output]:
        self._heard, self._silent_s = now, 0.0
        offset_us = self.timeline.frame(run.boot, run.head_us, now, run.sent_us)
        if self._restored_us is not None:
            # What passed while nobody looked: the head's count of turns tells what the engine did.
            unseen_us = max(0, run.head_us + offset_us - self._restored_us)
            self.meter.gap(unseen_us)
            self._restored_us = None
            if unseen_us <= self._glance_us:
                self._catching_up_until_us = run.head_us + offset_us + CATCH_UP_US
        out: list[Output] = []
        if run.block is None:
            for _, aside in run.asides:
                self.meter.take_interleaved(aside)
        else:
            block = replace(run.block, head_us=run.block.head_us + offset_us)
            for piece in self.meter.pieces(block, run.asides):
                what = self.meter.take(piece)
                if isinstance(what, Second):
                    self.timeline.reached(what.t_us, now)
                    out += self._second(what.t_us)
                elif what is not None and what.steady:
                    out += self._revolution(what)
        # Time comes as far as the last frame, whether or not a frame stood alone between two feeds.
        for _, aside in run.asides:
            self.timeline.reached(aside.head_us + offset_us, now)
        return out

    def _broke(self, mark: Mark) -> list[Output]:
        self._calm = None
        out: list[Output] = []
        gap_us = max(0, mark.gap_us)
        if mark.cause == "lost":
            self.link.lost(mark.count)
        broken_at_us = self.timeline.t_us
        second = self.meter.gap(gap_us)
        if second is not None:
            self.timeline.t_us = broken_at_us = max(broken_at_us, second.t_us)
            out += self._second(broken_at_us, broken=True)
        if self._head_clock and gap_us >= self._silent_after_s * 1e6:
            silent_us = round(self._silent_after_s * 1e6)
            out += self._silence(broken_at_us + silent_us, self._silent_after_s)
        return out

    def _identify(self, identity: Identity) -> list[Output]:
        self.link.good(1)
        self.identity = identity
        wrong = self.head.name is not None and identity.name != self.head.name
        noticed, self._wrong_head = wrong and not self._wrong_head, wrong
        return [WrongHead(identity.name, self.head.name or "")] if noticed else []

    @property
    def present_us(self) -> int:
        """The time to ask readings for: a head that is not heard has no present, whatever clock counts the time."""
        return self.timeline.t_us if self.head_heard else self.timeline.t_us + round(2e6 * self._silent_after_s)

    @property
    def head_heard(self) -> bool:
        """Has a good frame come lately?"""
        return self.identity is not None and self._silent_s == 0.0 and not self._wrong_head

    # -- judging ------------------------------------------------------------------------------------------------

    def _revolution(self, c: Cycle) -> list[Output]:
        if not self._was_steady:
            self._was_steady = True
            if not (self._restored_steady and self.meter.hours.ran_through):
                bar = JumpDetector.over_speed if self._ran_on(c) else JumpDetector.over_stop
                self._lag_jump.resume(bar)
                self._spring_jump.resume(bar)
        self._restored_steady = False
        out: list[Output] = []
        if self.medians.due(c.t_us):
            out += self._close_medians()
        m = self.meter
        self.medians.cycle(c, m.hours.hours, m.health, m.load(), m.hours.pause_rpm if self._bursts else None)
        self._warm = self.meter.running.under_way_s >= self._trend_after_s
        if c.raw_deg is not None:
            before = self._lag_jump.standing
            if jump := self._lag_jump.add(c.raw_deg):
                out += self._jumped("lag", jump, before, c.t_us)
        if c.spring_mm is not None:
            before = self._spring_jump.standing
            if jump := self._spring_jump.add(c.spring_mm):
                out += self._jumped("spring", jump, before, c.t_us)
        # All but the figures stands as it did at the last second, or the calm was given up.
        if self._calm is None or not self._calm.holds(c.t_us, self._figures(c.t_us)):
            out += self._judge(c.t_us, revolution=self._at_rest)
        return out

    def _ran_on(self, c: Cycle) -> bool:
        """Has a warm drive only changed its speed since the last steady revolution, no longer ago than a burst?"""
        m, r = self.meter, self.engine.running
        near = m.since_steady_s <= max(GLANCE_S, 1.5 * self.head.burst_pause_s)
        turned = not self._bursts or m.hours.pause_rpm is not None
        warm = m.running.under_way_s >= self._trend_after_s
        return near and turned and warm and r.rpm_min <= c.rpm <= r.rpm_max

    def _jumped(self, series: Series, jump: Jump, before: Jump | None, t_us: int) -> list[Output]:
        """A revolution has made a jump certain."""
        self._calm = None
        # The slow mean would be between the two levels for hours: growth of the chain, which a jump is not.
        mean = self.meter.lag if series == "lag" else self.meter.spring
        mean.slow.value = jump.after
        if self.wear.jumped(series, jump.size - (before.size if before else 0.0), self.meter.hours.hours):
            self.medians.restart()
            return self._tell_trend(t_us)
        return []

    def _second(self, t_us: int, broken: bool = False) -> list[Output]:
        out: list[Output] = []
        # Counted second by second, not feed by feed: a share over time must not hang on how the bytes came.
        self.link.good(self.meter.frames - self._frames_counted)
        self._frames_counted = self.meter.frames
        if self.medians.due(t_us):
            out += self._close_medians()
        self._was_steady = self._steady_still(t_us)
        if self.meter.running.state in STANDING:
            self.wear.stopped(self.meter.hours.hours)
        if t_us >= self._trend_due_us:
            self._trend_due_us = (t_us // self._trend_every_us + 1) * self._trend_every_us
            out += self._hourly(t_us)
        quiet = self._calm
        if quiet is None or quiet.stands != self._stands() or not quiet.holds(t_us, self._figures(t_us)):
            out += self._judge(t_us)
            self._at_rest = self.alarms.at_rest
        out += map(self._alarmed, self.alarms.repeats(t_us))
        # The second before a break is as old as the pause is long: no present, and its hours are without the pause.
        if t_us < self._reading_due_us or broken:
            return out
        # Begun in the midst of a burst, the head's count of turns comes a second later; the reading stands for the
        # whole of the pause. Only once: it may never come.
        self._reading_held = self.meter.hours.behind and not self._reading_held
        if not self._reading_held:
            self._reading_due_us = (t_us // self._reading_every_us + 1) * self._reading_every_us
            out.append(ReadingDue(self.meter.reading(t_us), self.timeline.utc_s(t_us)))
        return out

    def _steady_still(self, t_us: int) -> bool:
        """Has the engine run on steadily, as far as can be seen? A restart must see the speed again before it knows."""
        state = self.meter.running.state
        if state is not Running.CHANGING or t_us > self._catching_up_until_us:
            self._catching_up_until_us = 0
        return self._was_steady and (state is Running.AHEAD or self._catching_up_until_us > 0)

    def _silence(self, t_us: int, quiet_s: float) -> list[Output]:
        first = self._silent_s == 0.0
        self._silent_s = quiet_s
        self.meter.silent()
        out = self._judge(t_us)
        if first:
            late_us = t_us + round(self._silent_after_s * 1e6)
            out.append(ReadingDue(self.meter.reading(late_us), self.timeline.utc_s(t_us)))
        return out

    def _judge(self, t_us: int, *, revolution: bool = False) -> list[Output]:
        self._calm = None
        figures = self._figures(t_us)
        findings = judge(self.engine, self.alarms, self._evidence(figures), revolution=revolution)
        if not (revolution or self.wear.steps or self.alarms.moves_any(findings)):
            self._calm = calm(t_us, self._stands(), figures, findings)
        return [self._alarmed(t) for t in self.alarms.judge(t_us, findings)]

    def _alarmed(self, t: Transition) -> AlarmChanged:
        since_utc_s = None if t.since_us is None else self.timeline.utc_s(t.since_us)
        return AlarmChanged(t, self.timeline.utc_s(t.t_us), self.meter.hours.hours, since_utc_s)

    def _figures(self, t_us: int) -> Figures:
        return (*self.meter.means_now(t_us), self.link.percent(t_us))

    def _stands(self) -> tuple[object, ...]:
        """All but the figures that alarms are judged by, where no step stands in the medians."""
        m = self.meter
        return (
            m.running.state,
            m.running.under_way_s >= self._settle_s,
            m.sensors.now,
            self._silent_s,
            self._lag_jump.standing,
            self._spring_jump.standing,
            len(self.wear.steps),
            self.wear_seen,
        )

    def _evidence(self, figures: Figures) -> Evidence:
        lag, spring, slap, loss = figures
        m = self.meter
        faults = m.sensors.now
        ahead = m.running.state is Running.AHEAD
        return Evidence(
            running=m.running.state,
            settled=m.running.under_way_s >= self._settle_s,
            lag_deg=lag,
            compression_mm=m.free_length_mm - spring if spring is not None else None,
            spring_mm=spring,
            slap_mm=slap,
            lag_step=self._step_seen("lag"),
            tension_step=self._step_seen("spring"),
            lag_step_known=lag is not None,
            tension_step_known=ahead and spring is not None,
            transducer=None if self._silent_s else faults.transducer,
            crank=None if self._silent_s else faults.crank,
            cam=None if self._silent_s else faults.cam,
            silent_s=self._silent_s,
            link_loss_percent=loss,
            wear=self.wear_seen,
        )

    def _step_seen(self, series: Series) -> StepSeen | None:
        """A jump of the last revolutions, or a smaller step found in the medians, that nobody has set right since."""
        lag = series == "lag"
        jump = self._lag_jump if lag else self._spring_jump
        what, unit = ("Cam phase", "deg") if lag else ("Spring length", "mm")
        if (sudden := jump.standing) is not None and abs(sudden.size) >= 0.5 * jump.threshold:
            n = abs(sudden.teeth or 0)
            teeth = f", as {n} {'tooth' if n == 1 else 'teeth'} of the chain wheel" if n else ""
            return StepSeen(sudden.size, f"{what} stepped by {sudden.size:+.2f} {unit}{teeth}{self._doubt(lag)}")
        if (small := self.wear.standing_step(series)) is not None:
            text = f"{what} stepped by {small.size:+.2f} {unit} at about {small.hours:.0f} h{self._doubt(lag)}"
            return StepSeen(small.size, text)
        return None

    def _doubt(self, lag: bool) -> str:
        """Where the head has counted slips of an encoder's index, the step may be the encoder's own."""
        return "; an encoder's index slipped, look there first" if lag and self.wear.slips else ""

    def _close_medians(self) -> list[Output]:
        self._calm = None
        t_us = self.medians.last_us
        slap_mm, order1_deg = self.medians.side()
        pause_rpm = self.medians.pause_rpm
        median = self.medians.take(self.timeline.utc_s(t_us))
        if median is None:
            return []
        out: list[Output] = [MedianDue(median)]
        self._count_slips()
        if self._normal(median) and self.wear.add(_at_mean_speed(median, pause_rpm), Side(slap_mm, order1_deg)):
            out += self._tell_trend(t_us)
        return out

    def _normal(self, median: Median) -> bool:
        """Warm, and at a speed of normal running: while the drive warms through, or creeps in and out of port, it
        wanders by months of wear. The history shows that; the trend must not learn it."""
        r = self.engine.running
        return self._warm and r.rpm_min <= median.rpm <= r.rpm_max

    # -- wear ---------------------------------------------------------------------------------------------------

    def _hourly(self, t_us: int) -> list[Output]:
        hours = self.meter.hours.hours
        self.wear.ran(self.timeline.utc_s(t_us), hours)
        if self.wear.medians > self._trend_medians:
            return self._tell_trend(t_us)
        self.wear_seen = replace(self.wear_seen, hours_since_retightened=hours - self.wear.datum.retightened_at_h)
        return []

    def _tell_trend(self, t_us: int) -> list[Output]:
        trend = self.trend(t_us)
        self._trend_medians = self.wear.medians
        self._see(trend)
        return [TrendDue(trend)]

    def trend(self, t_us: int) -> Trend:
        """What is known of the wear at pipeline time `t_us`."""
        m = self.meter
        before_deg, before_mm = self._lag_jump.in_doubt, self._spring_jump.in_doubt
        lag = m.lag_of(m.lag.slow.value if before_deg is None else before_deg)
        spring = m.spring.slow.value if before_mm is None else before_mm
        jump = self._lag_jump.standing
        return self.wear.trend(self.timeline.utc_s(t_us), m.hours.hours, lag, spring, jump.size if jump else 0.0)

    def _see(self, trend: Trend) -> None:
        self.last_trend = trend
        ahead, datum = nearest(trend), self.wear.datum
        self.wear_seen = WearSeen(
            elongation_percent=trend.elongation_percent.p50,
            agreement=trend.agreement.state,
            causes=trend.agreement.causes,
            hours_to_limit=ahead.hours_to.p05 if ahead else None,
            nearest_limit=ahead.limit if ahead else "",
            hours_since_retightened=trend.retightened_h,
            retighten_every_h=datum.due_h - datum.retightened_at_h,
        )

    def _count_slips(self) -> None:
        h = self.meter.health
        if h is None or h.crank_slips is None or h.cam_slips is None:
            return
        crank, cam = self._slips
        # The head's counts begin anew when it does; fewer than before is all of them new.
        self.wear.slipped("crank", h.crank_slips - crank if h.crank_slips >= crank else h.crank_slips)
        self.wear.slipped("cam", h.cam_slips - cam if h.cam_slips >= cam else h.cam_slips)
        self._slips = (h.crank_slips, h.cam_slips)

    def book(self, entry: bookings.Entry, log: Sequence[bookings.Entry]) -> list[Output]:
        """`entry` was booked, `log` is the whole log with it: count from the new datum exactly what it touches."""
        before = self.wear.datum
        datum = rebase(self.engine, log)
        lag_anew = datum.zero_deg != before.zero_deg or datum.camshaft_set_at_h != before.camshaft_set_at_h
        chain_anew = isinstance(entry, bookings.ChainRenewed | bookings.LinksRenewed)
        spring_moved = datum.spring_changed_at_h != before.spring_changed_at_h
        if lag_anew or chain_anew:
            self._lag_jump.rebase()
            if self.meter.running.state is not Running.AHEAD:
                # What the mean holds is from before the work. (Booked under way, it stands: nothing was moved.)
                self.meter.lag.restart()
        if spring_moved or chain_anew:
            self._spring_jump.rebase()
            self.meter.spring.restart()
        spring: Literal["keep", "level", "anew"] = "anew" if chain_anew else "level" if spring_moved else "keep"
        self.wear.rebase(datum, lag_anew=lag_anew or chain_anew, spring=spring)
        self._take_datum(datum)
        self._calm = None
        trend = self._tell_trend(self.timeline.t_us)
        return trend + self._judge(self.timeline.t_us)

    def act(self, act: Act) -> list[Output]:
        """Somebody acts on this engine's alarms. Raises Refused, with nothing changed, where it cannot be done."""
        self._calm = None
        return [self._alarmed(t) for t in perform(self.alarms, act, self.timeline.t_us)]

    def _take_datum(self, datum: Datum) -> None:
        self.meter.zero_deg = datum.zero_deg
        self.meter.free_length_mm = datum.free_length_mm
        self.wear_seen = replace(
            self.wear_seen,
            hours_since_retightened=self.meter.hours.hours - datum.retightened_at_h,
            retighten_every_h=datum.due_h - datum.retightened_at_h,
        )

    # -- over a restart -----------------------------------------------------------------------------------------

    def checkpoint(self) -> dict[str, object]:
        """All that a restart needs, fit for JSON."""
        return {
            "timeline": self.timeline.checkpoint(),
            "meter": self.meter.checkpoint(),
            "alarms": self.alarms.checkpoint(),
            "lag_jump": self._lag_jump.state(),
            "spring_jump": self._spring_jump.state(),
            "slips": list(self._slips),
            "steady": self._was_steady and self.meter.running.state is Running.AHEAD,
        }

    def wear_checkpoint(self) -> dict[str, object]:
        """What the trend has learnt; larger, and kept with each trend rather than with each alarm."""
        return self.wear.state()

    def restore(self, kept: Mapping[str, object], wear: Mapping[str, object] | None = None) -> None:
        """Go on from a checkpoint, as if nothing had happened but a gap. `wear`: from `wear_checkpoint`."""
        for name, part in (("timeline", self.timeline), ("meter", self.meter), ("alarms", self.alarms)):
            state = kept[name]
            if not isinstance(state, dict):  # no assertion: those are gone under -OO
                raise TypeError("state: not what was kept")
            part.restore(state)
        for name, jump in (("lag_jump", self._lag_jump), ("spring_jump", self._spring_jump)):
            state = kept[name]
            if not isinstance(state, dict):  # no assertion: those are gone under -OO
                raise TypeError("state: not what was kept")
            jump.load(state)
        # Not the timeline's: it comes to a burst's first health frame before the pause has been counted.
        self._restored_us = self.meter.seen_us or self.timeline.t_us
        if kept.get("steady"):
            self._restored_steady = True
            # No longer than between two bursts: what happened meanwhile is judged as it would have been there.
            self._glance_us = round(1e6 * max(GLANCE_S, 1.5 * self.head.burst_pause_s))
        slips = kept["slips"]
        if not isinstance(slips, list):  # no assertion: those are gone under -OO
            raise TypeError("slips: not what was kept")
        self._slips = (int(slips[0]), int(slips[1]))
        if wear is not None:
            self.wear.load(dict(wear))
            self._trend_medians = self.wear.medians
            self._see(self.trend(self.timeline.t_us))
        self._take_datum(self.wear.datum)
        self._trend_due_us = (self.timeline.t_us // self._trend_every_us + 1) * self._trend_every_us


def _at_mean_speed(median: Median, pause_rpm: float | None) -> Median:
    """A burst of seconds sees the speed on one wave, which moves no chain: the mean over the pause before it tells the
    speed that the lag goes with."""
    if pause_rpm is None or abs(pause_rpm - median.rpm) > WAVES_RPM:
        return median
    return replace(median, rpm=pause_rpm)
