"""The engine's snapshot, taken by its own thread after each turn: all that anybody else may know of the engine.

Page, panel, sheets, status and prefilled bookings read this record and never the pipeline. Nothing in it changes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from gateway.alarm.machine import Alarm, AlarmSet, Finding
from gateway.alarm.wording import short_text
from gateway.measure.timeline import Timeline
from gateway.model.enums import AlarmState, Quality
from gateway.model.records import Reading
from gateway.model.snapshot import AlarmView, EngineDetail, EngineView, HeadView, ShapeDetail
from gateway.pipeline import EnginePipeline
from gateway.wear.bookings import Entry
from gateway.wear.datum import Datum
from gateway.wear.lost_motion import NO_LOST_MOTION
from gateway.wear.shape_reference import ShapeView
from gateway.wear.trend import Trend

ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
UNACKNOWLEDGED = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
Counts = tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class EngineSnapshot:
    """One engine at the end of a turn of its thread.

    `utc_s`, `hours`: pipeline time and running hours, known also while the head is silent. `log`: the log book as the
    pipeline knows it, oldest first. `revolutions_refused`, `link_refused`: causes with their counts, none of them 0.
    """

    view: EngineView
    utc_s: float
    hours: float
    datum: Datum
    trend: Trend | None
    log: tuple[Entry, ...]
    revolutions_used: int
    revolutions_refused: Counts
    link_good: int
    link_lost: int
    link_boots: int
    link_refused: Counts

    @property
    def slug(self) -> str:
        """The engine's short name."""
        return self.view.slug


def take_snapshot(
    p: EnginePipeline, index: int, log: tuple[Entry, ...], alarms: tuple[AlarmView, ...], *, delivery_flowing: bool
) -> EngineSnapshot:
    """The engine as it is now. To be called from the thread that owns `p`, and from no other."""
    counts = p.decoder.counts
    return EngineSnapshot(
        view=_engine_view(p, index, with_present(alarms, p.alarms), delivery_flowing),
        utc_s=p.timeline.utc_s(p.timeline.t_us),
        hours=p.meter.hours.hours,
        datum=p.wear.datum,
        trend=p.wear.last_trend,
        log=log,
        revolutions_used=p.meter.used,
        revolutions_refused=_counts(p.meter.refused),
        link_good=counts.good,
        link_lost=counts.lost,
        link_boots=counts.boots,
        link_refused=_counts(counts.refused),
    )


def alarm_view(
    alarm: Alarm, instance: int, utc_s: float, until_utc_s: float | None = None, since_utc_s: float | None = None
) -> AlarmView:
    """One alarm as it stands; `instance`: 1 for the first engine; `utc_s`: when it last changed; `until_utc_s`:
    when a shelved one comes back; `since_utc_s`: since when it stands."""
    state = alarm.state
    return AlarmView(
        no=alarm.row.no,
        tag=alarm.row.tag,
        title=alarm.row.title,
        text=alarm.facts.text,
        priority=alarm.priority,
        state=state,
        active=state in ACTIVE,
        unacknowledged=state in UNACKNOWLEDGED,
        instance=instance,
        revision=max(1, alarm.facts.revision),
        changed_utc_s=utc_s,
        causes=alarm.facts.causes,
        away=alarm.facts.away or "",
        until_utc_s=until_utc_s,
        short=short_text(alarm.row.tag, alarm.facts.value, alarm.facts.limit) if alarm.facts.text else "",
        since_utc_s=since_utc_s,
    )


def with_present(views: tuple[AlarmView, ...], alarms: AlarmSet) -> tuple[AlarmView, ...]:
    """The same, those that stand with their present figure in place of the one that raised them."""
    if not any(v.active for v in views):
        return views
    return tuple(_present_view(v, alarms[v.tag].present) if v.active else v for v in views)


def _present_view(v: AlarmView, found: Finding | None) -> AlarmView:
    if found is None or found.text == v.text:
        return v
    return replace(v, text=found.text, causes=found.causes, short=short_text(v.tag, found.value, found.limit))


