"""Every message of the interface's section 3, and how it becomes bytes: the same input gives the same bytes.

Keys come in the order of the model, figures are rounded by field, what is not a finite number becomes `null`.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import TypeAdapter

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
from gateway.model.records import Reading, Transition
from gateway.model.settings import Settings
from gateway.model.words import AlarmState, Priority

__all__ = [
    "SCHEMAS",
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
    "parse_event",
    "presence_payload",
    "reading_message",
    "rfc3339",
    "schema",
    "utc_of",
]

_EVENT: TypeAdapter[AlarmEvent | AdjustmentEvent | GatewayEvent] = TypeAdapter(Event)


def _bytes(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def dump(message: Message) -> bytes:
    """Compact JSON in UTF-8, keys in the model's order."""
    return _bytes(message.model_dump(mode="json", by_alias=True))


def presence_payload(state: Literal["online", "offline"], utc_s: float, version: str) -> bytes:
    """The bytes of a presence message."""
    return dump(PresenceMessage(state=state, ts=rfc3339(utc_s), version=version))


def reading_message(reading: Reading, utc_s: float) -> ReadingMessage:
    """What `<base>/reading` says of a reading taken at `utc_s`."""
    return ReadingMessage(
        ts=rfc3339(utc_s),
        hours=reading.hours,
        running=reading.running,
        rpm=reading.rpm,
        spring_mm=reading.spring.value,
        compression_mm=reading.compression_mm,
        tension_n=reading.tension_n,
        slap_mm=reading.slap_mm,
        lag_deg=reading.lag.value,
        lag_p2p_deg=reading.lag_p2p_deg,
        casing_c=reading.casing_c,
        quality=ReadingQuality(spring=reading.spring.quality, lag=reading.lag.quality),
    )


def _said(text: str, why: str | None) -> str:
    return f"{text}; {why}" if why else text


def alarm_event_body(transition: Transition, utc_s: float, hours: float | None) -> dict[str, Any]:
    """Everything of an alarm's event but `v`, `gateway` and `seq`; a person's reason goes to the end of the text."""
    t = transition
    body = AlarmBody(
        ts=rfc3339(utc_s), hours=hours, tag=t.tag, priority=t.priority, **{"from": t.came_from}, to=t.to, value=t.value,
        limit=t.limit, unit=t.unit, text=_said(t.text, t.why), causes=t.causes, by=t.by,
    )  # fmt: skip
    return body.model_dump(mode="json", by_alias=True)


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
    """Everything of an adjustment's event but `v`, `gateway` and `seq`."""
    body = AdjustmentBody(
        ts=rfc3339(utc_s), hours=hours, what=what, by=by, before=dict(before), after=dict(after), text=text
    )
    return body.model_dump(mode="json")


def gateway_event_body(what: str, utc_s: float, *, version: str, text: str = "") -> dict[str, Any]:
    """Everything of the gateway's own event but `v`, `gateway` and `seq`. `what`: a slug such as `started`."""
    return GatewayBody(ts=rfc3339(utc_s), hours=None, what=what, version=version, text=text).model_dump(mode="json")


def event_payload(gateway: str, seq: int, body: Mapping[str, Any]) -> bytes:
    """The bytes of an event from its body as one of the `…_event_body` functions made it."""
    return _bytes({"v": 1, "gateway": gateway, "seq": seq, **body})


def parse_event(payload: bytes) -> AlarmEvent | AdjustmentEvent | GatewayEvent:
    """Read an event back. Raises pydantic's ValidationError for anything else."""
    return _EVENT.validate_json(payload)


def alarm_message(
    transition: Transition, no: int, utc_s: float, hours: float | None, since_utc_s: float | None
) -> AlarmMessage:
    """The present state after a transition. `no`: the alarm's number; `since_utc_s`: when it last left normal."""
    t = transition
    since = None if since_utc_s is None or t.to is AlarmState.NORMAL else rfc3339(since_utc_s)
    return AlarmMessage(
        ts=rfc3339(utc_s), hours=hours, tag=t.tag, no=no, state=t.to, priority=t.priority, since=since, value=t.value,
        limit=t.limit, unit=t.unit, text=_said(t.text, t.why), causes=t.causes, by=t.by,
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


_ADAPTERS: dict[str, TypeAdapter[Any]] = {
    "presence": TypeAdapter(PresenceMessage),
    "reading": TypeAdapter(ReadingMessage),
    "alarm": TypeAdapter(AlarmMessage),
    "event": _EVENT,
    "trend": TypeAdapter(TrendMessage),
    "do": TypeAdapter(DoMessage),
    "done": TypeAdapter(DoneMessage),
    "received": TypeAdapter(ReceivedMessage),
    "settings": TypeAdapter(Settings),
}
SCHEMAS: tuple[str, ...] = tuple(_ADAPTERS)
_TAKEN = ("do", "received", "settings")
"""What is read and not written: a key with a default may be left out."""


def schema(name: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of a message or of the settings. Raises KeyError for a name that is not in SCHEMAS."""
    mode: Literal["validation", "serialization"] = "validation" if name in _TAKEN else "serialization"
    made = _ADAPTERS[name].json_schema(by_alias=True, mode=mode)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": f"urn:camdrift:schema:1:{name}"}
    return head | made
