"""The whole path on one page: bytes → frames → samples → revolutions → reading → wear → alarms → outputs.

One `EnginePipeline` per engine and head. It connects the stages, and judges nothing itself. Pure: no disk, no socket,
no clock; time is an argument. The same bytes give the same outputs, however they are split, so that a capture replays
to the byte what the daemon published.
"""

from collections.abc import Iterable, Mapping, Sequence

from gateway.alarm.acts import Act
from gateway.alarm.evidence import evidence
from gateway.alarm.judging import Judging
from gateway.alarm.machine import AlarmSet
from gateway.link.blocks import SampleRun
from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Decoder
from gateway.link.loss import LinkWatch
from gateway.link.runs import runs
from gateway.measure.lost_motion import LostMotionPair, LostMotionWatch
from gateway.measure.measuring import Measuring
from gateway.measure.meter import Meter
from gateway.measure.presence import Presence
from gateway.measure.seconds import Second
from gateway.measure.timeline import Now, Timeline
from gateway.model.enums import STANDING, Running
from gateway.model.records import Cycle, Identity, Transition
from gateway.model.settings import Settings
from gateway.outputs import AlarmChanged, MedianDue, Output, ReadingDue, TrendDue, WrongHead
from gateway.wear.bookings import Entry
from gateway.wear.watch import SlowMeans, WearWatch

__all__ = ["AlarmChanged", "EnginePipeline", "MedianDue", "Output", "ReadingDue", "TrendDue", "WrongHead"]


