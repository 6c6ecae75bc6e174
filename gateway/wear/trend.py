"""One engine's wear as it goes on: medians in; steps, trend, forecast, agreement and decision out.

Everything is counted from the datum, the last time hands were on the drive. Two series are fitted: the lag since the
camshaft was set, and the spring's length since the chain was tightened. Changes that are compared count from when
both were left alone and both were seen: before the gateway watched, nothing is known of a series but its datum.
"""

import math
from collections import deque
from dataclasses import astuple, dataclass, replace
from typing import Any, Literal

from gateway.model.records import Median
from gateway.model.settings import EngineSettings
from gateway.wear import geometry
from gateway.wear.agreement import Agreement, Evidence, StepSeen, agreement
from gateway.wear.datum import Datum
from gateway.wear.decision import Decision, Standing, decide
from gateway.wear.drift import Drift, rounded_up
from gateway.wear.elongation import (
    WEAR_PERCENT_PER_1000H,
    Change,
    Combined,
    Estimate,
    combine,
    from_lag,
    from_links,
    from_lost_motion,
    from_tightener,
    growth_from_lag,
    growth_from_spring,
)
from gateway.wear.forecast import (
    UNKNOWN,
    Line,
    Range,
    dates,
    hours_per_day,
    hours_to,
    interval_left,
    level,
    line_of,
    slope_per_1000h,
)
from gateway.wear.loading import loading_text
from gateway.wear.lost_motion import NO_LOST_MOTION, LostMotion, LostMotionView
from gateway.wear.refusals import HOURS_SLACK_H
from gateway.wear.ride_out import Interval, RideOut, mesh_share
from gateway.wear.rows import Loadings
from gateway.wear.scale import Changed, changed_since, scale_of
from gateway.wear.segments import Segments, StepFound
from gateway.wear.shape_reference import ShapeReference
from gateway.wear.stop_shifts import StopShifts
from gateway.wear.student import quantile

NORMAL_95 = 1.6448536269514722
"""The normal distribution's 95 % quantile."""
LAG_STEP_DEG = 0.1
"""The step sought in the lag's medians: a coupling that slips so far is found within hours, wear never steps."""
SPRING_STEP_MM = 0.5
LAG_OVER_STOP_DEG, SPRING_OVER_STOP_MM = 0.04, 0.25
"""Usual shifts over a stop, standard deviation: another loading, a drive warmed otherwise; from memory."""
YOUNG_LAG_SE_DEG = 0.1
"""Standard error of the present lag while the trend is not known: warmth and load not yet accounted for."""
HISTORY_STEP_S = 6 * 3600.0
HISTORY_POINTS = 130
"""A point each six hours for a good thirty days."""
STOP_NEAR_H = 0.5
"""An onset is dated to a few medians: a stop within so many running hours of it may have been when it happened; and
none are taken while the drive warms through after a stop."""
WORK_SHOWS_H = 4.0
"""... and a step is dated to a few medians, which are up to an hour apart in bursts."""
IN_PIECES_H = 12.0
CREPT = 2.0
"""So many times the least that counts (1.5 times what is sought) small steps must come to that are days apart."""
STEPS_MAX = 16
JUMP_ERROR = 0.1
"""Standard error of a jump seen from revolution to revolution, as a share of the step that is sought in the medians."""
WATCHED_FROM_H = 100.0
"""A trend that begins so soon after the drive was set has seen all of its wear since."""
CLEAR = 0.4
"""A limit is in sight only where the slope's lower end (1 in 20) is so much of its median: 2.7 standard errors from
zero. Asked only whether it is above zero, more than one ship in twenty would be called in its first weeks, when each
day is another chance."""
NO_WARMTH = "no temperature of casing or frame: the trend goes on without it, check the head's inputs"
Series = Literal["lag", "spring"]


@dataclass(frozen=True, slots=True)
class Side:
    """What else ten minutes show, a help in distinguishing causes: slap, the lag's first order; `None` = not known."""

    slap_mm: float | None = None
    order1_deg: float | None = None


@dataclass(frozen=True, slots=True)
class LimitAhead:
    """Running hours until a limit is reached, and the UTC (s) that will then be."""

    limit: str
    hours_to: Range
    date: Range


