"""The present as the page shows it, made from the snapshot."""

from collections.abc import Callable, Iterable

from gateway.alarm.wording import WORDS
from gateway.encode.engine_state import EngineState, State, action_of, alarms_state, engine_state, present_figure, since
from gateway.encode.messages import TrendMessage, rfc3339
from gateway.encode.outlook import outlook
from gateway.model.enums import AlarmState, Quality
from gateway.model.records import Measured
from gateway.model.settings import EngineSettings
from gateway.model.snapshot import AlarmView, EngineView, ShapeDetail, Snapshot
from gateway.outlets.page.inputs import PageInputs, StoreReaders
from gateway.outlets.page.mask import Mask
from gateway.outlets.page.shapes import (
    AlarmAnswer,
    CamLoad,
    CamLoads,
    EngineAnswer,
    LimitsAnswer,
    PresentAnswer,
    PresentFigure,
    StateAnswer,
)
from gateway.wear.course import band_mm

QUIET_S = 3.0
"""Sooner than the alarm of a silent head, so that figures are seen to be old before they are taken away."""
NOT_YET = Measured(None, Quality.BAD, "nothing heard from the sensor head")
AWAY_WORDS = {
    AlarmState.SHELVED: "shelved",
    AlarmState.OUT_OF_SERVICE: "out of service",
    AlarmState.SUPPRESSED: "suppressed",
}
_CALLING = {AlarmState.UNACKNOWLEDGED: 0, AlarmState.ACKNOWLEDGED: 1, AlarmState.RETURNED: 2}
_WEIGHT = {"emergency-alarm": 0, "alarm": 1, "warning": 2, "caution": 3}


def present(inputs: PageInputs, store: StoreReaders, utc_s: float, mask: Mask) -> PresentAnswer:
    """All of it, at `utc_s`. It is the same for all viewers, so names are left out for all: the record has them."""
    board: Snapshot = inputs.board()
    settings = {e.slug: e for e in inputs.settings.engine}
    quiet_s = {h.slug: QUIET_S if h.burst_pause_s == 0 else 3 * h.burst_pause_s for h in inputs.settings.head}
    return PresentAnswer(
        ts=rfc3339(utc_s),
        vessel=inputs.settings.vessel.name,
        version=inputs.version,
        heartbeat=board.heartbeat,
        fresh=board.fresh,
        silenced=board.silenced,
        alarm_colour=inputs.settings.page.alarm_colour,
        sound=inputs.settings.page.sound,
        state=_state(alarms_state(board.gateway_alarms)),
        engines=tuple(
            engine_answer(
                settings[v.slug], v, store.trend(v.slug), quiet_s[settings[v.slug].head], mask, fresh=board.fresh
            )
            for v in board.engines
        ),
        alarms=alarm_answers("", board.gateway_alarms, mask),
    )


def engine_answer(
    e: EngineSettings, v: EngineView, trend: TrendMessage | None, quiet_s: float, mask: Mask, *, fresh: bool
) -> EngineAnswer:
    """One engine."""
    d = v.detail
    hours = None if trend is None else trend.hours_since.retightened
    state = engine_state(v, fresh=fresh)
    known = state.state is not State.NO_DATA
    return EngineAnswer(
        slug=v.slug,
        name=e.name or e.slug,
        running=v.running,
        rpm=v.rpm,
        hours=v.running_hours,
        head_heard=v.head_heard,
        quiet_s=quiet_s,
        ts=None if d is None else rfc3339(d.utc_s),
        spring_mm=_figure(d.spring if d else NOT_YET),
        compression_mm=v.compression_mm,
        tension_n=d.tension_n if d else None,
        slap_mm=v.slap_mm,
        lag_deg=_figure(d.lag if d else NOT_YET),
        lag_p2p_deg=d.lag_p2p_deg if d else None,
        raw_deg=d.raw_deg if d else None,
        elongation_percent=v.elongation_percent,
        casing_c=d.casing_c if d else None,
        shape_deg=tuple(round(x, 4) for x in d.shape_deg) if d else (),
        orders_deg=tuple(round(x, 4) for x in d.orders_deg) if d else (),
        lost_motion=d.lost_motion if d else "",
        cam_loads=_cam_loads(d.cam_loads if d else ShapeDetail()),
        limits=limits_answer(e, d.free_length_mm if d else e.tightener.free_length_mm),
        trend=trend,
        outlook={} if trend is None else {x.limit: outlook(x, trend) for x in trend.limits},
        state=_state(state),
        alarms=alarm_answers(
            v.slug, v.alarms, mask, lambda tag: present_figure(tag, v, known=known, hours_since_retightened=hours)
        ),
        work_since=None if v.work_since_utc_s is None else rfc3339(v.work_since_utc_s),
    )


