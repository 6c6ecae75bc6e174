"""The shapes of the page's questions and answers; the OpenAPI document is made from them."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from gateway.encode.bounded_json import WHOLE_MAX
from gateway.encode.engine_state import State
from gateway.encode.figures import Fine, Hundredths, Tenths, Thousandths, Whole
from gateway.encode.shapes import Stamp, TrendMessage
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.model.fields import Slug
from gateway.model.limits import SHELVE_HOURS_MAX

POINTS_MAX = 2_000
SPAN_S_MAX = 60 * 366 * 86_400.0
Utc = Annotated[float, Field(ge=0, le=4_102_444_800, allow_inf_nan=False, description="seconds since 1970, UTC")]
TextLine = Annotated[str, Field(max_length=500)]


class Question(BaseModel):
    """Base of what is asked: nothing unknown is taken."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Answer(BaseModel):
    """Base of what is answered."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_serialization_defaults_required=True)


# -- the present --------------------------------------------------------------------------------------------------


class PresentFigure(Answer):
    """A figure with its quality and, where that is not good, the reason."""

    value: Fine
    quality: Quality
    reason: str


class AlarmAnswer(Answer):
    """An alarm that is not normal. `title`: on screens; `since`: when it was raised, or, if it has returned, when it
    did; `action`: what to do; `now`: the present figure, empty where the alarm is about none."""

    tag: Slug
    no: int
    engine: str
    title: str
    text: str
    priority: Priority
    state: AlarmState
    active: bool
    unacknowledged: bool
    changed: Stamp
    since: Stamp
    causes: tuple[str, ...]
    away: str
    until: Stamp | None
    action: str
    now: str


class StateAnswer(Answer):
    """The state in one word, with what is wrong, since when and what to do. `alert`: the tag shown, or shown last
    before the data ended; `away`: titles of what is shelved, out of service or suppressed, with that word."""

    state: State
    what: str
    since: Stamp | None
    action: str
    alert: str | None
    away: tuple[str, ...]


class LimitsAnswer(Answer):
    """What the figures are compared with. Spring lengths in mm; `required_mm`: the length that is asked for."""

    tightener: Literal["sprung", "locked"]
    free_length_mm: Thousandths
    required_mm: Thousandths
    low_mm: Thousandths
    high_mm: Thousandths
    required_compression_mm: Thousandths
    slap_mm: Thousandths
    lag_near_deg: Fine
    lag_limit_deg: Fine
    elongation_near_percent: Fine
    elongation_limit_percent: Fine
    ratio: int


class CamLoad(Answer):
    """Change of the load of one cylinder's cam against its own past, per cent, 5–50–95 %."""

    cylinder: str
    p05: Tenths
    p50: Tenths
    p95: Tenths


class CamLoads(Answer):
    """The lag's shape over equal steps of one cycle with its reference, and a figure for each cylinder."""

    text: str
    reference_deg: tuple[float, ...]
    present_deg: tuple[float, ...]
    changes: tuple[CamLoad, ...]


class EngineAnswer(Answer):
    """One engine as it stands. `shape_deg`: lag from its mean over equal steps of one cycle.

    `work_since`: a work sheet is open and the engine stands.
    `ts`: of the latest data; when it has not moved for `quiet_s`, all figures are old.
    """

    slug: Slug
    name: str
    running: Running
    rpm: Tenths
    hours: Tenths
    head_heard: bool
    quiet_s: Tenths
    ts: Stamp | None
    spring_mm: PresentFigure
    compression_mm: Hundredths
    tension_n: Whole
    slap_mm: Hundredths
    lag_deg: PresentFigure
    lag_p2p_deg: Fine
    raw_deg: Fine
    elongation_percent: Fine
    casing_c: Tenths
    shape_deg: tuple[float, ...]
    orders_deg: tuple[float, ...]
    lost_motion: str
    cam_loads: CamLoads
    limits: LimitsAnswer
    trend: TrendMessage | None
    outlook: dict[str, str]
    state: StateAnswer
    alarms: tuple[AlarmAnswer, ...]
    work_since: Stamp | None = None


class PresentAnswer(Answer):
    """The present of all engines. `fresh`: the gateway's own parts respond. `state`: by the gateway's own alarms."""

    v: Literal[1] = 1
    ts: Stamp
    vessel: str
    version: str
    heartbeat: int
    fresh: bool
    silenced: bool
    alarm_colour: Literal["amber", "red"]
    sound: bool
    state: StateAnswer
    engines: tuple[EngineAnswer, ...]
    alarms: tuple[AlarmAnswer, ...]


# -- the course ---------------------------------------------------------------------------------------------------


class HistoryQuery(Question):
    """Which engine, from when to when, how many points at most."""

    engine: Slug
    start: Utc = Field(alias="from")
    end: Utc = Field(alias="to")
    points: Annotated[int, Field(ge=10, le=POINTS_MAX)] = 600

    @model_validator(mode="after")
    def _ordered(self) -> "HistoryQuery":
        if not 0 < self.end - self.start <= SPAN_S_MAX:
            raise ValueError("from must lie before to, by sixty years at most")
        return self


class MarkAnswer(Answer):
    """Hands were on the drive, or a note. `photos`: names, to be asked for at `/api/photo/NAME`."""

    t: float
    kind: str
    text: str
    photos: tuple[str, ...] = ()


class PhotoAnswer(Answer):
    """The name of a photo that was kept, to be put into the `photos` of a note."""

    name: str


