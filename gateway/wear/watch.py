"""One engine's wear as it goes on: revolutions and medians in; jumps, steps and the trend out.

Owns the datum. A jump or a step that no booking explains stands until one does.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from gateway.measure.cycles import lag_from_zero
from gateway.measure.hours import WAVES_RPM
from gateway.measure.lost_motion import LostMotionPair
from gateway.measure.measuring import Closed, SlowMeans
from gateway.measure.steadiness import Interruption
from gateway.measure.turn_shape import TurnShape
from gateway.model.enums import STANDING, Running
from gateway.model.learned import Learned
from gateway.model.records import Health, Median
from gateway.model.settings import EngineSettings
from gateway.wear import bookings
from gateway.wear.agreement import StepSeen
from gateway.wear.datum import Datum
from gateway.wear.jumps import JumpFound, Jumps
from gateway.wear.learned import is_due, learned_of, sent
from gateway.wear.loading import loadings_of
from gateway.wear.logbook import rebase
from gateway.wear.scale import Changed, changed_since, scale_of
from gateway.wear.summary import StandingStep, WearSummary
from gateway.wear.trend import NORMAL_95, EngineWear, Series, Side, Trend, nearest


@dataclass(frozen=True, slots=True)
class Rebased:
    """What a booking has moved: which means are of before it."""

    datum: Datum
    lag: bool
    spring: bool


SERIES: tuple[Series, ...] = ("lag", "spring")
WORK = {"lag": "if the camshaft was re-timed, book it", "spring": "if the chain was retightened, book it"}
SLIPPED = "Coupling slipped or encoder slipped: compare the pin gauge"
GIVEN_WAY = {
    True: "Nut backed off, or transducer shifted: look at the tightener",
    False: "Spring set or broken, or transducer shifted: look at the tightener",
}
"""What a step of the spring's length is, longer or shorter, where the lag has not stepped with it; the drive first."""
SAME_STEP_H, SAME_STEP_DEG = 6.0, 0.08
"""A chart dates a small step to a few medians, which are an hour apart in sparse bursts, and sizes it as roughly."""
TOGETHER_H = 2.0
"""Running hours: bursts may be an hour apart, and one of the two be found in the next one only."""
HOURS_BEHIND = 1.0
"""Running hours by which a spare box's count may lie behind what was learned: medians from before it are not taken."""


