"""The shapes of every message of the interface's section 3, frozen; keys come in the order given here.

Frozen dataclasses: the daemon makes them directly. What comes from outside is validated against the same shapes by
`gateway.encode.checked`, and requests and receipts aboard by `gateway.encode.inbound`.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from gateway.encode.bounded_json import WHOLE_MAX
from gateway.encode.figures import Figures, Fine, Hundredths, Tenths, Thousandths, Whole
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.model.fields import STRICT_KEYS, Finite, Integer, Slug, Switch
from gateway.model.limits import SHELVE_HOURS_MAX


def json_key(attribute: str) -> str:
    """The key of a field: its name, but for the one word that Python keeps for itself."""
    return "from" if attribute == "came_from" else attribute


Stamp = Annotated[str, Field(description="RFC 3339, UTC", pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")]
Date = Annotated[str, Field(description="RFC 3339 full-date", pattern=r"^\d{4}-\d\d-\d\d$")]
Uuid = Annotated[str, Field(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$")]
Name = Annotated[str, Field(min_length=1, max_length=64)]
Seq = Annotated[Integer, Field(ge=0, le=WHOLE_MAX)]
MISSING_MAX = 64
"""Ranges that a receipt may name."""
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
    "loading",
    "note",
]


@dataclass(frozen=True, kw_only=True)
class Message:
    """Base of all messages: nothing unknown is taken, nothing changes."""

    __pydantic_config__ = STRICT_KEYS | ConfigDict(
        alias_generator=json_key, json_schema_serialization_defaults_required=True
    )


@dataclass(frozen=True, kw_only=True)
class Versioned(Message):
    """Every message names the version of the interface that it follows."""

    v: Literal[1] = 1


@dataclass(frozen=True, kw_only=True)
class PresenceMessage(Versioned):
    """Is the gateway there? As the will, `ts` is the time of the connection that broke."""

    state: Literal["online", "offline"]
    ts: Stamp
    version: str


@dataclass(frozen=True, kw_only=True)
class ReadingQuality(Message):
    """How far the two main figures may be believed."""

    spring: Quality
    lag: Quality


@dataclass(frozen=True, kw_only=True)
class ReadingMessage(Versioned):
    """The present of one engine. `why`: the reason where a quality is not good."""

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
    why: str | None = None


@dataclass(frozen=True, kw_only=True)
class AlarmMessage(Versioned):
    """The present state of one alarm. `ts`: when it came to it; `since`: when it last left normal, null if normal."""

    ts: Stamp
    hours: Thousandths
    tag: Slug
    no: Annotated[Integer, Field(ge=0, le=99)]
    state: AlarmState
    priority: Priority
    since: Stamp | None
    value: Fine
    limit: Fine
    unit: str
    text: str
    causes: tuple[str, ...]
    by: str | None


@dataclass(frozen=True, kw_only=True)
class Range(Message):
    """Median and 5–95 % of a figure."""

    p05: Fine
    p50: Fine
    p95: Fine


NO_RANGE = Range(p05=None, p50=None, p95=None)


@dataclass(frozen=True, kw_only=True)
class HoursRange(Message):
    """Running hours ahead; null where it is not in sight."""

    p05: Tenths
    p50: Tenths
    p95: Tenths


@dataclass(frozen=True, kw_only=True)
class DateRange(Message):
    """Dates; null where they are not in sight."""

    p05: Date | None
    p50: Date | None
    p95: Date | None


@dataclass(frozen=True, kw_only=True)
class TrendLimit(Message):
    """When one limit is reached."""

    limit: Limit
    hours_to: HoursRange
    date: DateRange


@dataclass(frozen=True, kw_only=True)
class HoursSince(Message):
    """Running hours since hands were on the drive."""

    retightened: Thousandths
    camshaft_set: Thousandths


@dataclass(frozen=True, kw_only=True)
class Decision(Message):
    """What to do, and the reason in one sentence."""

    do: Literal["nothing", "compensate", "re-time", "retighten", "renew-chain", "find-fault"]
    why: str


@dataclass(frozen=True, kw_only=True)
class TrendMessage(Versioned):
    """Wear, forecast and decision of one engine.

    `why_unknown`: why the lag's trend is not known, null where it is. `noise`: what the ranges rest on.
    `announcements_24h`: alarms of this engine announced in the last 24 h. `lost_motion_deg`: lag ahead less lag
    astern at the last manoeuvre, null until it is measured.
    """

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
    spring_mm: Range = NO_RANGE
    lost_motion_deg: Range = NO_RANGE
    why_unknown: str | None = None
    noise: str = ""
    announcements_24h: Annotated[Integer, Field(ge=0)] | None = None


@dataclass(frozen=True, kw_only=True)
class EventHead(Versioned):
    """What the outbox adds: whose event, and its number."""

    gateway: Uuid
    seq: Annotated[Integer, Field(ge=1)]


@dataclass(frozen=True, kw_only=True)
class EventBody(Message):
    """What all events hold. `hours`: the engine's running hours, null for the gateway's own."""

    ts: Stamp
    hours: Thousandths


@dataclass(frozen=True, kw_only=True)
class AlarmBody(EventBody):
    """An alarm changed its state. `why`: a person's reason; `action`: what to do, while the alarm stands."""

    kind: Literal["alarm"] = "alarm"
    tag: Slug
    priority: Priority
    came_from: AlarmState
    to: AlarmState
    value: Fine
    limit: Fine
    unit: str
    text: str
    causes: tuple[str, ...]
    by: str | None
    why: str | None = None
    action: str | None = None