def alarm_views(alarms: AlarmSet, instance: int, timeline: Timeline) -> tuple[AlarmView, ...]:
    """All alarms of an engine."""
    return tuple(
        alarm_view(
            a,
            instance,
            timeline.utc_s(a.facts.changed_us),
            _utc_s(timeline, a.facts.shelved_until_us),
            _utc_s(timeline, a.facts.since_us),
        )
        for a in alarms.alarms.values()
    )


def _counts(counts: Mapping[Any, int]) -> Counts:
    return tuple((cause, n) for cause, n in counts.items() if n)


def _utc_s(timeline: Timeline, t_us: int | None) -> float | None:
    return None if t_us is None else timeline.utc_s(t_us)


def _engine_view(p: EnginePipeline, index: int, alarms: tuple[AlarmView, ...], delivery_flowing: bool) -> EngineView:
    r = p.meter.reading(p.presence.present_us(p.timeline.t_us))
    return EngineView(
        slug=p.engine.slug,
        index=index,
        running=r.running,
        rpm=r.rpm,
        spring_mm=r.spring.value,
        compression_mm=r.compression_mm,
        lag_deg=r.lag.value,
        elongation_percent=p.wear.summary.elongation_percent,
        slap_mm=r.slap_mm,
        hours_to_limit=p.wear.summary.hours_to_limit,
        running_hours=r.hours,
        spring_good=r.spring.quality is Quality.GOOD,
        lag_good=r.lag.quality is Quality.GOOD,
        head_heard=p.presence.is_heard,
        delivery_flowing=delivery_flowing,
        alarms=alarms,
        detail=_detail(p, r),
        work_since_utc_s=_utc_s(p.timeline, p.judging.work.since_us),
    )


def _detail(p: EnginePipeline, r: Reading) -> EngineDetail:
    m, trend = p.meter, p.wear.last_trend
    lost = NO_LOST_MOTION if trend is None else trend.lost_motion
    standing = m.standing_raw_deg()
    return EngineDetail(
        utc_s=p.timeline.utc_s(p.presence.present_us(p.timeline.t_us)),
        spring=r.spring,
        lag=r.lag,
        free_length_mm=m.free_length_mm,
        tension_n=r.tension_n,
        lag_p2p_deg=r.lag_p2p_deg,
        casing_c=r.casing_c,
        raw_deg=m.raw_now(),
        shape_deg=() if m.shape_deg is None else tuple(map(float, m.shape_deg)),
        orders_deg=m.last_cycle.orders_deg if m.last_cycle else (),
        rest_s=m.running.rest_s,
        standing_raw_deg=standing,
        standing_spring_mm=m.standing_spring_mm(),
        standing_lag_deg=m.lag_of(standing),
        turned_raw_deg=m.turned_raw_deg(),
        turned_utc_s=_utc_s(p.timeline, m.turned_us()),
        lost_motion=lost.text,
        turned_lost_deg=None if lost.turned is None else lost.turned.deg,
        turned_lost_from_utc_s=None if lost.turned is None else lost.turned.first_utc_s,
        cam_loads=_cam_loads(p.wear.series.shape.view),
        head=_head_view(p),
    )


def _cam_loads(v: ShapeView) -> ShapeDetail:
    changes = tuple(("/".join(map(str, c.cylinders)), c.p05, c.p50, c.p95) for c in v.changes)
    return ShapeDetail(v.text, v.reference_deg, v.present_deg, changes)


def _head_view(p: EnginePipeline) -> HeadView | None:
    """`None` until the head has named itself."""
    identity, m = p.presence.identity, p.meter
    if identity is None:
        return None
    second, health = m.last_second, m.health
    return HeadView(
        name=identity.name,
        serial=identity.serial,
        firmware=identity.firmware,
        counts=(identity.crank_counts, identity.cam_counts),
        turns=m.turns,
        valid=(second is not None and second.crank_valid, second is not None and second.cam_valid),
        slips=(None, None) if health is None else (health.crank_slips, health.cam_slips),
        skew_ns=None if health is None else health.skew_ns,
        jitter_us=None if health is None else health.jitter_us,
        lost=None if health is None else health.lost,
        crank_deg=m.crank_deg(),
        mounting_deg=m.mounting_deg(),
    )
