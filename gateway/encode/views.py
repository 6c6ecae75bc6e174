"""The board's views of an engine's present, made from the pipeline's own state."""

from gateway.alarm.machine import Alarm, AlarmSet
from gateway.measure.timeline import Timeline
from gateway.model.enums import AlarmState, Quality
from gateway.model.records import Reading
from gateway.model.snapshot import AlarmView, EngineDetail, EngineView
from gateway.pipeline import EnginePipeline

ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
UNACKNOWLEDGED = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


def alarm_view(alarm: Alarm, instance: int, utc_s: float, until_utc_s: float | None = None) -> AlarmView:
    """One alarm as it stands; `instance`: 1 for the first engine; `utc_s`: when it last changed; `until_utc_s`:
    when a shelved one comes back."""
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
    )


def alarm_views(alarms: AlarmSet, instance: int, timeline: Timeline) -> tuple[AlarmView, ...]:
    """All alarms of an engine."""
    return tuple(
        alarm_view(a, instance, timeline.utc_s(a.facts.changed_us), _utc_s(timeline, a.facts.shelved_until_us))
        for a in alarms.alarms.values()
    )


def _utc_s(timeline: Timeline, t_us: int | None) -> float | None:
    return None if t_us is None else timeline.utc_s(t_us)


def engine_view(
    p: EnginePipeline, index: int, t_us: int, alarms: tuple[AlarmView, ...], *, delivery_flowing: bool
) -> EngineView:
    """The engine at pipeline time `t_us`; what is not known, or too old, is `None`."""
    r = p.meter.reading(t_us)
    return EngineView(
        slug=p.engine.slug,
        index=index,
        running=r.running,
        rpm=r.rpm,
        spring_mm=r.spring.value,
        compression_mm=r.compression_mm,
        lag_deg=r.lag.value,
        elongation_percent=p.wear_seen.elongation_percent,
        slap_mm=r.slap_mm,
        hours_to_limit=p.wear_seen.hours_to_limit,
        running_hours=r.hours,
        spring_good=r.spring.quality is Quality.GOOD,
        lag_good=r.lag.quality is Quality.GOOD,
        head_heard=p.head_heard,
        delivery_flowing=delivery_flowing,
        alarms=alarms,
        detail=_detail(p, t_us, r),
    )


def _detail(p: EnginePipeline, t_us: int, r: Reading) -> EngineDetail:
    m = p.meter
    return EngineDetail(
        utc_s=p.timeline.utc_s(t_us),
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
        standing_raw_deg=m.standing_raw_deg(),
        turned_raw_deg=m.turned_raw_deg(),
        turned_utc_s=_utc_s(p.timeline, m.turned_us()),
    )
