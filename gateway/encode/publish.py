"""From the pipeline's output to records with topic and content. The daemon and `replay` share it."""

from typing import cast

from gateway.alarm.machine import Alarm
from gateway.alarm.table import BY_TAG
from gateway.encode.messages import (
    Topics,
    alarm_event_body,
    alarm_message,
    alarm_state_payload,
    dump,
    reading_message,
)
from gateway.encode.shapes import (
    DateRange,
    Decision,
    HoursRange,
    HoursSince,
    Limit,
    Range,
    TrendLimit,
    TrendMessage,
)
from gateway.encode.times import rfc3339
from gateway.model.output import NewEvent, NewRetained
from gateway.pipeline import AlarmChanged, ReadingDue, TrendDue
from gateway.wear import forecast
from gateway.wear.trend import LimitAhead


def encode_alarm(topics: Topics, changed: AlarmChanged) -> tuple[NewEvent, NewRetained]:
    """A transition: the event, and the state it leads to."""
    t = changed.transition
    body = alarm_event_body(t, changed.utc_s, changed.hours)
    state = alarm_message(t, BY_TAG[t.tag].no, changed.utc_s, changed.hours, changed.since_utc_s)
    return (
        NewEvent(topics.event(t.engine), "alarm", body),
        NewRetained(topics.alarm(t.engine, t.tag), "alarm", dump(state)),
    )


def encode_reading(topics: Topics, engine: str, due: ReadingDue) -> tuple[str, bytes]:
    """Topic and payload of the present of an engine; published now or never, and not stored."""
    return topics.reading(engine), dump(reading_message(due.reading, due.utc_s))


def encode_initial(topics: Topics, alarm: Alarm, utc_s: float) -> NewRetained:
    """The state of an alarm of which nothing was published yet, so that a new reader finds every topic filled."""
    payload = alarm_state_payload(
        no=alarm.row.no, tag=alarm.row.tag, state=alarm.state, priority=alarm.priority, utc_s=utc_s, unit=alarm.row.unit
    )
    return NewRetained(topics.alarm(alarm.engine, alarm.row.tag), "alarm", payload)


def encode_trend(topics: Topics, engine: str, due: TrendDue) -> NewRetained:
    """Wear, forecast and decision of an engine."""
    trend = due.trend
    message = TrendMessage(
        ts=rfc3339(trend.utc_s),
        hours=trend.hours,
        lag_deg=_range(trend.lag_deg),
        lag_deg_per_1000h=_range(trend.lag_deg_per_1000h),
        elongation_percent=_range(trend.elongation_percent),
        elongation_percent_per_1000h=_range(trend.elongation_percent_per_1000h),
        limits=tuple(_limit(x) for x in trend.limits),
        hours_since=HoursSince(retightened=trend.retightened_h, camshaft_set=trend.camshaft_set_h),
        agreement=trend.agreement.state,
        causes=trend.agreement.causes,
        decision=Decision(do=trend.decision.do, why=trend.decision.why),
        spring_mm=_range(trend.spring_mm),
        lost_motion_deg=_range(trend.lost_motion.deg),
        why_unknown=trend.why_unknown or None,
        noise=trend.noise,
        announcements_24h=due.announcements_24h,
    )
    return NewRetained(topics.trend(engine), "trend", dump(message))


def _range(r: forecast.Range) -> Range:
    return Range(p05=r.p05, p50=r.p50, p95=r.p95)


def _limit(x: LimitAhead) -> TrendLimit:
    hours = HoursRange(p05=x.hours_to.p05, p50=x.hours_to.p50, p95=x.hours_to.p95)
    day = DateRange(p05=_date(x.date.p05), p50=_date(x.date.p50), p95=_date(x.date.p95))
    return TrendLimit(limit=cast(Limit, x.limit), hours_to=hours, date=day)


def _date(utc_s: float | None) -> str | None:
    """The day; beyond the calendar's end there is none to name."""
    if utc_s is None or not -62_135_596_800 <= utc_s < 253_402_300_800:
        return None
    return rfc3339(utc_s)[:10]