@dataclass(frozen=True, slots=True)
class Trend:
    """Wear of one engine at `hours`. Ranges are 5–95 %; lag in degrees of the crank, elongation in per cent."""

    utc_s: float
    hours: float
    lag_deg: Range
    lag_deg_per_1000h: Range
    elongation_percent: Range
    elongation_percent_per_1000h: Range
    spring_mm: Range
    spring_mm_per_1000h: Range
    limits: tuple[LimitAhead, ...]
    retightened_h: float
    camshaft_set_h: float
    agreement: Agreement
    decision: Decision
    why_unknown: str = ""
    """Why the lag's trend is not known, empty where it is."""
    noise: str = ""
    """What the lag's range rests on."""
    lost_motion: LostMotionView = NO_LOST_MOTION


@dataclass(frozen=True, slots=True)
class SentAshore:
    """What of the learned figures is ashore. `utc_s`: of the last message; `void`: work was done, or the settings
    changed, since; `pairs_utc_s`: of the newest pair of lost motion in it."""

    utc_s: float | None = None
    void: bool = False
    pairs_utc_s: float = 0.0


class Baseline:
    """A side figure now against what it was just after the datum: means of the first and of the last medians."""

    FIRST = 144
    RECENT = 36.0

    def __init__(self) -> None:
        self.n = 0
        self.first = self.first_sq = self.recent = 0.0

    def add(self, value: float | None) -> None:
        """Take a median's side figure."""
        if value is None:
            return
        self.n += 1
        if self.n <= self.FIRST:
            delta = value - self.first
            self.first += delta / self.n
            self.first_sq += delta * (value - self.first)
            self.recent = self.first
        else:
            self.recent += (value - self.recent) / self.RECENT

    def change(self) -> tuple[float, float, float] | None:
        """Figure then, figure now, standard error of their difference; `None` while both are the same medians."""
        if self.n < 2 * self.FIRST:
            return None
        # Neighbouring medians are alike: their spread is taken whole, as if there were but one of each.
        return self.first, self.recent, math.sqrt(self.first_sq / (self.FIRST - 1))


