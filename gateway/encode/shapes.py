"""The shapes of every message of the interface's section 3, frozen; keys come in the order given here."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from gateway.encode.figures import Figures, Fine, Hundredths, Tenths, Thousandths, Whole
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.words import AlarmState, Priority, Quality, Running

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