@dataclass(frozen=True, kw_only=True)
class AdjustmentBody(EventBody):
    """Hands were on the drive, or measured it. `before`, `after`: figures by name with their unit last."""

    kind: Literal["adjustment"] = "adjustment"
    what: Adjustment
    by: Name
    before: Figures
    after: Figures
    text: str


@dataclass(frozen=True, kw_only=True)
class GatewayBody(EventBody):
    """The gateway's own: `started`, `stopped`, `events-dropped` and the like."""

    kind: Literal["gateway"] = "gateway"
    what: Slug
    version: str
    text: str


@dataclass(frozen=True, kw_only=True)
class AlarmEvent(AlarmBody, EventHead):
    """The durable record of an alarm's transition."""


@dataclass(frozen=True, kw_only=True)
class AdjustmentEvent(AdjustmentBody, EventHead):
    """The durable record of an adjustment."""


@dataclass(frozen=True, kw_only=True)
class GatewayEvent(GatewayBody, EventHead):
    """The durable record of what the gateway itself did."""


Event = AlarmEvent | AdjustmentEvent | GatewayEvent


@dataclass(frozen=True, kw_only=True)
class DoMessage(Message):
    """A request from aboard. `engine` null: the gateway's own alarm; `minutes`: of shelving; `ts`: when it was sent."""

    v: Literal[1]
    id: Name
    do: Literal["acknowledge", "shelve", "unshelve"]
    engine: Slug | None = None
    alarm: Slug
    minutes: Annotated[Finite, Field(gt=0, le=SHELVE_HOURS_MAX * 60)] | None = None
    by: Name
    ts: Stamp


@dataclass(frozen=True, kw_only=True)
class DoneMessage(Versioned):
    """The answer to a request; `why` is the reason for a no, or empty."""

    id: Name
    ok: Switch
    why: str


@dataclass(frozen=True, kw_only=True)
class ReceivedMessage(Message):
    """The shore keeps everything up to `seq`, and beyond it all but `missing`: ranges with both their ends."""

    v: Literal[1]
    gateway: Uuid
    seq: Seq
    ts: Stamp
    missing: Annotated[tuple[tuple[Seq, Seq], ...], Field(max_length=MISSING_MAX)] = ()