class WearWatch:
    """From one engine's revolutions and medians to its trend, one each hour and after each change."""

    def __init__(
        self, engine: EngineSettings, log: Sequence[bookings.Entry], *, bursts: bool, trend_every_us: int
    ) -> None:
        """`log`: what was booked of this engine so far."""
        self.engine = engine
        self.series = EngineWear(engine, rebase(engine, log))
        self.jumps = Jumps(engine, bursts=bursts)
        self.last_trend: Trend | None = None
        self.summary = WearSummary()
        self._every_us = self._due_us = trend_every_us
        self._medians_in_trend = 0
        self._slips = (0, 0)
        self._jumped_h: dict[Series, float] = {}
        """Running hours of the newest jump of each series."""
        self._sudden_h: float | None = None
        """The same of a shift that is too small for a jump."""
        self._loadings = loadings_of(log)
        self.series.book_loadings(self._loadings)
        self._count_from_datum(engine.service.hours_at_start)

    @property
    def datum(self) -> Datum:
        """What all is counted from: the last time hands were on the drive."""
        return self.series.datum

    # -- what comes in ------------------------------------------------------------------------------------------

    def restarts(self, jump: JumpFound, hours: float) -> bool:
        """Take up a jump. True where a new level begins with it, since the medians are too few yet to find it."""
        self._jumped_h[jump.series] = hours
        return self.series.jumped(jump.series, jump.size, hours)

    def resumed(self, after: Interruption) -> None:
        """Steady running is back: what it was compared with may not count any more."""
        self.jumps.resume(warm=after.warm, stood=after.stood, slow=after.slow)

    def closed(self, minutes: Closed) -> bool:
        """Take ten minutes. True where they make a step certain."""
        self._shape(minutes.shape)
        w = minutes.window
        if w is None:
            return False
        self._count_slips(w.health)
        if not (minutes.warm and self._is_normal(w.median)):
            return False
        median = _at_mean_speed(w.median, w.pause_rpm)
        return bool(self.series.add(median, Side(w.slap_mm, w.order1_deg)))

    def _shape(self, shape: TurnShape | None) -> None:
        """Take the lag's shape over ten minutes. While a step of the lag stands, an encoder may have moved."""
        if shape is None or self.standing_step("lag") is not None:
            return
        r = self.engine.running
        if r.rpm_min <= shape.rpm <= r.rpm_max:
            self.series.shape.add(shape)

    def _is_normal(self, median: Median) -> bool:
        """At a speed of normal running. While the drive warms through, or creeps in and out of port, it wanders by
        months of wear. The history shows that; the trend must not learn it."""
        r = self.engine.running
        return r.rpm_min <= median.rpm <= r.rpm_max

    def _count_slips(self, h: Health | None) -> None:
        if h is None or h.crank_slips is None or h.cam_slips is None:
            return
        crank, cam = self._slips
        # The head's counts begin again when it does; fewer than before is all of them new.
        self.series.slipped("crank", h.crank_slips - crank if h.crank_slips >= crank else h.crank_slips)
        self.series.slipped("cam", h.cam_slips - cam if h.cam_slips >= cam else h.cam_slips)
        self._slips = (h.crank_slips, h.cam_slips)

    def second(self, t_us: int, utc_s: float, running: Running, hours: float) -> bool:
        """A second is over. True where the trend is due: the hour is full, and there is something new to take up."""
        if self.jumps.sudden.shift is None:
            self._sudden_h = None
        elif self._sudden_h is None:
            self._sudden_h = hours
        if running in STANDING:
            self.series.stopped(hours)
        if t_us < self._due_us:
            return False
        self._due_us = (t_us // self._every_us + 1) * self._every_us
        self.series.ran(utc_s, hours)
        self.summary = replace(self.summary, hours_since_retightened=hours - self.datum.retightened_at_h)
        return self.series.medians > self._medians_in_trend

    def paired(self, pair: LostMotionPair) -> None:
        """Take a measurement of the lost motion; the trend is due with it."""
        self.series.lost_motion.add(pair)

    def book(self, entry: bookings.Entry, log: Sequence[bookings.Entry], hours: float) -> Rebased:
        """`entry` was booked, `log` is the whole log with it: count from the new datum exactly what it touches."""
        before, datum = self.datum, rebase(self.engine, log)
        chain = isinstance(entry, bookings.ChainRenewed | bookings.LinksRenewed)
        lag = chain or (datum.zero_deg, datum.camshaft_set_at_h) != (before.zero_deg, before.camshaft_set_at_h)
        spring = chain or datum.spring_changed_at_h != before.spring_changed_at_h
        if lag:
            self.jumps.rebase_lag()
        if spring:
            self.jumps.spring.rebase()
        if isinstance(entry, bookings.PumpsCompensated):
            self.series.shape.restart()
        how: Literal["keep", "level", "restart"] = "restart" if chain else "level" if spring else "keep"
        self._loadings = loadings_of(log)
        self.series.book_loadings(self._loadings)
        self.series.rebase(datum, lag_restart=lag, spring=how)
        if isinstance(entry, bookings.CamshaftSet | bookings.Retightened):
            self.series.worked(entry.hours)
        self._count_from_datum(hours)
        return Rebased(datum, lag, spring)

    # -- what stands --------------------------------------------------------------------------------------------

    def trend(self, now: SlowMeans) -> Trend:
        """What is known of the wear now. While a jump is not certain yet, the level before it is the present."""
        before_deg, before_mm = self.jumps.lag.in_doubt, self.jumps.spring.in_doubt
        lag = lag_from_zero(now.raw_deg if before_deg is None else before_deg, self.datum.zero_deg)
        spring = now.spring_mm if before_mm is None else before_mm
        jump = self.jumps.lag.standing
        return self.series.trend(now.utc_s, now.hours, lag, spring, jump.size if jump else 0.0)

    def take_trend(self, now: SlowMeans) -> Trend:
        """The trend, and the summary from it."""
        trend = self.last_trend = self.trend(now)
        self._medians_in_trend = self.series.medians
        ahead, datum = nearest(trend), self.datum
        self.summary = WearSummary(
            elongation_percent=trend.elongation_percent.p50,
            agreement=trend.agreement.state,
            causes=trend.agreement.causes,
            hours_to_limit=ahead.hours_to.p05 if ahead else None,
            nearest_limit=ahead.limit if ahead else "",
            hours_since_retightened=trend.retightened_h,
            retighten_every_h=datum.due_h - datum.retightened_at_h,
        )
        return trend

    def _count_from_datum(self, hours: float) -> None:
        datum = self.datum
        self.summary = replace(
            self.summary,
            hours_since_retightened=hours - datum.retightened_at_h,
            retighten_every_h=datum.due_h - datum.retightened_at_h,
        )

    def standing_step(self, series: Series) -> StandingStep | None:
        """A jump of the last revolutions, or a smaller step found in the medians, that nobody has set right since."""
        what, unit = ("Camshaft lag", "°") if series == "lag" else ("Spring length", " mm")
        if (jump := self.jumps.standing(series)) is not None:
            n = abs(jump.teeth or 0)
            teeth = f", as {n} {'tooth' if n == 1 else 'teeth'} of the chain wheel" if n else ""
            stood = f" while the engine stood; {WORK[series]}" if jump.over_standstill else ""
            text = f"{what} stepped by {jump.size:+.2f}{unit}{teeth}{stood}{self._doubt(series, jump.size)}"
            return StandingStep(jump.size, text)
        if (small := self.series.standing_step(series)) is not None:
            stood = f", over a stop; {WORK[series]}" if small.stopped else ""
            size, error = self._size(series, small)
            known = f"{size:+.2f}{unit} (±{max(0.01, NORMAL_95 * error):.2f}{unit})"
            text = f"{what} stepped by {known} at about {small.hours:,.0f} h{stood}{self._doubt(series, size)}"
            return StandingStep(size, text)
        return None

    def _size(self, series: Series, step: StepSeen) -> tuple[float, float]:
        """Of a step found in medians, with its standard error: by the levels just before and after it where the
        revolutions showed it as it happened, since weather has then had no time to move them; else by the chart."""
        shift = self.jumps.sudden.shift
        if series == "lag" and shift is not None and self._sudden_h is not None and not step.stopped:
            at_once = abs(step.hours - self._sudden_h) <= SAME_STEP_H
            if at_once and abs(step.size - shift.size) <= SAME_STEP_DEG:
                return shift.size, shift.error
        return step.size, step.se

    def _doubt(self, series: Series, size: float) -> str:
        """Where the head has counted slips of an encoder's index, the step may be the encoder's own; without a count
        it may be so as well, unless it is as long as teeth of the wheel."""
        if series == "lag" and self.series.slips:
            return "; an encoder's index slipped, look there first"
        if series == "spring":
            return "" if self._moved_together else f". {GIVEN_WAY[size > 0]}"
        return f". {SLIPPED}" if self._step_doubt else ""

    @property
    def _moved_together(self) -> bool:
        """Did the lag step when the length did? Then what moved the camshaft has moved the spring's end as well."""
        lag_h, spring_h = self._stepped_at_h("lag"), self._stepped_at_h("spring")
        return lag_h is not None and spring_h is not None and abs(lag_h - spring_h) <= TOGETHER_H

    def _stepped_at_h(self, series: Series) -> float | None:
        """Running hours of the step that stands; `None` where none does."""
        if self.jumps.standing(series) is not None:
            return self._jumped_h.get(series)
        step = self.series.standing_step(series)
        return None if step is None else step.hours

    @property
    def lag_doubt(self) -> str:
        """Why the lag is not to be called good while a step of it stands that an encoder may have made, or a shift
        that is too small for one."""
        return self._step_doubt or self.jumps.sudden.text

    @property
    def _step_doubt(self) -> str:
        jump = self.jumps.standing("lag")
        if jump.teeth if jump is not None else self.series.standing_step("lag") is None:
            return ""
        return SLIPPED

    @property
    def length_doubt(self) -> str:
        """Why the length is not to be called good while a step of it stands that the transducer may have made."""
        step = self.jumps.standing("spring") or self.series.standing_step("spring")
        return "" if step is None or self._moved_together else GIVEN_WAY[step.size > 0]

    # -- for a spare box, and over a restart --------------------------------------------------------------------

    def learned(self, utc_s: float, hours: float) -> Learned | None:
        """What is to go ashore of the learned figures now; it counts as sent. `None` while nothing is due."""
        if not is_due(self.series, utc_s):
            return None
        message = learned_of(self.series, utc_s, hours)
        sent(self.series, message)
        return message

    def take_over(self, series: Mapping[str, object], hours: float) -> None:
        """Go on from what another box's trend had learned up to these running hours. Raises ValueError for what cannot
        be taken over; a watch that has half of it must not be used."""
        try:
            self.series.load(dict(series))
        except Exception as e:
            # What a damaged disk gives back can fail anywhere below: to the caller it is one case.
            raise ValueError(f"unreadable: {type(e).__name__}: {e}") from None
        if self.series.last_h > hours + HOURS_BEHIND:
            raise ValueError(f"it was learned up to {self.series.last_h:,.0f} h, and running hours are {hours:,.0f}")
        self.series.book_loadings(self._loadings)

    def state(self) -> dict[str, object]:
        """What a restart needs at once; what the trend has learnt is larger, and `series.state` keeps it."""
        scale = scale_of(self.engine, self.datum.zero_deg)
        jumped_h = {str(series): hours for series, hours in self._jumped_h.items()}
        return {**self.jumps.state(), "slips": list(self._slips), "jumped_h": jumped_h, "scale": scale} | {
            "sudden_h": self._sudden_h
        }

    def changed_since(self, kept: Mapping[str, object]) -> Changed:
        """What the settings measure otherwise than when this was kept."""
        return changed_since(kept.get("scale"), self.engine, self.datum.zero_deg)

    def restore(
        self, kept: Mapping[str, object], series: Mapping[str, object] | None, t_us: int, now: SlowMeans
    ) -> None:
        """Go on from `state`, and from what the trend had learnt where that was kept."""
        self.jumps.restore(kept)
        changed = self.changed_since(kept)
        if changed.lag:
            self.jumps.rebase_lag()
        if changed.spring:
            self.jumps.spring.rebase()
        jumped_h = kept.get("jumped_h")  # not in a state of before this was kept
        if isinstance(jumped_h, dict):
            self._jumped_h = {series: float(jumped_h[series]) for series in SERIES if series in jumped_h}
        sudden_h = kept.get("sudden_h")
        self._sudden_h = float(sudden_h) if isinstance(sudden_h, int | float) else None
        slips = kept["slips"]
        if not isinstance(slips, list):  # no assertion: those are gone under -OO
            raise TypeError("slips: not what was kept")
        self._slips = (int(slips[0]), int(slips[1]))
        if series is not None:
            self.series.load(dict(series))
            # The log book is newer than what was kept, where the program ended between the two.
            self.series.book_loadings(self._loadings)
            self.take_trend(now)
        self._count_from_datum(now.hours)
        self._due_us = (t_us // self._every_us + 1) * self._every_us


def _at_mean_speed(median: Median, pause_rpm: float | None) -> Median:
    """A burst of seconds sees the speed on one wave, which moves no chain: the mean over the pause before it gives the
    speed that the lag goes with."""
    if pause_rpm is None or abs(pause_rpm - median.rpm) > WAVES_RPM:
        return median
    return replace(median, rpm=pause_rpm)
