"""The whole path on one page: bytes → frames → samples → revolutions → reading → wear → alarms → outputs.

One `EnginePipeline` per engine and head. It connects the stages, and judges nothing itself. Pure: no disk, no socket,
no clock; time is an argument. The same bytes give the same outputs, however they are split, so that a capture replays
to the byte what the daemon published.
"""

from collections.abc import Mapping, Sequence

from gateway import checkpoint
from gateway.alarm.acts import Act
from gateway.alarm.evidence import evidence
from gateway.alarm.judging import Judging
from gateway.alarm.machine import AlarmSet
from gateway.link.blocks import SampleRun
from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Decoder
from gateway.link.loss import LinkWatch
from gateway.link.runs import runs
from gateway.measure.lost_motion import LostMotionPair
from gateway.measure.measuring import Measuring
from gateway.measure.meter import Meter
from gateway.measure.presence import Presence
from gateway.measure.seconds import Second
from gateway.measure.timeline import Now, Timeline
from gateway.model.records import Cycle, Identity, Transition
from gateway.model.settings import Settings
from gateway.outputs import AlarmChanged, MedianDue, Output, ReadingDue, TrendDue, WrongHead, alarms_changed
from gateway.wear.bookings import Entry
from gateway.wear.watch import WearWatch

__all__ = ["AlarmChanged", "EnginePipeline", "MedianDue", "Output", "ReadingDue", "TrendDue", "WrongHead"]


class EnginePipeline:
    """From one head's bytes to what is published of one engine. Not thread-safe: it has one owner."""

    def __init__(
        self, settings: Settings, engine_slug: str, start_utc_s: float = 0.0, log: Sequence[Entry] = ()
    ) -> None:
        """`log`: what was booked of this engine so far."""
        self.engine = e = next(e for e in settings.engine if e.slug == engine_slug)
        self.head = head = next(h for h in settings.head if h.slug == e.head)
        g, source = settings.gateway, settings.time.source
        self.timeline = Timeline(source, start_utc_s)
        self.decoder, self.link = Decoder(), LinkWatch()
        self.presence = Presence(head, head_clock=source == "head")
        self.measuring = Measuring(
            e,
            burst_pause_s=head.burst_pause_s,
            stale_us=self.presence.silent_after_us,
            reading_every_us=round(g.reading_every_s * 1e6),
        )
        self.wear = WearWatch(e, log, bursts=head.burst_pause_s > 0, trend_every_us=round(g.trend_every_min * 60e6))
        self.judging = Judging(e, repeat_min=g.repeat_min)
        self._count_from(lag=False, spring=False)

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
        meter = self.measuring.meter
        for piece in meter.pieces(run.block, run.interleaved, offset_us):
            what = meter.take(*piece)
            if isinstance(what, Second):
                self.timeline.reached(what.t_us, now)
                out += self._second(what.t_us)
            elif what is not None:
                out += self._cycle(what)
        # Time comes as far as the last frame, whether or not a frame stood alone between two feeds.
        for _, frame in run.interleaved:
            self.timeline.reached(frame.head_us + offset_us, now)
        return out

    def _broke(self, at: StreamBreak) -> list[Output]:
        self.link.broke(at)
        out: list[Output] = []
        at_us = self.timeline.t_us
        if (second := self.measuring.broke(at)) is not None:
            self.timeline.t_us = at_us = max(at_us, second.t_us)
            out += self._second(at_us, broken=True)
        if self.presence.is_silence(at.gap_us):
            out += self._silence(at_us + self.presence.silent_after_us, self.presence.silent_after_s)
        return out

    # -- stage after stage --------------------------------------------------------------------------------------

    def _cycle(self, c: Cycle) -> list[Output]:
        out = self._revolution(c) if c.steady else []
        return out + self._paired(self.measuring.cycle(c, self.timeline.utc_s(c.t_us)))

    def _revolution(self, c: Cycle) -> list[Output]:
        if (interruption := self.measuring.revolution(c)) is not None:
            self.wear.resumed(interruption)
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
        out += self._paired(self.measuring.turned(self.timeline.utc_s))
        if self.wear.second(t_us, self.timeline.utc_s(t_us), self.meter.running.state, self.hours):
            out.append(self._trend(t_us))
        self.measuring.doubt(self.wear.lag_doubt, self.wear.length_doubt)
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
        minutes = self.measuring.close(t_us, self.timeline.utc_s)
        if minutes is None:
            return []
        trend = [self._trend(minutes.t_us)] if self.wear.closed(minutes) else []
        return [] if minutes.window is None else [MedianDue(minutes.window.median), *trend]

    def _paired(self, pair: LostMotionPair | None) -> list[Output]:
        if pair is None:
            return []
        self.wear.paired(pair)
        return [self._trend(self.timeline.t_us)]

    def _trend(self, t_us: int) -> TrendDue:
        means = self.measuring.slow_means(self.timeline.utc_s(t_us))
        return TrendDue(self.wear.take_trend(means), self.judging.announced_day(t_us))

    def _judge(self, t_us: int) -> list[Output]:
        found = evidence(t_us, self.measuring, self.presence, self.wear, self.link.percent(t_us))
        return self._changed(self.judging.judge(t_us, found))

    def _changed(self, moved: list[Transition]) -> list[Output]:
        return alarms_changed(moved, self.timeline.utc_s, self.hours) if moved else []

    # -- people -------------------------------------------------------------------------------------------------

    def book(self, entry: Entry, log: Sequence[Entry]) -> list[Output]:
        """`entry` was booked, `log` is the whole log with it: count from the new datum exactly what it touches."""
        moved = self.wear.book(entry, log, self.hours)
        self._count_from(lag=moved.lag, spring=moved.spring)
        self.measuring.doubt(self.wear.lag_doubt, self.wear.length_doubt)
        t_us = self.timeline.t_us
        out: list[Output] = [self._trend(t_us)]
        if moved.lag or moved.spring:
            out += self._changed(self.judging.rebased(self.wear.summary, t_us))
        return out + self._judge(t_us)

    def act(self, act: Act) -> list[Output]:
        """Somebody acts on this engine's alarms. Raises Refused, with nothing changed, where it cannot be done."""
        return self._changed(self.judging.act(act, self.timeline.t_us))

    def work_on(self, on: bool) -> list[Output]:
        """A work sheet was opened (`on`), or the last one was closed."""
        self.judging.work.switch(on, self.timeline.t_us)
        return self._judge(self.timeline.t_us)

    def _count_from(self, *, lag: bool, spring: bool) -> None:
        datum = self.wear.datum
        self.measuring.rebase(datum.zero_deg, datum.free_length_mm, lag=lag, spring=spring)

    # -- the present, and over a restart ------------------------------------------------------------------------

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
        return self.measuring.hours

    def checkpoint(self) -> dict[str, object]:
        """All that a restart needs at once, fit for JSON."""
        return checkpoint.taken(self.timeline, self.measuring, self.wear, self.judging)

    def restore(self, kept: Mapping[str, object], wear: Mapping[str, object] | None = None) -> tuple[str, ...]:
        """Go on from a checkpoint, as if nothing had happened but a gap. `wear`: what `wear.series.state` gave.

        Returns what the settings measure otherwise since then, in words. Raises ValueError for any JSON that is no
        checkpoint; a pipeline that was half restored must not be used.
        """
        changed = checkpoint.put_back(kept, wear, self.timeline, self.measuring, self.wear, self.judging)
        self._count_from(lag=False, spring=False)
        return changed
