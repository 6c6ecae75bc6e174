"""Every message of the interface's section 3, and how it becomes bytes: the same input gives the same bytes.

Keys come in the order of the shape, figures are rounded by field, what is not a finite number becomes `null`.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from gateway.alarm.wording import WORDS
from gateway.encode.figures import WHOLE
from gateway.encode.plain import compact, plain
from gateway.encode.shapes import (
    Adjustment,
    AdjustmentBody,
    AdjustmentEvent,
    AlarmBody,
    AlarmEvent,
    AlarmMessage,
    DoMessage,
    DoneMessage,
    Event,
    GatewayBody,
    GatewayEvent,
    Message,
    PresenceMessage,
    ReadingMessage,
    ReadingQuality,
    ReceivedMessage,
    TrendMessage,
)
from gateway.encode.times import rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState, Priority, Quality
from gateway.model.errors import Refused
from gateway.model.records import Reading, Transition

__all__ = [
    "Adjustment",
    "AdjustmentBody",
    "AdjustmentEvent",
    "AlarmBody",
    "AlarmEvent",
    "AlarmMessage",
    "DoMessage",
    "DoneMessage",
    "Event",
    "GatewayBody",
    "GatewayEvent",
    "Message",
    "PresenceMessage",
    "ReadingMessage",
    "ReceivedMessage",
    "Topics",
    "TrendMessage",
    "adjustment_event_body",
    "alarm_event_body",
    "alarm_message",
    "alarm_state_payload",
    "dump",
    "event_payload",
    "gateway_event_body",
    "presence_payload",
    "reading_message",
    "rfc3339",
    "utc_of",
]


def dump(message: Message) -> bytes:
    """Compact JSON in UTF-8, keys in the shape's order."""
    return compact(plain(message))


def presence_payload(state: Literal["online", "offline"], utc_s: float, version: str) -> bytes:
    """The bytes of a presence message."""
    return dump(PresenceMessage(state=state, ts=rfc3339(utc_s), version=version))


def reading_message(reading: Reading, utc_s: float) -> ReadingMessage:
    """The message `<base>/reading` of a reading taken at `utc_s`."""
    return ReadingMessage(
        ts=rfc3339(utc_s),
        hours=reading.hours,
        running=reading.running,
        rpm=reading.rpm,
        spring_mm=reading.spring.value,
        compression_mm=reading.compression_mm,
        tension_n=WHOLE.rounded(reading.tension_n),
        slap_mm=reading.slap_mm,
        lag_deg=reading.lag.value,
        lag_p2p_deg=reading.lag_p2p_deg,
        casing_c=reading.casing_c,
        quality=ReadingQuality(spring=reading.spring.quality, lag=reading.lag.quality),
        why=_why_not_good(reading),
    )


def _why_not_good(reading: Reading) -> str | None:
    """`spring: reason; lag: reason`, of those that are not good."""
    named = (("spring", reading.spring), ("lag", reading.lag))
    found = [f"{name}: {m.reason or m.quality.value}" for name, m in named if m.quality is not Quality.GOOD]
    return "; ".join(found) or None


def _with_reason(text: str, why: str | None) -> str:
    return f"{text}; {why}" if why else text


_OVER = (AlarmState.NORMAL, AlarmState.RETURNED)


def alarm_event_body(transition: Transition, utc_s: float, hours: float | None) -> dict[str, Any]:
    """Everything of an alarm's event but `v`, `gateway` and `seq`; a reason that is nobody's ends the text."""
    t = transition
    words = WORDS.get(t.tag)
    body = AlarmBody(
        ts=rfc3339(utc_s), hours=hours, tag=t.tag, priority=t.priority, came_from=t.came_from, to=t.to, value=t.value,
        limit=t.limit, unit=t.unit, text=t.text if t.by else _with_reason(t.text, t.why), causes=t.causes, by=t.by,
        why=t.why if t.by else None, action=None if words is None or t.to in _OVER else words.action,
    )  # fmt: skip
    return plain(body)


def adjustment_event_body(
    what: Adjustment,
    utc_s: float,
    hours: float | None,
    *,
    by: str,
    before: Mapping[str, float | int | str | None],
    after: Mapping[str, float | int | str | None],
    text: str = "",
) -> dict[str, Any]:
    """Everything of an adjustment's event but `v`, `gateway` and `seq`. Raises Refused where nobody did it."""
    if not by:
        raise Refused("name who did the work")
    body = AdjustmentBody(
        ts=rfc3339(utc_s), hours=hours, what=what, by=by, before=dict(before), after=dict(after), text=text
    )
    return plain(body)


def gateway_event_body(what: str, utc_s: float, *, version: str, text: str = "") -> dict[str, Any]:
    """Everything of the gateway's own event but `v`, `gateway` and `seq`. `what`: a slug such as `started`."""
    return plain(GatewayBody(ts=rfc3339(utc_s), hours=None, what=what, version=version, text=text))


def event_payload(gateway: str, seq: int, body: Mapping[str, Any]) -> bytes:
    """The bytes of an event from its body as one of the `…_event_body` functions made it."""
    return compact({"v": 1, "gateway": gateway, "seq": seq, **body})


def alarm_message(
    transition: Transition, no: int, utc_s: float, hours: float | None, since_utc_s: float | None
) -> AlarmMessage:
    """The present state after a transition. `no`: the alarm's number; `since_utc_s`: when it last left normal."""
    t = transition
    since = None if since_utc_s is None or t.to is AlarmState.NORMAL else rfc3339(since_utc_s)
    return AlarmMessage(
        ts=rfc3339(utc_s), hours=hours, tag=t.tag, no=no, state=t.to, priority=t.priority, since=since, value=t.value,
        limit=t.limit, unit=t.unit, text=_with_reason(t.text, t.why), causes=t.causes, by=t.by,
    )  # fmt: skip


def alarm_state_payload(
    *,
    no: int,
    tag: str,
    state: AlarmState,
    priority: Priority,
    utc_s: float,
    since_utc_s: float | None = None,
    hours: float | None = None,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "",
    text: str = "",
    causes: Sequence[str] = (),
    by: str | None = None,
) -> bytes:
    """The bytes of `<base>/alarm/<tag>`, also of an alarm that never was raised."""
    as_if = Transition(0, None, tag, priority, state, state, value, limit, unit, text, tuple(causes), by)
    return dump(alarm_message(as_if, no, utc_s, hours, since_utc_s))