def _cam_loads(s: ShapeDetail) -> CamLoads:
    changes = tuple(CamLoad(cylinder=who, p05=a, p50=b, p95=c) for who, a, b, c in s.changes)
    return CamLoads(text=s.text, reference_deg=s.reference_deg, present_deg=s.present_deg, changes=changes)


def limits_answer(e: EngineSettings, free_length_mm: float) -> LimitsAnswer:
    """What the figures are compared with, and the free length as last booked."""
    t = e.tightener
    required, low, high = band_mm(e, free_length_mm, t.locked_at_mm)
    return LimitsAnswer(
        tightener=t.kind,
        free_length_mm=free_length_mm,
        required_mm=required,
        low_mm=low,
        high_mm=high,
        required_compression_mm=t.required_compression_mm,
        slap_mm=t.slap_limit_mm,
        lag_near_deg=e.lag.near_deg,
        lag_limit_deg=e.lag.limit_deg,
        elongation_near_percent=e.elongation.near_percent,
        elongation_limit_percent=e.elongation.limit_percent,
        ratio=e.ratio,
    )


def _state(s: EngineState) -> StateAnswer:
    return StateAnswer(
        state=s.state,
        what=s.what,
        since=None if s.since_utc_s is None else rfc3339(s.since_utc_s),
        action=s.action,
        alert=None if s.alert is None else s.alert.tag,
        away=tuple(f"{_title(v)}: {AWAY_WORDS[v.state]}" for v in s.away),
    )


def _title(v: AlarmView) -> str:
    return WORDS[v.tag].title if v.tag in WORDS else v.title


def alarm_answers(
    engine: str, views: Iterable[AlarmView], mask: Mask, figure: Callable[[str], str] = lambda _: ""
) -> tuple[AlarmAnswer, ...]:
    """Alarms that are not normal: those that call first, then by priority, newest first. `figure`: the present one
    of a tag."""
    standing = [v for v in views if v.state is not AlarmState.NORMAL]
    standing.sort(key=lambda v: (_CALLING.get(v.state, 3), _WEIGHT[v.priority], -v.changed_utc_s))
    return tuple(_alarm(engine, v, mask, figure(v.tag)) for v in standing)


def _alarm(engine: str, v: AlarmView, mask: Mask, now: str) -> AlarmAnswer:
    return AlarmAnswer(
        tag=v.tag,
        no=v.no,
        engine=engine,
        title=_title(v),
        text=mask.text(v.text),
        priority=v.priority,
        state=v.state,
        active=v.active,
        unacknowledged=v.unacknowledged,
        changed=rfc3339(v.changed_utc_s),
        since=rfc3339(since(v)),
        causes=v.causes,
        away=mask.away(v.away),
        until=None if v.until_utc_s is None else rfc3339(v.until_utc_s),
        action=action_of(v.tag),
        now=now,
    )


def _figure(m: Measured) -> PresentFigure:
    return PresentFigure(value=m.value, quality=m.quality, reason=m.reason)