class EnginePipeline:
    """From one head's bytes to what is published of one engine. Not thread-safe: it has one owner."""

    def __init__(
        self, settings: Settings, engine_slug: str, start_utc_s: float = 0.0, log: Sequence[Entry] = ()
    ) -> None:
        """`log`: what was booked of this engine so far."""
        self.engine = e = next(e for e in settings.engine if e.slug == engine_slug)
        self.head = head = next(h for h in settings.head if h.slug == e.head)
        g = settings.gateway
        self.timeline = Timeline(settings.time.source, start_utc_s)
        self.decoder, self.link = Decoder(), LinkWatch()
        self.presence = Presence(head, head_clock=settings.time.source == "head")
        self.measuring = Measuring(
            e,
            burst_pause_s=head.burst_pause_s,
            stale_us=self.presence.silent_after_us,
            reading_every_us=round(g.reading_every_s * 1e6),
        )
        self.lost_motion = LostMotionWatch(e.lost_motion, bursts=head.burst_pause_s > 0)
        self.wear = WearWatch(e, log, bursts=head.burst_pause_s > 0, trend_every_us=round(g.trend_every_min * 60e6))
        self.judging = Judging(e, repeat_min=g.repeat_min)
        self._use_datum(lag=False, spring=False)
        self.changed_settings: tuple[str, ...] = ()
        """What the settings measure otherwise than before the restart, in words."""

    # -- bytes in, outputs out ----------------------------------------------------------------------------------

    def feed(self, data: bytes, now: Now) -> list[Output]:
        """Take bytes that arrived at `now`; return what comes of them, in order."""
        self.presence.quiet_s(now)
        out: list[Output] = []
        known = self.presence.identity
        for item in runs(self.decoder.gather(data, known), known):
            if isinstance(item, StreamBreak):
                out += self._broke(item)
            elif isinstance(item, Identity):
                out += self._identify(item)
            elif not self.presence.is_wrong:
                out += self._run(item, now)
        return out

    def idle(self, now: Now) -> list[Output]:
        """Nothing arrived since the last call: by the gateway's own clock, is the head silent?"""
        self.timeline.begin(now)
        quiet_s = self.presence.quiet_s(now)
        out = self._changed(self.judging.trial_passes(now.mono_s, self.timeline.t_us))
        if quiet_s >= self.presence.silent_after_s or self.presence.port_text:
            out += self._silence(self.timeline.idle(now), quiet_s)
        return out

    def port_lost(self, text: str) -> None:
        """The head's port is not there, and why: nothing can come, however long its pauses are."""
        self.presence.port_text = text

    def _identify(self, identity: Identity) -> list[Output]:
        self.link.good(1)
        was_wrong = self.presence.is_wrong
        found = [WrongHead(identity.name, self.head.name or "")] if self.presence.identify(identity) else []
        return [*found, *self._judge(self.timeline.t_us)] if found or was_wrong else []

    def _run(self, run: SampleRun, now: Now) -> list[Output]:
        self.presence.heard(now)
        self.link.boot = run.boot
        offset_us = self.timeline.frame(run.boot, run.head_us, now, run.sent_us)
        self.measuring.caught_up(run.head_us + offset_us)
        out: list[Output] = []
        for piece in self.meter.pieces(run.block, run.interleaved, offset_us):
            what = self.meter.take(*piece)
            if isinstance(what, Second):
                self.timeline.reached(what.t_us, now)
                out += self._second(what.t_us)
            elif what is not None:
                if what.steady:
                    out += self._revolution(what)
                m = self.meter
                utc_s = self.timeline.utc_s(what.t_us)
                out += self._paired(self.lost_motion.cycle(what, m.running.state, m.health, utc_s, self.hours))
        # Time comes as far as the last frame, whether or not a frame stood alone between two feeds.
        for _, frame in run.interleaved:
            self.timeline.reached(frame.head_us + offset_us, now)
        return out

    def _broke(self, at: StreamBreak) -> list[Output]:
        out: list[Output] = []
        gap_us = max(0, at.gap_us)
        self.link.broke(at)
        if at.cause in ("time-step", "pause"):
            self.measuring.timing.stumbled(at.gap_us)
        t_us = self.timeline.t_us
        second = self.meter.gap(gap_us)
        if second is not None:
            self.timeline.t_us = t_us = max(t_us, second.t_us)
            out += self._second(t_us, broken=True)
        if self.presence.is_silence(gap_us):
            out += self._silence(t_us + self.presence.silent_after_us, self.presence.silent_after_s)
        return out

    # -- stage after stage --------------------------------------------------------------------------------------

    def _revolution(self, c: Cycle) -> list[Output]:
        interruption = self.measuring.revolution(c)
        if interruption is not None:
            i = interruption
            self.wear.jumps.resume(warm=i.warm, stood=i.stood, slow=i.slow)
        out = self._close_window(c.t_us)
        self.measuring.gather(c)
        jumps = self.wear.jumps.revolution(c)
        for jump in jumps:
            self.measuring.jumped(jump.series, jump.level)
            if self.wear.restarts(jump, self.hours):
                self.measuring.begin_window_again()
                out.append(self._trend(c.t_us))
        # A pause may end seconds before the next one is over.
        return out + self._judge(c.t_us) if jumps or self.alarms.is_due(c.t_us) else out

    def _second(self, t_us: int, broken: bool = False) -> list[Output]:
        # Counted second by second, not feed by feed: a share over time must not hang on how the bytes came.
        self.link.good_in_all(self.meter.frames)
        out = self._close_window(t_us)
        self.measuring.second(t_us)
        out += self._turned()
        if self.wear.second(t_us, self.timeline.utc_s(t_us), self.meter.running.state, self.hours):
            out.append(self._trend(t_us))
        self.meter.lag_doubt, self.meter.length_doubt = self.wear.lag_doubt, self.wear.length_doubt
        out += self._judge(t_us)
        out += self._changed(self.judging.repeats(t_us))
        # The second before a break is as old as the pause is long: no present, and its hours are without the pause.
        if not broken and self.measuring.is_reading_due(t_us):
            out.append(ReadingDue(self.meter.reading(t_us), self.timeline.utc_s(t_us)))
        return out

    def _silence(self, t_us: int, quiet_s: float) -> list[Output]:
        begins = self.presence.silent(quiet_s)
        self.meter.silent()
        out = self._judge(t_us)
        if begins:
            late_us = t_us + self.presence.silent_after_us
            out.append(ReadingDue(self.meter.reading(late_us), self.timeline.utc_s(t_us)))
        return out

    def _close_window(self, t_us: int) -> list[Output]:
        over_us = self.measuring.window_over_us(t_us)
        window = None if over_us is None else self.measuring.close(self.timeline.utc_s(over_us))
        if over_us is not None:
            self.wear.shape(self.measuring.close_shape())
        if over_us is None or window is None:
            return []
        stepped = self.wear.window(window, warm=self.measuring.is_warm)
        return [MedianDue(window.median), *([self._trend(over_us)] if stepped else [])]

    def _paired(self, pair: LostMotionPair | None) -> list[Output]:
        """A lost motion was measured: into the trend, which is stored with all pairs at once."""
        if pair is None:
            return []
        self.wear.series.lost_motion.add(pair)
        return [self._trend(self.timeline.t_us)]

    def _turned(self) -> list[Output]:
        """A whole turn on the turning gear, if one has just ended."""
        m = self.meter
        t_us, raw_deg, way = m.turned_us(), m.turned_raw_deg(), m.turned_way()
        if m.running.state not in STANDING or t_us is None or raw_deg is None:
            return []
        spring_mm, utc_s = m.spring_now(t_us).value, self.timeline.utc_s(t_us)
        return self._paired(self.lost_motion.turned(t_us, way, raw_deg, spring_mm, utc_s, self.hours))

    def _trend(self, t_us: int) -> TrendDue:
        return TrendDue(self.wear.take_trend(self._slow_means(t_us)), self.judging.announced_day(t_us))

    def _judge(self, t_us: int) -> list[Output]:
        found = evidence(t_us, self.measuring, self.presence, self.wear, self.link.percent(t_us))
        return self._changed(self.judging.judge(t_us, found))

    def _changed(self, moved: Iterable[Transition]) -> list[Output]:
        utc_s, hours = self.timeline.utc_s, self.hours
        return [AlarmChanged(t, utc_s(t.t_us), hours, None if t.since_us is None else utc_s(t.since_us)) for t in moved]

    def _slow_means(self, t_us: int) -> SlowMeans:
        m = self.meter
        return SlowMeans(self.timeline.utc_s(t_us), m.hours.hours, m.lag.slow.value, m.spring.slow.value)

    # -- the present --------------------------------------------------------------------------------------------

    @property
    def meter(self) -> Meter:
        """Samples to cycles, seconds and the present reading."""
        return self.measuring.meter

    @property
    def alarms(self) -> AlarmSet:
        """All alarms of the engine."""
        return self.judging.alarms

    @property
    def hours(self) -> float:
        """Running hours."""
        return self.meter.hours.hours

    @property
    def present_us(self) -> int:
        """The time to ask readings for: a head that is not heard has no present, whatever clock counts the time."""
        silent_us = 0 if self.presence.is_heard else round(2e6 * self.presence.silent_after_s)
        return self.timeline.t_us + silent_us

    @property
    def head_heard(self) -> bool:
        """Has a good frame come lately?"""
        return self.presence.is_heard

    # -- people -------------------------------------------------------------------------------------------------

    def book(self, entry: Entry, log: Sequence[Entry]) -> list[Output]:
        """`entry` was booked, `log` is the whole log with it: count from the new datum exactly what it touches."""
        moved = self.wear.book(entry, log, self.hours)
        # What the lag's mean holds is from before the work; booked under way it stands, since nothing was moved.
        self._use_datum(lag=moved.lag and self.meter.running.state is not Running.AHEAD, spring=moved.spring)
        if moved.lag:
            self.meter.sensors.zeroed()
        self.meter.lag_doubt, self.meter.length_doubt = self.wear.lag_doubt, self.wear.length_doubt
        t_us = self.timeline.t_us
        out: list[Output] = [self._trend(t_us)]
        if (moved.lag or moved.spring) and self.wear.summary.agreement != "part":
            # What disagreed is compared again from this datum on: until that is known, the old finding is no news.
            out += self._changed(self.judging.explained("wear-disagree", t_us))
        return out + self._judge(t_us)

    def act(self, act: Act) -> list[Output]:
        """Somebody acts on this engine's alarms. Raises Refused, with nothing changed, where it cannot be done."""
        return self._changed(self.judging.act(act, self.timeline.t_us))

    def work_on(self, on: bool) -> list[Output]:
        """A work sheet was opened (`on`), or the last one was closed."""
        self.judging.work.switch(on, self.timeline.t_us)
        return self._judge(self.timeline.t_us)

    def _use_datum(self, *, lag: bool, spring: bool) -> None:
        datum = self.wear.datum
        self.measuring.rebase(datum.zero_deg, datum.free_length_mm, lag=lag, spring=spring)

    # -- over a restart -----------------------------------------------------------------------------------------

    def checkpoint(self) -> dict[str, object]:
        """All that a restart needs, fit for JSON."""
        return {
            "timeline": self.timeline.checkpoint(),
            **self.judging.checkpoint(),
            **self.measuring.state(),
            **self.wear.state(),
        }

    def wear_checkpoint(self) -> dict[str, object]:
        """What the trend has learnt; larger, and kept with each trend rather than with each alarm."""
        return self.wear.series.state()

    def restore(self, kept: Mapping[str, object], wear: Mapping[str, object] | None = None) -> None:
        """Go on from a checkpoint, as if nothing had happened but a gap. `wear`: from `wear_checkpoint`.

        Raises ValueError for any JSON that is no checkpoint; a pipeline that was half restored must not be used.
        """
        try:
            self._restore(kept, wear)
        except Exception as e:
            # What a damaged disk gives back can fail anywhere below: to the caller it is one case.
            raise ValueError(f"not a checkpoint: {type(e).__name__}: {e}") from None

    def _restore(self, kept: Mapping[str, object], wear: Mapping[str, object] | None) -> None:
        timeline = kept["timeline"]
        if not isinstance(timeline, dict):  # no assertion: those are gone under -OO
            raise TypeError("timeline: not what was kept")
        self.timeline.restore(timeline)
        self.judging.restore(kept)
        t_us = self.timeline.t_us
        self.measuring.restore(kept, t_us)
        changed = self.wear.changed_since(kept)
        self.changed_settings = changed.texts
        self.measuring.measured_otherwise(lag=changed.lag, spring=changed.spring)
        self.wear.restore(kept, wear, t_us, self._slow_means(t_us))
        self._use_datum(lag=False, spring=False)