class AlarmSpan(Answer):
    """An alarm that stood from `t` to `end`, seconds since 1970; `end` is null where it still stands or it is not
    known."""

    t: float
    end: float | None
    tag: str
    title: str
    priority: str


class DailyAnswer(Answer):
    """Columns of equal length: of each day the last trend, with 5, 50 and 95 % (null: not known)."""

    t: tuple[float, ...]
    lost_motion_deg: tuple[tuple[float | None, float | None, float | None], ...]
    elongation_percent: tuple[tuple[float | None, float | None, float | None], ...]


class HistoryAnswer(Answer):
    """Columns of equal length; a row of nulls breaks the line where nothing was measured.

    `t`: seconds since 1970. `low_mm`, `high_mm`: the band in force then. `elongation_percent`: from the lag alone;
    `tightener_low_percent`, `tightener_high_percent`: from the spring, for no and for full ride-out of the chain.
    `slap_mm`, `lag_p2p_deg`: kept for 35 days. `alarms`: of priority alarm alone where they are older than the outbox.
    `by_hand`: time and elongation of each measurement of links.
    """

    engine: Slug
    grade: Literal["minutes", "medians"]
    t: tuple[float, ...]
    lag_deg: tuple[float | None, ...]
    spring_mm: tuple[float | None, ...]
    low_mm: tuple[float | None, ...]
    high_mm: tuple[float | None, ...]
    elongation_percent: tuple[float | None, ...]
    rpm: tuple[float | None, ...]
    casing_c: tuple[float | None, ...]
    hours: tuple[float | None, ...]
    tightener_low_percent: tuple[float | None, ...]
    tightener_high_percent: tuple[float | None, ...]
    tension_n: tuple[float | None, ...]
    slap_mm: tuple[float | None, ...]
    lag_p2p_deg: tuple[float | None, ...]
    frame_c: tuple[float | None, ...]
    load_percent: tuple[float | None, ...]
    daily: DailyAnswer
    by_hand: tuple[tuple[float, float], ...]
    alarms: tuple[AlarmSpan, ...]
    marks: tuple[MarkAnswer, ...]


# -- the record ---------------------------------------------------------------------------------------------------


class EventsQuery(Question):
    """Events newest first; `before`: a seq, for the page of older ones.

    `by`: who acted; `text`: what title, details or tag contain. Both without regard to capital letters, and of what
    the one who asks may see.
    """

    before: Annotated[int, Field(ge=1, le=WHOLE_MAX)] | None = None
    limit: Annotated[int, Field(ge=1, le=500)] = 100
    kind: Literal["alarm", "adjustment", "gateway"] | None = None
    engine: Slug | None = None
    priority: Literal["emergency-alarm", "alarm", "warning", "caution"] | None = None
    by: Annotated[str, Field(max_length=64)] = ""
    text: Annotated[str, Field(max_length=64)] = ""


class EventsTableQuery(EventsQuery):
    """The same for a table, which may be longer."""

    limit: Annotated[int, Field(ge=1, le=20_000)] = 5_000


class EventsAnswer(Answer):
    """Events as they were published, newest first, each with its engine (null: the gateway's own), and in words
    with `title` and `details`.

    `older`: the seq before which to ask for the next page, null where there is none.
    """

    events: tuple[dict[str, Any], ...]
    older: int | None


class AlarmHelp(Answer):
    """One alarm in four lines: meaning, likely causes, what to check first, when to call ashore; and what to do."""

    tag: Slug
    no: int
    title: str
    priority: str
    action: str
    meaning: str
    causes: str
    first: str
    ashore: str


class HelpAnswer(Answer):
    """All alarms, in the order of their numbers."""

    alarms: tuple[AlarmHelp, ...]


class BookingsQuery(Question):
    """Which engine's log book."""

    engine: Slug


class BookingsAnswer(Answer):
    """The log book in the order of typing; `faults`: bookings that contradict earlier ones and are left out."""

    bookings: tuple[dict[str, Any], ...]
    faults: tuple[str, ...]


# -- people -------------------------------------------------------------------------------------------------------


class LoginBody(Question):
    """Name and password."""

    name: Annotated[str, Field(min_length=1, max_length=64)]
    password: Annotated[str, Field(min_length=1, max_length=256)]


class SessionAnswer(Answer):
    """Who is logged in. `token`: to be sent as `X-Camdrift-Token` with every act."""

    user: str | None
    token: str | None
    users: bool
    minutes: float
    view_without_login: bool
    notice: str


class ActBody(Question):
    """On which engine's alarm (null: the gateway's own); shelving wants minutes, putting away wants a reason."""

    engine: Slug | None = None
    minutes: Annotated[float, Field(gt=0, le=SHELVE_HOURS_MAX * 60, allow_inf_nan=False)] | None = None
    why: TextLine = ""


class BookBody(Question):
    """A booking; figures left out are taken from the readings where they can be. `dry`: only checked and filled.

    `sheet`: the open work sheet that it comes from; `reason`: why ticks are missing; `corrects`: the id that it
    corrects.
    """

    engine: Slug
    entry: dict[str, Any]
    dry: bool = False
    sheet: Slug | None = None
    reason: Annotated[str, Field(max_length=400)] = ""
    corrects: Annotated[str, Field(max_length=64)] = ""


class NothingBody(Question):
    """No figures."""


class DoneAnswer(Answer):
    """It was done; the desk's answer."""

    done: bool = True
    answer: dict[str, Any] = Field(default={})


class Problem(Answer):
    """It was not done, and why."""

    why: str