class EngineWear:
    """Owns the two fits and the datum of one engine. Deterministic; `state` and `load` carry it over a restart."""

    def __init__(self, engine: EngineSettings, datum: Datum) -> None:
        self.engine = engine
        self.datum = datum
        self.lag = Segments("lag", LAG_STEP_DEG)
        self.spring = Segments("spring", SPRING_STEP_MM)
        self.steps: deque[StepSeen] = deque(maxlen=STEPS_MAX)
        self.medians = 0
        self.last_h = -math.inf
        """Running hours of the newest median."""
        self._first_h: float | None = None
        self._lag_first_h: float | None = None
        self._stops: deque[float] = deque(maxlen=8)
        self._history: deque[tuple[float, float]] = deque(maxlen=HISTORY_POINTS)
        self._slap, self._order1 = Baseline(), Baseline()
        self._crank_slips = self._cam_slips = 0
        self.ride_out = RideOut(mesh_share(engine))
        self._over_stops = {"lag": StopShifts(LAG_OVER_STOP_DEG), "spring": StopShifts(SPRING_OVER_STOP_MM)}
        self._loadings: Loadings = ()
        self.lost_motion = LostMotion(engine, datum.spring_changed_at_h)
        self.shape = ShapeReference(engine)
        self.ashore = SentAshore()

    # -- what comes in ------------------------------------------------------------------------------------------

    def add(self, median: Median, side: Side = Side()) -> list[tuple[Series, StepFound]]:
        """Take ten minutes; returns the steps that they make certain."""
        self.medians += 1
        self.last_h = max(self.last_h, median.hours)
        if self._first_h is None:
            self._first_h = median.hours
        if self._lag_first_h is None and median.lag_deg is not None:
            self._lag_first_h = median.hours
        self._slap.add(side.slap_mm)
        self._order1.add(side.order1_deg)
        found: list[tuple[Series, StepFound]] = []
        for series, segments, value in (("lag", self.lag, median.lag_deg), ("spring", self.spring, median.spring_mm)):
            step = segments.add(median) if value is not None else None
            name: Series = "lag" if series == "lag" else "spring"
            if step is not None and not self._usual_over_stop(name, step):
                found.append((name, step))
                self.steps.append(
                    StepSeen(name, step.size, step.error, step.onset_hours, self._near_stop(step.onset_hours))
                )
        return found

    def _usual_over_stop(self, series: Series, step: StepFound) -> bool:
        """Is it a shift over a stop as legs and warmth make them? The fit has its new level then, and that is all."""
        shifts = self._over_stops[series]
        if not self._near_stop(step.onset_hours) or shifts.is_step(step.size):
            return False
        shifts.learn(step.size)
        return True

    def book_loadings(self, loadings: Loadings) -> None:
        """Take the loading condition as it is booked, each with the running hours from which it holds."""
        self._loadings = loadings
        self.lag.book_loadings(loadings)
        self.spring.book_loadings(loadings)

    def jumped(self, series: Series, size: float, hours: float) -> bool:
        """The revolutions show a jump. True where the medians are too few yet to find it: a new level begins here.

        Without that a jump among the first medians would be taken for a slope.
        """
        segments = self.lag if series == "lag" else self.spring
        if segments.armed:
            return False
        segments.rebase(keep_slope=True)
        self.steps.append(StepSeen(series, size, JUMP_ERROR * segments.step, hours, self._near_stop(hours)))
        return True

    def stopped(self, hours: float) -> None:
        """The engine stands, or is on the turning gear."""
        if not self._stops or hours - self._stops[-1] > 0.01:
            self._stops.append(hours)

    def slipped(self, which: Literal["crank", "cam"], count: int) -> None:
        """The head counted index slips of an encoder."""
        if which == "crank":
            self._crank_slips += count
        else:
            self._cam_slips += count

    @property
    def slips(self) -> int:
        """Index slips of both encoders since the camshaft was set."""
        return self._crank_slips + self._cam_slips

    def ran(self, utc_s: float, hours: float) -> None:
        """Remember the running hours, for dates."""
        if not self._history or utc_s - self._history[-1][0] >= HISTORY_STEP_S:
            self._history.append((utc_s, hours))

    def _near_stop(self, hours: float) -> bool:
        warming_h = self.engine.running.trend_after_min / 60
        return any(-STOP_NEAR_H <= hours - stop <= warming_h + STOP_NEAR_H for stop in self._stops)

    @property
    def _work_shows_h(self) -> float:
        """Running hours after a work in which its step may be dated: no median is taken while the drive warms."""
        return self.engine.running.trend_after_min / 60 + WORK_SHOWS_H

    def rebase(self, datum: Datum, *, lag_restart: bool, spring: Literal["keep", "level", "restart"]) -> None:
        """A booking has moved the datum. `lag_restart`: the camshaft or the chain; `spring`: level only, or all of it.

        The work may have been done hours before it is booked: the spring's level is split where it was done, and what
        happened to the drive since then stands.
        """
        if lag_restart or spring != "keep":
            self._learn_ride_out()
        if spring == "restart":
            self.ride_out.restart()
        self.datum = datum
        self.lost_motion.rebase(datum.spring_changed_at_h)
        if lag_restart:
            self.lag.rebase(keep_slope=False)
            self._lag_first_h = None
            self._order1 = Baseline()
            self._crank_slips = self._cam_slips = 0
        if spring != "keep":
            self.spring.rebase(keep_slope=spring == "level", since_h=datum.spring_changed_at_h + HOURS_SLACK_H)
            self._slap = Baseline()
        if lag_restart or spring != "keep":
            self._first_h = None
            self.shape.restart()
            self.ashore = replace(self.ashore, void=True)
            done_h = {"lag": datum.lag_start_at_h} if lag_restart else {}
            done_h |= {"spring": datum.spring_changed_at_h} if spring != "keep" else {}
            kept = (s for s in self.steps if s.hours > done_h.get(s.series, -math.inf) + self._work_shows_h)
            self.steps = deque(kept, maxlen=STEPS_MAX)

    def worked(self, hours: float) -> None:
        """Work at the drive was booked: pairs of lost motion that it makes void are void ashore as well."""
        before = list(self.lost_motion.pairs)
        self.lost_motion.worked(hours)
        gone = [p.utc_s for p in before if p not in self.lost_motion.pairs]
        if gone:
            self.ashore = replace(self.ashore, void=True, pairs_utc_s=min(self.ashore.pairs_utc_s, min(gone) - 1.0))

    # -- what stands --------------------------------------------------------------------------------------------

    def standing_step(self, series: Series) -> StepSeen | None:
        """The steps of a series that no booking has explained, as one: their sum, dated from the largest.

        Steps below three quarters of what is sought are new levels of the fit, by legs and weather, for which nobody is
        called. They count only within half a day of the largest, where a step was seen in pieces, or where all of them
        add up to one and a half times what is sought. `None` where later steps have undone the earlier.
        """
        steps = [s for s in self.steps if s.series == series]
        if not steps:
            return None
        largest = max(steps, key=lambda s: abs(s.size))
        near = (s.size for s in steps if _counts(series, s.size) or abs(s.hours - largest.hours) <= IN_PIECES_H)
        size, whole = sum(near), sum(s.size for s in steps)
        if not _counts(series, size):
            size = whole
            if not _counts(series, size / CREPT):
                return None
        return replace(largest, size=size)

    def trend(
        self, utc_s: float, hours: float, lag_deg: float | None, spring_mm: float | None, jump_deg: float = 0.0
    ) -> Trend:
        """All that is known at `utc_s`, `hours`. `lag_deg`, `spring_mm`: the present, smoothed, or `None`.

        `jump_deg`: a jump of the lag that stands, which is no growth of the chain.
        """
        self.ran(utc_s, hours)
        lag_fit, spring_fit = self.lag.drift(), self.spring.drift()
        lag, spring = line_of(lag_fit), line_of(spring_fit)
        agreed = self._agreement(lag, spring, hours, lag_deg)
        combined = self._elongation(lag, spring, hours, None if lag_deg is None else lag_deg - jump_deg)
        limits = self._limits(lag, spring, utc_s, hours)
        compression = None if spring_mm is None else self.datum.compression_mm(spring_mm)
        lag_now = lag.at(hours)[0] if lag is not None else lag_deg
        order_h = next((x.hours_to.p05 for x in limits if x.limit == "elongation-limit"), None)
        percent = combined.estimate.percent if combined else None
        standing = Standing(lag_now, percent, compression, hours, agreed, order_h)
        since = self.datum.hours_since(hours)
        return Trend(
            utc_s=utc_s,
            hours=hours,
            lag_deg=level(lag, hours),
            lag_deg_per_1000h=slope_per_1000h(lag),
            elongation_percent=UNKNOWN if combined is None else _normal(combined.estimate),
            elongation_percent_per_1000h=self._growth(lag, spring, agreed),
            spring_mm=level(spring, hours),
            spring_mm_per_1000h=slope_per_1000h(spring),
            limits=limits,
            retightened_h=since["retightened"],
            camshaft_set_h=since["camshaft_set"],
            agreement=agreed,
            decision=decide(self.engine, self.datum, standing),
            why_unknown=_why(lag_fit, self.datum),
            noise=_rests_on(lag_fit, self._loadings, warmth_lost=self.lag.fit.warmth_lost),
            lost_motion=self.lost_motion.view(hours, self.ride_out),
        )

    def _agreement(self, lag: Line | None, spring: Line | None, hours: float, lag_deg: float | None) -> Agreement:
        start = max(self.datum.common_since_h, self._first_h if self._first_h is not None else hours)
        span = max(0.0, hours - start)
        slap, order1 = self._slap.change(), self._order1.change()
        lost = self.lost_motion
        evidence = Evidence(
            hours=span,
            lag=self._change(lag, span, "lag"),
            spring=self._change(spring, span, "spring"),
            steps=tuple(s for s in self.steps if _counts(s.series, s.size)),
            crank_slips=self._crank_slips,
            cam_slips=self._cam_slips,
            order_changed=None if order1 is None else abs(order1[1] - order1[0]) > max(3 * order1[2], 0.02),
            ride_out=self.ride_out,
            lag_deg=lag_deg,
            lost_growth=lost.growth(start, hours),
            lost_stepped=lost.stepped(),
            lost_step=lost.step(),
            transducer_off=lost.transducer_off_mm(),
            slap_ratio=None
            if slap is None or slap[0] <= 0
            else Change(slap[1] / slap[0], max(slap[2] / slap[0], 0.02)),
        )
        return agreement(self.engine, evidence)

    def _change(self, line: Line | None, span_h: float, series: Series) -> Change | None:
        if line is None:
            return None
        stepped = sum(s.size for s in self.steps if s.series == series and _counts(series, s.size))
        widened = quantile(0.95, line.dof) / NORMAL_95
        return Change(line.b * span_h + stepped, widened * math.sqrt(line.var_b) * span_h)

    def _elongation(
        self, lag: Line | None, spring: Line | None, hours: float, lag_deg: float | None
    ) -> Combined | None:
        d = self.datum
        lag_change = self._lag_growth(lag, hours, lag_deg)
        since_h = hours - d.spring_changed_at_h
        spring_change = self._spring_growth(spring, hours, since_h)
        lost = self.lost_motion.since_retightening(hours, self.ride_out)
        return combine(
            [
                from_lag(self.engine, d.lag_start, lag_change),
                from_tightener(self.engine, d.spring_start, spring_change, since_h, self.ride_out.growth),
                self._by_hand(lag, hours),
                # Not before its relation to elongation is learned: until then it shows a change only.
                from_lost_motion(d.spring_start, lost) if self.ride_out.learned else None,
            ]
        )

    def _lag_growth(self, lag: Line | None, hours: float, lag_deg: float | None) -> Change | None:
        """The lag's growth since it was set: by the trend alone where that has seen all of it.

        The zero is taken with the engine stopped and cold: twist and warmth under way lie a year of wear beside it.
        Until the trend is known, a chain wears as chains do. The zero itself serves for what went on unwatched.
        """
        d = self.datum
        first_h = hours if self._lag_first_h is None else self._lag_first_h
        if first_h - d.lag_start_at_h < WATCHED_FROM_H:
            since_h = max(0.0, hours - d.lag_start_at_h)
            if lag is not None:
                return Change(lag.b * since_h, math.sqrt(lag.var_b) * since_h)
            usual_deg = WEAR_PERCENT_PER_1000H * since_h / 1000 * geometry.deg_per_percent(self.engine)
            return Change(usual_deg, usual_deg)
        if lag is not None:
            level_deg, error = lag.at(hours)
            change = Change(level_deg - self._stepped_deg, error)
        elif lag_deg is not None:
            change = Change(lag_deg, YOUNG_LAG_SE_DEG)
        else:
            return None
        return Change(change.value - (d.lag_at_set_deg or 0.0), change.se)

    def _spring_growth(self, spring: Line | None, hours: float, since_h: float) -> Change | None:
        """The spring's travel since it was set: by the trend alone where that has seen all of it.

        The length booked with the engine stopped and cold is not the length under way, by more than months of wear; it
        serves only for what went on before the gateway watched.
        """
        d = self.datum
        if spring is None:
            return None
        if self._first_h is not None and self._first_h - d.spring_changed_at_h < WATCHED_FROM_H:
            return Change(spring.b * since_h, math.sqrt(spring.var_b) * since_h)
        if d.spring_at_datum_mm is None:
            return None
        value, error = spring.at(hours)
        return Change(value - d.spring_at_datum_mm, error)

    @property
    def _stepped_deg(self) -> float:
        """What of the lag came in steps since the camshaft was set: a coupling, a tooth, an encoder, but no wear."""
        return sum(s.size for s in self.steps if s.series == "lag")

    def _by_hand(self, lag: Line | None, hours: float) -> Estimate | None:
        d = self.datum
        if d.links is None or d.links_at_h is None:
            return None
        links, length_mm = d.links
        since_h = max(0.0, hours - d.links_at_h)
        growth = None
        if lag is not None:
            per = geometry.deg_per_percent(self.engine)
            growth = Change(lag.b * since_h / per, math.sqrt(lag.var_b) * since_h / per)
        pitch_mm = geometry.stages(self.engine)[self.engine.chain.tightener_stage - 1].pitch_mm
        return from_links(pitch_mm, links, length_mm, since_h=since_h, growth=growth)

    def _growth(self, lag: Line | None, spring: Line | None, agreed: Agreement) -> Range:
        """The chain's own rate: from the lag, and from the spring as well where the two agree."""
        per_deg = 1 / geometry.deg_per_percent(self.engine)
        by_lag = slope_per_1000h(lag.scaled(per_deg) if lag is not None else None)
        if self.engine.tightener.kind == "locked" or spring is None:
            return by_lag
        by_spring = self._whole(slope_per_1000h(spring.scaled(1 / geometry.spring_mm_per_percent(self.engine))))
        if lag is None or agreed.state != "agree":
            return by_lag if lag is not None else by_spring
        return pooled(by_lag, by_spring)

    def _whole(self, seen: Range) -> Range:
        """The chain's own rate behind that which the tightener sees."""
        if seen.p05 is None or seen.p50 is None or seen.p95 is None:
            return seen
        whole = self.ride_out.growth(Change(seen.p50, (seen.p95 - seen.p05) / 2 / NORMAL_95))
        reach = NORMAL_95 * whole.se
        return Range(whole.value - reach, whole.value, whole.value + reach)

    def _learn_ride_out(self) -> None:
        """The work done ends an interval: hold the tightener's growth over it against the lag's; of a locked one, that
        of the lost motion."""
        lag, spring = line_of(self.lag.drift()), line_of(self.spring.drift())
        if lag is None or self._first_h is None:
            return
        start_h = max(self.datum.common_since_h, self._first_h)
        span_h = self.last_h - start_h
        if self.lost_motion.is_estimate:
            lost = self.lost_motion.growth(start_h, self.last_h)
            by_lag = Change(lag.b * span_h, math.sqrt(lag.var_b) * span_h)
            if lost is not None and span_h > 0:
                self.ride_out.learn(Interval(growth_from_lag(self.engine, by_lag), lost))
            return
        if spring is None or self.engine.tightener.kind == "locked":
            return
        by_lag, by_spring = (Change(x.b * span_h, math.sqrt(x.var_b) * span_h) for x in (lag, spring))
        seen = growth_from_spring(self.engine, by_spring, span_h)
        if seen is not None and span_h > 0:
            self.ride_out.learn(Interval(growth_from_lag(self.engine, by_lag), seen))

    def _limits(self, lag: Line | None, spring: Line | None, utc_s: float, hours: float) -> tuple[LimitAhead, ...]:
        e, d = self.engine, self.datum
        found: list[tuple[str, Range]] = [
            ("lag-near", hours_to(lag, e.lag.near_deg, hours)),
            ("lag-limit", hours_to(lag, e.lag.limit_deg, hours)),
        ]
        if e.tightener.kind == "sprung":
            loose_mm = d.free_length_mm - (e.tightener.required_compression_mm - e.tightener.band_mm)
            found.append(("tension-low", hours_to(spring, loose_mm, hours)))
        start = d.lag_start
        if start is not None:
            per = 1 / geometry.deg_per_percent(e)
            offset = start.percent - per * ((d.lag_at_set_deg or 0.0) + self._stepped_deg)
            percent = lag.scaled(per, offset) if lag is not None else None
            near, limit = e.elongation.near_percent, e.elongation.limit_percent
            found.append(("elongation-near", hours_to(percent, near, hours, limit_sd=start.se_percent)))
            found.append(("elongation-limit", hours_to(percent, limit, hours, limit_sd=start.se_percent)))
        due = interval_left(d.due_h - d.retightened_at_h, hours - d.retightened_at_h)
        found.append(("retighten-due", due))
        per_day = hours_per_day(list(self._history))
        return tuple(LimitAhead(tag, left, dates(left, utc_s, per_day)) for tag, left in found)

    # -- over a restart -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything but settings and datum, JSON-able."""
        return {
            "lag": self.lag.state(),
            "spring": self.spring.state(),
            "steps": [[s.series, s.size, s.se, s.hours, s.stopped] for s in self.steps],
            "medians": self.medians,
            "last_h": self.last_h if self.medians else None,
            "first_h": self._first_h,
            "lag_first_h": self._lag_first_h,
            "stops": list(self._stops),
            "history": [list(point) for point in self._history],
            "slap": [self._slap.n, self._slap.first, self._slap.first_sq, self._slap.recent],
            "order1": [self._order1.n, self._order1.first, self._order1.first_sq, self._order1.recent],
            "slips": [self._crank_slips, self._cam_slips],
            "ride_out": self.ride_out.state(),
            "over_stops": {name: shifts.state() for name, shifts in self._over_stops.items()},
            "loadings": [list(since) for since in self._loadings],
            "lost_motion": self.lost_motion.state(),
            "shape": self.shape.state(),
            "ashore": list(astuple(self.ashore)),
            "scale": scale_of(self.engine, self.datum.zero_deg),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`: what comes of it is the same to the bit."""
        self.lag.load(state["lag"])
        self.spring.load(state["spring"])
        self.steps = deque((StepSeen(*s) for s in state["steps"]), maxlen=STEPS_MAX)
        self.medians, self._first_h = state["medians"], state["first_h"]
        # A state of before this was kept knows only since when both were left alone.
        self._lag_first_h = state.get("lag_first_h", state["first_h"])
        self.last_h = -math.inf if state["last_h"] is None else state["last_h"]
        self._stops = deque(state["stops"], maxlen=8)
        self._history = deque(((u, h) for u, h in state["history"]), maxlen=HISTORY_POINTS)
        for baseline, kept in ((self._slap, state["slap"]), (self._order1, state["order1"])):
            baseline.n, baseline.first, baseline.first_sq, baseline.recent = kept
        self._crank_slips, self._cam_slips = state["slips"]
        # A state of version 0.1 has neither of these.
        if "ride_out" in state:
            self.ride_out.load(state["ride_out"])
        for name, shifts in state.get("over_stops", {}).items():
            self._over_stops[name].load(shifts)
        self._loadings = tuple((hours, value) for hours, value in state.get("loadings", ()))
        if "lost_motion" in state:
            self.lost_motion.load(state["lost_motion"])
        if "shape" in state:
            self.shape.load(state["shape"])
        self.ashore = SentAshore(*state.get("ashore", ()))
        self._measured_otherwise(changed_since(state.get("scale"), self.engine, self.datum.zero_deg))

    def _measured_otherwise(self, changed: Changed) -> None:
        """The settings were changed: figures have stepped, and the drive has not. What it wears at stands."""
        if changed.lag:
            self.lag.rebase(keep_slope=True)
        if changed.spring:
            self.spring.rebase(keep_slope=True)
        if changed.lag or changed.spring:
            self._first_h = None
            # What was sent is measured otherwise: all pairs go again.
            self.ashore = replace(self.ashore, void=True, pairs_utc_s=0.0)
        self.lost_motion.skewed(changed.skew_us)


def nearest(trend: Trend) -> LimitAhead | None:
    """The limit not yet reached that may be reached first, by the earliest end (1 in 20) of its forecast.

    Only where the drift towards it is known well enough to plan by (`CLEAR`), or exactly: in the first weeks of a fit
    the earliest end alone is near for want of data, and would cry wolf.
    """
    ahead = [x for x in trend.limits if _is_clear(trend, x) and x.hours_to.p50 is not None and x.hours_to.p50 > 0]
    return min(ahead, key=lambda x: x.hours_to.p05 or 0.0, default=None)


def _is_clear(trend: Trend, ahead: LimitAhead) -> bool:
    if ahead.hours_to.p05 is None or ahead.limit == "retighten-due":
        return ahead.hours_to.p05 is not None
    slope = trend.spring_mm_per_1000h if ahead.limit == "tension-low" else trend.lag_deg_per_1000h
    return slope.p05 is not None and slope.p50 is not None and slope.p05 >= CLEAR * slope.p50


def _counts(series: Series, size: float) -> bool:
    """Three quarters of what is sought and more; less is a new level for the fit, but no happening at the drive."""
    return abs(size) >= 0.75 * (LAG_STEP_DEG if series == "lag" else SPRING_STEP_MM)


def _normal(estimate: Estimate) -> Range:
    reach = NORMAL_95 * estimate.se_percent
    return Range(estimate.percent - reach, estimate.percent, estimate.percent + reach)


def pooled(a: Range, b: Range) -> Range:
    """Two independent figures in one, weighted by inverse variance."""
    if a.p05 is None or a.p50 is None or a.p95 is None or b.p05 is None or b.p50 is None or b.p95 is None:
        return a
    half_a, half_b = (a.p95 - a.p05) / 2, (b.p95 - b.p05) / 2
    if half_a <= 0 or half_b <= 0:
        return a
    # By shares, since an inverse variance overflows where a series never moved.
    both = math.hypot(half_a, half_b)
    mean, half = a.p50 + (b.p50 - a.p50) * (half_a / both) ** 2, half_a * (half_b / both)
    return Range(mean - half, mean, mean + half)


def _rests_on(fit: Drift, loadings: Loadings, *, warmth_lost: bool) -> str:
    """What the range of a fit rests on, which loading condition is booked, and whether a temperature is missing."""
    levels = "" if fit.levels < 2 else f" at {fit.levels} levels"
    rests = f"{fit.n:,} medians of ten minutes{levels}; weather, season and legs allowed for" if fit.enough else ""
    booked = f"loading: {loading_text(loadings)}" if loadings else "loading not booked"
    return "; ".join(x for x in (rests, booked, NO_WARMTH if warmth_lost else "") if x)


def _why(fit: Drift, datum: Datum) -> str:
    if datum.zero_deg is None:
        return "the zero was never taken: book the camshaft setting with the pin gauge's reading"
    if not fit.enough:
        return fit.why
    return f"not known yet (about {rounded_up(fit.needed_h)} h more needed)" if fit.needed_h > 0 else ""
