"""Every message of the interface's section 3, and how it becomes bytes: the same input gives the same bytes.

Keys come in the order of the model, figures are rounded by field, what is not a finite number becomes `null`.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from gateway.encode.figures import Figures, Fine, Hundredths, Tenths, Thousandths, Whole
from gateway.encode.times import rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.records import Reading, Transition
from gateway.model.settings import Settings
from gateway.model.words import AlarmState, Priority, Quality, Running

__all__ = [
    "SCHEMAS",
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

Stamp = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$", description="RFC 3339, UTC")]
Date = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$", description="RFC 3339 full-date")]
Slug = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
Uuid = Annotated[str, Field(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$")]
Name = Annotated[str, Field(min_length=1, max_length=64)]
Limit = Literal["lag-near", "lag-limit", "tension-low", "elongation-near", "elongation-limit", "retighten-due"]
Adjustment = Literal[
    "retightened",
    "camshaft-set",
    "pumps-compensated",
    "chain-renewed",
    "links-renewed",
    "spring-renewed",
    "links-measured",
    "hand-play",
    "pressures",
    "correction",
]


class Message(BaseModel):
    """Base of all messages: nothing unknown is taken, nothing changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_serialization_defaults_required=True)


class Versioned(Message):
    """Every message says which version of the interface it follows."""

    v: Literal[1] = 1


class PresenceMessage(Versioned):
    """Is the gateway there? As the will, `ts` is the time of the connection that broke."""

    state: Literal["online", "offline"]
    ts: Stamp
    version: str


class ReadingQuality(Message):
    """How far the two main figures may be believed."""

    spring: Quality
    lag: Quality


class ReadingMessage(Versioned):
    """The present of one engine."""

    ts: Stamp
    hours: Thousandths
    running: Running
    rpm: Hundredths
    spring_mm: Thousandths
    compression_mm: Thousandths
    tension_n: Whole
    slap_mm: Thousandths
    lag_deg: Fine
    lag_p2p_deg: Fine
    casing_c: Tenths
    quality: ReadingQuality


class AlarmMessage(Versioned):
    """The present state of one alarm. `ts`: when it came to it; `since`: when it last left normal, null if normal."""

    ts: Stamp
    hours: Thousandths
    tag: Slug
    no: Annotated[int, Field(ge=0, le=99)]
    state: AlarmState
    priority: Priority
    since: Stamp | None
    value: Fine
    limit: Fine
    unit: str
    text: str
    causes: tuple[str, ...]
    by: str | None


class Range(Message):
    """Median and 5–95 % of a figure."""

    p05: Fine
    p50: Fine
    p95: Fine


class HoursRange(Message):
    """Running hours ahead; null where it is not in sight."""

    p05: Tenths
    p50: Tenths
    p95: Tenths


class DateRange(Message):
    """Dates; null where they are not in sight."""

    p05: Date | None
    p50: Date | None
    p95: Date | None


class TrendLimit(Message):
    """When one limit is reached."""

    limit: Limit
    hours_to: HoursRange
    date: DateRange


class HoursSince(Message):
    """Running hours since hands were on the drive."""

    retightened: Thousandths
    camshaft_set: Thousandths


class Decision(Message):
    """What to do, and the reason in one sentence."""

    do: Literal["nothing", "compensate", "re-time", "retighten", "renew-chain", "find-fault"]
    why: str


class TrendMessage(Versioned):
    """Wear, forecast and decision of one engine."""

    ts: Stamp
    hours: Thousandths
    lag_deg: Range
    lag_deg_per_1000h: Range
    elongation_percent: Range
    elongation_percent_per_1000h: Range
    limits: tuple[TrendLimit, ...]
    hours_since: HoursSince
    agreement: Literal["agree", "part", "unknown"]
    causes: tuple[str, ...]
    decision: Decision


class EventHead(Versioned):
    """What the outbox adds: whose event, and its number."""

    gateway: Uuid
    seq: Annotated[int, Field(ge=1)]


class EventBody(Message):
    """What all events say. `hours`: the engine's running hours, null for the gateway's own."""

    ts: Stamp
    hours: Thousandths


class AlarmBody(EventBody):
    """An alarm changed its state."""

    kind: Literal["alarm"] = "alarm"
    tag: Slug
    priority: Priority
    came_from: Annotated[AlarmState, Field(alias="from")]
    to: AlarmState
    value: Fine
    limit: Fine
    unit: str
    text: str
    causes: tuple[str, ...]
    by: str | None


class AdjustmentBody(EventBody):
    """Hands were on the drive, or measured it. `before`, `after`: figures by name with their unit last."""

    kind: Literal["adjustment"] = "adjustment"
    what: Adjustment
    by: Name
    before: Figures
    after: Figures
    text: str


class GatewayBody(EventBody):
    """The gateway's own: `started`, `stopped`, `events-dropped` and the like."""

    kind: Literal["gateway"] = "gateway"
    what: Slug
    version: str
    text: str


class AlarmEvent(AlarmBody, EventHead):
    """The durable record of an alarm's transition."""


class AdjustmentEvent(AdjustmentBody, EventHead):
    """The durable record of an adjustment."""


class GatewayEvent(GatewayBody, EventHead):
    """The durable record of what the gateway itself did."""


Event = Annotated[AlarmEvent | AdjustmentEvent | GatewayEvent, Field(discriminator="kind")]
_EVENT: TypeAdapter[AlarmEvent | AdjustmentEvent | GatewayEvent] = TypeAdapter(Event)


class DoMessage(Versioned):
    """A request from aboard. `engine` null: the gateway's own alarm; `minutes`: of shelving."""

    v: Literal[1]
    id: Name
    do: Literal["acknowledge", "shelve", "unshelve"]
    engine: Slug | None = None
    alarm: Slug
    minutes: Annotated[float, Field(gt=0, le=SHELVE_HOURS_MAX * 60, allow_inf_nan=False)] | None = None
    by: Name


class DoneMessage(Versioned):
    """The answer to a request; `why` says why not, or is empty."""

    id: Name
    ok: bool
    why: str


class ReceivedMessage(Versioned):
    """The shore keeps everything up to `seq`."""

    v: Literal[1]
    gateway: Uuid
    seq: Annotated[int, Field(ge=0)]
    ts: Stamp


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
