"""The settings. Figures are the engine maker's; defaults are ours. `settings_file` reads and checks them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from gateway.model.alarm_tags import EngineAlarmTag, GatewayAlarmTag
from gateway.model.enums import Priority
from gateway.model.fields import (
    ONE_LINE,
    AngleDeg,
    Finite,
    Hours,
    Integer,
    LagDeg,
    LengthMm,
    Line,
    Percent,
    PitchMm,
    PlainPath,
    Seconds,
    Section,
    Slug,
    SmallMm,
    SpanHours,
    Switch,
    in_words,
    schema_default,
)
from gateway.model.page_settings import PageSettings
from gateway.model.panel_settings import ModbusRtuSettings, ModbusTcpSettings, RelaySettings, SentenceSettings
from gateway.model.toml_file import DATA_DIR

MessageClass = Literal["presence", "reading", "trend", "alarm", "event"]
CLASSES: list[MessageClass] = ["presence", "reading", "trend", "alarm", "event"]
START = in_words(
    r"^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)$", "a time such as 2026-03-01T12:00:00Z"
)
TOPIC_PREFIX = in_words(r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", "a topic such as camdrift/1")
IMO_NUMBER = in_words(r"^\d{7}$", "seven digits such as 0000000")
DAY = in_words(r"^\d{4}-\d\d-\d\d$", "a day such as 2026-03-01")
BEDDING_IN_H = [50.0, 500.0, 1_500.0]


def _imo_number(text: str) -> str:
    # The last digit is that of the sum of the first six, weighted 7 to 2 (common practice, no source).
    if sum(int(d) * w for d, w in zip(text, range(7, 1, -1), strict=False)) % 10 != int(text[6]):
        raise ValueError(f"{text} has a wrong check digit; look at the ship's certificates")
    return text


def calendar_day(text: str) -> str:
    """The text, where it is a day as YYYY-MM-DD. Raises ValueError."""
    try:
        date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text} is no day of the calendar, such as 2026-03-01") from None
    return text


@dataclass(frozen=True, kw_only=True, slots=True)
class Vessel(Section):
    """Who we are."""

    name: Annotated[Line, Field(max_length=64)]
    slug: Slug
    imo_number: Annotated[str, Field(pattern=IMO_NUMBER), AfterValidator(_imo_number)] | None = None
    """Seven digits, the last of them a check digit; reports bear it."""
    class_society: Annotated[Line, Field(max_length=64)] | None = None
    """Who classes the ship, in words; reports bear it."""
    last_survey: Annotated[str, Field(pattern=DAY), AfterValidator(calendar_day)] | None = None
    """The day of the last survey of this drive, UTC: `report --survey` begins with it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GatewaySettings(Section):
    """The box itself."""

    data_dir: PlainPath = DATA_DIR
    topic_prefix: Annotated[str, Field(pattern=TOPIC_PREFIX, max_length=64)] = "camdrift/1"
    reading_every_s: Annotated[Finite, Field(ge=1, le=3600)] = 10.0
    trend_every_min: Annotated[Finite, Field(ge=1, le=10_080)] = 60.0
    keep_events: Annotated[Integer, Field(ge=1_000, le=5_000_000)] = 200_000
    """Rows of the outbox; when full, what goes first is written in `gateway/store/outbox.py`."""
    state_mb: Annotated[Finite, Field(ge=8, le=4_096)] = 256.0
    history_mb: Annotated[Finite, Field(ge=8, le=65_536)] = 512.0
    delivery_stalled_after_min: Annotated[Finite, Field(gt=0, le=10_080)] = 60.0
    """A week at most: longer would hide that nothing is delivered."""
    certificate_reminder_days: Annotated[Finite, Field(ge=1, le=365)] = 30.0
    """A certificate that a broker's settings name and that ends sooner raises certificate-expiry."""
    repeat_min: Annotated[Finite, Field(ge=0, le=240)] = 5.0
    """An alarm or warning that nobody acknowledges is announced again after so long; 0 = never."""
    socket: PlainPath | None = None
    """The local socket for `status` and `acknowledge`; default `<data_dir>/camdrift.sock`."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeSettings(Section):
    """Where UTC comes from."""

    source: Literal["system", "head"] = "system"
    start: Annotated[str, Field(pattern=START)] | None = None
    """`source = "head"`: UTC of the first frame, RFC 3339."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CaptureSettings(Section):
    """The ring of raw bytes."""

    enabled: Switch = False
    hours: Annotated[Finite, Field(gt=0, le=720)] = 24.0
    megabytes: Annotated[Finite, Field(gt=0, le=65_536)] = 512.0


@dataclass(frozen=True, kw_only=True, slots=True)
class BrokerSettings(Section):
    """One broker: its own address, classes of message, pace, and place in the outbox."""

    name: Slug
    host: Line
    port: Annotated[Integer, Field(ge=1, le=65_535)] = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    client_id: Annotated[Line, Field(max_length=64)] | None = None
    classes: Annotated[list[MessageClass], Field(max_length=len(CLASSES))] = field(
        default_factory=CLASSES.copy, metadata=schema_default(CLASSES)
    )
    keepalive_s: Annotated[Integer, Field(ge=5, le=3_600)] = 60
    window: Annotated[Integer, Field(ge=1, le=64)] = 8
    needs_reader: Switch = False
    """An event that the broker has taken while nobody was subscribed to it (reason 0x10) is kept and sent again: for
    the shore, where a broker that has lost its memory has no keeper until that comes back."""
    every_trend: Switch = False
    """Keep each trend until this broker has it, up to 31 days of them, and not only the latest: for the shore."""
    user: Line | None = None
    password_file: PlainPath | None = None
    password_env: Annotated[Line, Field(pattern=r"^[^=]*$")] | None = None
    tls: Switch = False
    ca_file: PlainPath | None = None
    cert_file: PlainPath | None = None
    key_file: PlainPath | None = None
    backoff_s_min: Annotated[Finite, Field(ge=0.05, le=3_600)] = 2.0
    backoff_s_max: Annotated[Finite, Field(ge=0.05, le=86_400)] = 300.0
    """A day at most: a broker that is back must be found."""

    def __post_init__(self) -> None:
        if self.password_file and self.password_env:
            raise ValueError("password_file and password_env are both set; keep one")
        if (self.password_file or self.password_env) and not self.user:
            raise ValueError("a password without user; set user")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together; set both or neither")
        if self.every_trend and "trend" not in self.classes:
            raise ValueError('every_trend needs the class "trend"; add it to classes, or leave every_trend out')
        if not self.tls and (self.ca_file or self.cert_file):
            raise ValueError("ca_file and cert_file need tls = true")
        if self.backoff_s_max < self.backoff_s_min:
            raise ValueError("backoff_s_max is below backoff_s_min")


@dataclass(frozen=True, kw_only=True, slots=True)
class RequestSettings(Section):
    """Requests from aboard over MQTT: to acknowledge, shelve, unshelve. Off unless enabled; never bridge them."""

    enabled: Switch = False
    broker: Slug = "ship"
    """The broker aboard from which they are taken."""


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadSettings(Section):
    """One sensor head and the port it is heard on."""

    slug: Slug
    port: Line
    baud: Annotated[Integer, Field(ge=1_200, le=4_000_000)] = 230_400
    name: Annotated[Line, Field(max_length=16)] | None = None
    """The name the head must give; another head on this port is reported and not measured."""
    burst_pause_s: Annotated[Finite, Field(ge=0, le=86_400)] = 0.0
    """0 = the head sends without pause; else its usual pause between bursts. A day at most: silence is reported after
    three pauses."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SecondStage(Section):
    """The chain from the intermediate shaft to the camshaft, where there are two chains."""

    pitch_mm: PitchMm
    strands: Annotated[Integer, Field(ge=1, le=4)] = 1
    drive_teeth: Annotated[Integer, Field(ge=9, le=200)]
    """The wheel on the intermediate shaft that pulls this chain."""
    cam_teeth: Annotated[Integer, Field(ge=9, le=200)]
    loop_links: Annotated[Integer, Field(ge=20, le=1_000)]
    taut_links: Annotated[Finite, Field(gt=0, le=500)]

    def __post_init__(self) -> None:
        if self.taut_links >= self.loop_links:
            raise ValueError("taut_links is not less than loop_links")


@dataclass(frozen=True, kw_only=True, slots=True)
class Chain(Section):
    """The camshaft's chain and its wheels; a second stage where there is one."""

    pitch_mm: PitchMm
    strands: Annotated[Integer, Field(ge=1, le=4)] = 1
    crank_teeth: Annotated[Integer, Field(ge=9, le=200)]
    cam_teeth: Annotated[Integer, Field(ge=9, le=200)]
    loop_links: Annotated[Integer, Field(ge=20, le=1_000)]
    taut_links: Annotated[Finite, Field(gt=0, le=500)]
    second: SecondStage | None = None
    """Two chains: `cam_teeth` above is then the wheel on the intermediate shaft which the first chain drives."""
    tightener_stage: Literal[1, 2] = 1
    """On which of the two chains the tightener sits."""

    def __post_init__(self) -> None:
        if self.tightener_stage == 2 and self.second is None:
            raise ValueError("tightener_stage = 2 without a second chain; give [engine.chain.second] or set it to 1")


@dataclass(frozen=True, kw_only=True, slots=True)
class Wire(Section):
    """The tightener spring by its wire; rate after EN 13906-1."""

    diameter_mm: Annotated[Finite, Field(ge=0.5, le=100)]
    coil_diameter_mm: Annotated[Finite, Field(ge=2, le=1_000)]
    active_coils: Annotated[Finite, Field(ge=1, le=200)]
    shear_modulus_n_per_mm2: Annotated[Finite, Field(ge=1_000, le=200_000)] = 78_500.0
    """Hot-coiled bars, from memory (EN 10089)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tightener(Section):
    """The tightener and its spring. Lengths in mm."""

    kind: Literal["sprung", "locked"]
    free_length_new_mm: LengthMm
    free_length_mm: LengthMm
    """As last measured."""
    required_compression_mm: LengthMm
    band_mm: LengthMm
    rate_n_per_mm: Annotated[Finite, Field(ge=0.01, le=100_000)] | None = None
    wire: Wire | None = None
    wrap_deg: Annotated[Finite, Field(ge=5, le=330)] = 90.0
    """Beyond these the wheel no longer presses on the strand."""
    lever_ratio: Annotated[Finite, Field(ge=0.01, le=100)] = 1.0
    """Wheel force over spring force, hence spring travel over wheel travel."""
    nut_pitch_mm: Annotated[Finite, Field(ge=0.1, le=50)] = 6.0
    locking_turn_deg: Annotated[Finite, Field(ge=0, le=3_600)] | None = None
    """Locked: how far the lock nut is turned on after the distance tube has seated; the engine's manual gives it."""
    locked_at_mm: LengthMm | None = None
    slack_when_turning: Literal["ahead", "astern"] | None = None
    """Which sense of turning brings the slack to the tightener's strand. It differs by engine; the manual gives it."""
    moved_mm: SmallMm = 0.5
    """Locked: how far the length may stray from its locked value."""
    slap_limit_mm: SmallMm = 3.0
    step_mm: SmallMm = 1.0
    """A step of the mean spring length of this size within ten revolutions is reported at once."""

    def __post_init__(self) -> None:
        if (self.rate_n_per_mm is None) == (self.wire is None):
            raise ValueError("give either rate_n_per_mm or the wire table, one of the two")
        if self.free_length_mm > self.free_length_new_mm:
            raise ValueError("free_length_mm is longer than free_length_new_mm; a spring does not grow")
        if self.required_compression_mm >= self.free_length_mm:
            raise ValueError("required_compression_mm is not less than free_length_mm")
        if self.band_mm >= self.required_compression_mm:
            raise ValueError("band_mm is not less than required_compression_mm; the spring would be loose in its band")
        if self.kind == "locked" and self.locked_at_mm is None:
            raise ValueError('kind = "locked" needs locked_at_mm, the length at which the bolt was locked')

    @property
    def rate(self) -> float:
        """Spring rate in N/mm: as given, or k = G·d⁴/(8·D³·n) from the wire (EN 13906-1)."""
        if self.rate_n_per_mm is not None:
            return self.rate_n_per_mm
        assert self.wire is not None
        w = self.wire
        return w.shear_modulus_n_per_mm2 * w.diameter_mm**4 / (8 * w.coil_diameter_mm**3 * w.active_coils)

    @property
    def target_length_mm(self) -> float:
        """Measured free length less required compression."""
        return self.free_length_mm - self.required_compression_mm


LoopMa = Annotated[Finite, Field(ge=0, le=25)]
TableMm = Annotated[Finite, Field(ge=-10_000, le=10_000)]


def _rising(table: list[tuple[float, float]]) -> list[tuple[float, float]]:
    if table and len(table) < 2:
        raise ValueError("a calibration table needs at least two points")
    lengths = [mm for _, mm in table]
    if any(b[0] <= a[0] for a, b in pairwise(table)):
        raise ValueError("the calibration table's mA must rise from point to point")
    steps = [b - a for a, b in pairwise(lengths)]
    if steps and not (all(s > 0 for s in steps) or all(s < 0 for s in steps)):
        raise ValueError("the calibration table's mm must rise or fall throughout")
    return table


@dataclass(frozen=True, kw_only=True, slots=True)
class Transducer(Section):
    """The displacement transducer's 4–20 mA loop."""

    at_4ma_mm: Annotated[Finite, Field(ge=-10_000, le=10_000)]
    at_20ma_mm: Annotated[Finite, Field(ge=-10_000, le=10_000)]
    table: Annotated[list[tuple[LoopMa, TableMm]], Field(max_length=100), AfterValidator(_rising)] = field(
        default_factory=list, metadata=schema_default([])
    )
    """Calibration points (mA, mm), rising mA; where given, they replace the straight line."""
    frozen_after_s: Seconds = 120.0
    noise_ma: Annotated[Finite, Field(gt=0, le=16)] = 0.15
    """Mean step between neighbouring samples that is called noisy."""

    def __post_init__(self) -> None:
        if self.at_4ma_mm == self.at_20ma_mm:
            raise ValueError("at_4ma_mm and at_20ma_mm are equal; the loop would measure nothing")


@dataclass(frozen=True, kw_only=True, slots=True)
class LagSettings(Section):
    """The camshaft's timing. Degrees of the crank; positive = late."""

    zero_deg: AngleDeg | None = None
    """Raw crank − ratio·cam when the camshaft was last set; without it the lag is not known."""
    skew_us: Annotated[Finite, Field(ge=-2_000, le=2_000)] = 0.0
    """So long after the cam's angle the head latches the crank's, as the commissioning finds it at two speeds. It is
    taken off: crank − ratio·cam less 6° a second for each rpm. With it a zero of the turning gear is right at sea."""
    dead_centre_deg: Annotated[Finite, Field(ge=0, lt=360)] | None = None
    """The crank encoder's angle at the reference cylinder's dead centre, as the commissioning finds it."""
    near_deg: LagDeg = 1.5
    limit_deg: LagDeg = 2.0
    step_deg: LagDeg = 0.5
    """A step of the mean lag of this size within ten revolutions is reported at once."""
    pin_gauge_radius_mm: LengthMm | None = None
    camshaft_sections: Annotated[Integer, Field(ge=1, le=4)] = 1
    """Sections of the camshaft, each with a pin gauge of its own; the encoder sits on the first."""
    reference_cylinder: Annotated[Integer, Field(ge=1, le=32)] = 1
    """The cylinder at whose dead centre the pin gauge is read; the manual gives it."""

    def __post_init__(self) -> None:
        if self.near_deg >= self.limit_deg:
            raise ValueError("near_deg is not below limit_deg")


@dataclass(frozen=True, kw_only=True, slots=True)
class ElongationSettings(Section):
    """The chain's own limits, in per cent."""

    at_camshaft_set_percent: Annotated[Finite, Field(ge=0, le=5)] = 0.0
    near_percent: Percent = 0.8
    limit_percent: Percent = 1.0

    def __post_init__(self) -> None:
        if self.near_percent >= self.limit_percent:
            raise ValueError("near_percent is not below limit_percent")


@dataclass(frozen=True, kw_only=True, slots=True)
class ServiceSettings(Section):
    """Running hours at the start, and when hands were last on the drive."""

    hours_at_start: Hours = 0.0
    camshaft_set_at_h: Hours = 0.0
    retightened_at_h: Hours = 0.0
    retighten_every_h: SpanHours = 4_000.0
    chain_new_at_h: Hours | None = None
    """When the chain was last renewed, where that is recent enough to matter for bedding in."""
    bedding_in_h: Annotated[list[SpanHours], Field(max_length=8)] = field(
        default_factory=BEDDING_IN_H.copy, metadata=schema_default(BEDDING_IN_H)
    )
    """Hours after a chain's renewal at which it is checked, before the interval takes over (common practice)."""
    planning_horizon_h: SpanHours = 1_000.0
    open_after_min: Annotated[Finite, Field(ge=20, le=1_440)] = 20.0
    """Stopped for so long before a crankcase or chain-casing door is opened; never less than 20 (common practice)."""
    plugs_after_min: Annotated[Finite, Field(ge=15, le=1_440)] = 15.0
    """So long after oil pressure in a shrink-fitted coupling before plugs go back; never less (common practice)."""

    def __post_init__(self) -> None:
        for key in ("camshaft_set_at_h", "retightened_at_h"):
            if getattr(self, key) > self.hours_at_start:
                raise ValueError(f"{key} is later than hours_at_start; running hours do not run backwards")
        if self.chain_new_at_h is not None and self.chain_new_at_h > self.hours_at_start:
            raise ValueError("chain_new_at_h is later than hours_at_start; running hours do not run backwards")
        if any(b <= a for a, b in pairwise(self.bedding_in_h)):
            raise ValueError("bedding_in_h must rise from check to check")


Rpm = Annotated[Finite, Field(gt=0, le=3_000)]
"""Of the crank; no engine with a camshaft chain of this kind turns faster."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RunningSettings(Section):
    """What counts as stopped, turning, steady."""

    rpm_min: Rpm = 60.0
    rpm_max: Rpm = 110.0
    turning_rpm: Rpm = 2.0
    """Below this the crank is on the turning gear."""
    steady_rpm: Rpm = 4.0
    """Speed may wander so far within `steady_s` and still be steady."""
    steady_s: Annotated[Finite, Field(gt=0, le=3_600)] = 30.0
    """An hour at most: longer and no limit would ever be judged."""
    settle_min: Annotated[Finite, Field(ge=0, le=1_440)] = 20.0
    """Under way for so long before limits are judged: chain and frame warm at different rates. A day at most: a
    voyage between two ports must be judged."""
    trend_after_min: Annotated[Finite, Field(ge=0, le=10_080)] = 480.0
    """Under way for so long before medians enter the trend: the frame takes hours to warm through."""

    def __post_init__(self) -> None:
        if not self.turning_rpm < self.rpm_min < self.rpm_max:
            raise ValueError("turning_rpm < rpm_min < rpm_max does not hold")


@dataclass(frozen=True, kw_only=True, slots=True)
class SmoothingSettings(Section):
    """The spike gate and the two exponentially weighted means."""

    gate_revolutions: Annotated[Integer, Field(ge=3, le=101)] = 11
    gate_k: Annotated[Finite, Field(ge=1, le=100)] = 4.0
    fast_s: Seconds = 30.0
    slow_s: Seconds = 3_600.0

    def __post_init__(self) -> None:
        if self.gate_revolutions % 2 == 0:
            raise ValueError("gate_revolutions is even; a median window needs an odd count")
        if self.fast_s >= self.slow_s:
            raise ValueError("fast_s is not below slow_s")


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmTuning(Section):
    """What may be set of one alarm; what is left out keeps the table's value."""

    priority: Priority | None = None
    on_delay_s: Annotated[Finite, Field(ge=0, le=172_800)] | None = None
    off_delay_s: Annotated[Finite, Field(ge=0, le=604_800)] | None = None
    """Two days to raise and a week to clear at most: longer would disable the alarm."""
    deadband: Annotated[Finite, Field(ge=0, le=10_000)] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinders(Section):
    """The cylinders, for the pressures' sheet. From the engine's manual."""

    number: Annotated[Integer, Field(ge=1, le=32)]
    bore_mm: LengthMm
    stroke_mm: LengthMm
    rod_ratio: Annotated[Finite, Field(gt=0, lt=1)]
    """Crank radius over length of the connecting rod; about 0.4 on a crosshead engine."""
    compression_ratio: Annotated[Finite, Field(gt=1, le=40)]
    spread_max_bar: Annotated[Finite, Field(gt=0, le=100)] = 3.0
    """How far a cylinder's maximum pressure may stand from the cylinders' mean (from memory)."""
    spread_mean_bar: Annotated[Finite, Field(gt=0, le=100)] = 0.5
    """The same of its mean indicated pressure (from memory)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordingSettings(Section):
    """Columns of another logger's CSV file, for `camdrift import`. Give angles or pulses, and a length or a current."""

    time: Line = "time"
    time_unit: Literal["s", "ms", "us"] = "s"
    crank: Line | None = None
    cam: Line | None = None
    angle_unit: Literal["deg", "turns", "counts"] = "deg"
    """Angles of each shaft itself, growing when the engine runs ahead; they may wrap at each turn."""
    counts_per_turn: Annotated[Integer, Field(ge=4, le=65_536)] | None = None
    crank_pulse: Line | None = None
    cam_pulse: Line | None = None
    """Columns of the times of pulses, in `time_unit`; an empty cell is no pulse."""
    crank_pulses_per_turn: Annotated[Integer, Field(ge=1, le=65_536)] | None = None
    cam_pulses_per_turn: Annotated[Integer, Field(ge=1, le=65_536)] | None = None
    length_mm: Line | None = None
    current_ma: Line | None = None
    separator: Literal[",", ";", "\t"] = ","
    decimal: Literal[".", ","] = "."
    interval_ms: Annotated[Finite, Field(ge=0.1, le=100)] = 2.0
    """Samples of the capture are made at this interval, by straight lines between the recording's rows."""
    gap_s: Seconds = 0.5
    """Rows further apart than this are a gap: nothing is made up between them."""

    def __post_init__(self) -> None:
        for shaft in ("crank", "cam"):
            angle, pulse = getattr(self, shaft), getattr(self, f"{shaft}_pulse")
            if (angle is None) == (pulse is None):
                raise ValueError(f"give either {shaft} or {shaft}_pulse, one of the two")
            if pulse is not None and getattr(self, f"{shaft}_pulses_per_turn") is None:
                raise ValueError(f"{shaft}_pulse needs {shaft}_pulses_per_turn")
        if self.angle_unit == "counts" and self.counts_per_turn is None:
            raise ValueError('angle_unit = "counts" needs counts_per_turn')
        if self.length_mm is not None and self.current_ma is not None:
            raise ValueError("give either length_mm or current_ma, not both")
        if self.separator == "," and self.decimal == ",":
            raise ValueError("separator and decimal are both a comma; the columns cannot be separated")


@dataclass(frozen=True, kw_only=True, slots=True)
class LostMotionSettings(Section):
    """Lost motion: the lag ahead less the lag astern. When two means are alike enough for a pair."""

    applies: Switch = True
    """False: the drive never runs astern, or a servo turns the camshaft when the engine is reversed."""
    within_min: Annotated[Finite, Field(gt=0, le=1_440)] = 60.0
    rpm_apart: Annotated[Finite, Field(gt=0, le=100)] = 12.0
    warmth_apart_k: Annotated[Finite, Field(gt=0, le=50)] = 6.0
    """Between casing less frame of the two means."""
    coupling_play_deg: Annotated[Finite, Field(ge=0, le=10)] = 0.0
    """Play of the encoder's own coupling, crank degrees; it adds to the lost motion and is taken off."""
    astern_stop_mm: LengthMm | None = None
    """Sprung tightener: the spring's length at the stop against which the chain pulls the tightener when it runs
    astern. Without it nothing is judged by the lost motion of a sprung tightener."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CamsSettings(Section):
    """Where the load of each cylinder's cam peaks: needed to name the cylinder when the lag's shape changes."""

    angle_deg: Annotated[list[AngleDeg], Field(min_length=1, max_length=24)]
    """Crank angle after the crank's zero, of cylinder 1, 2, …; a four-stroke's go over two turns."""
    half_width_deg: Annotated[Finite, Field(ge=5, le=90)] = 22.0
    """Half the length of the cam's load, crank degrees; the manual's fuel cam gives it."""
    change_percent: Annotated[Finite, Field(ge=2, le=100)] = 5.0
    """A change of one cylinder's figure of this size, and clear of its noise, raises shape-changed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class EngineSettings(Section):
    """One engine and its drive."""

    slug: Slug
    name: Annotated[str, Field(max_length=64, pattern=ONE_LINE)] = ""
    type_text: Annotated[Line, Field(max_length=64)] | None = None
    """The maker's type in words, as on the engine's plate; reports bear it."""
    number: Annotated[Line, Field(max_length=64)] | None = None
    """The engine's own number, as on its plate; reports bear it."""
    head: Slug
    ratio: Literal[1, 2] = 1
    """Crank turns to one cam turn: 1 two-stroke, 2 four-stroke."""
    running: RunningSettings = RunningSettings()
    chain: Chain
    tightener: Tightener
    transducer: Transducer
    lag: LagSettings = LagSettings()
    elongation: ElongationSettings = ElongationSettings()
    service: ServiceSettings = ServiceSettings()
    smoothing: SmoothingSettings = SmoothingSettings()
    lost_motion: LostMotionSettings = LostMotionSettings()
    cams: CamsSettings | None = None
    """Needed only to follow the lag's shape over a turn."""
    cylinders: Cylinders | None = None
    """Needed only to work out mean indicated pressures from a pressure/crank-angle file."""
    recording: RecordingSettings | None = None
    """Needed only for `camdrift import`."""
    alarms: dict[EngineAlarmTag, AlarmTuning] = field(default_factory=dict, metadata=schema_default({}))

    def __post_init__(self) -> None:
        if self.chain.taut_links >= self.chain.loop_links:
            raise ValueError("chain.taut_links is not less than chain.loop_links")
        cams, cylinders = self.cams, self.cylinders
        if cams is not None and cylinders is not None and len(cams.angle_deg) != cylinders.number:
            raise ValueError(f"cams.angle_deg has {len(cams.angle_deg)} angles for {cylinders.number} cylinders")
        if self.lost_motion.astern_stop_mm is not None and self.tightener.kind == "locked":
            raise ValueError("lost_motion.astern_stop_mm is for a sprung tightener; this one is locked")
        t = self.transducer
        low, high = sorted((t.at_4ma_mm, t.at_20ma_mm))
        if not low <= self.tightener.target_length_mm <= high:
            raise ValueError(
                f"the target length {self.tightener.target_length_mm:.1f} mm lies outside the transducer's "
                f"{low:g}–{high:g} mm"
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings(Section):
    """The whole file."""

    vessel: Vessel
    gateway: GatewaySettings = GatewaySettings()
    time: TimeSettings = TimeSettings()
    capture: CaptureSettings = CaptureSettings()
    head: Annotated[list[HeadSettings], Field(min_length=1, max_length=16)]
    engine: Annotated[list[EngineSettings], Field(min_length=1, max_length=16)]
    broker: Annotated[list[BrokerSettings], Field(max_length=8)] = field(
        default_factory=list, metadata=schema_default([])
    )
    requests: RequestSettings = RequestSettings()
    alarms: dict[GatewayAlarmTag, AlarmTuning] = field(default_factory=dict, metadata=schema_default({}))
    """The gateway's own alarms."""
    modbus_tcp: ModbusTcpSettings | None = None
    modbus_rtu: Annotated[list[ModbusRtuSettings], Field(max_length=4)] = field(
        default_factory=list, metadata=schema_default([])
    )
    sentences: Annotated[list[SentenceSettings], Field(max_length=4)] = field(
        default_factory=list, metadata=schema_default([])
    )
    relay: Annotated[list[RelaySettings], Field(max_length=16)] = field(
        default_factory=list, metadata=schema_default([])
    )
    page: PageSettings = field(default=PageSettings())

    def __post_init__(self) -> None:
        for kind, slugs in (
            ("head", [h.slug for h in self.head]),
            ("engine", [e.slug for e in self.engine]),
            ("broker", [b.name for b in self.broker]),
        ):
            twice = sorted({s for s in slugs if slugs.count(s) > 1})
            if twice:
                raise ValueError(f"{kind} named twice: {', '.join(twice)}")
        if self.requests.enabled and self.requests.broker not in {b.name for b in self.broker}:
            raise ValueError(f"requests.broker {self.requests.broker!r} is not among the brokers; name one of them")
        heads = {h.slug for h in self.head}
        for e in self.engine:
            if e.head not in heads:
                raise ValueError(f"engine {e.slug}: head {e.head!r} is not among the heads: {', '.join(sorted(heads))}")
        engines = {e.slug for e in self.engine}
        for r in self.relay:
            if r.engine not in engines:
                raise ValueError(f"relay: engine {r.engine!r} is not among the engines: {', '.join(sorted(engines))}")
        used = [e.head for e in self.engine]
        shared = sorted({h for h in used if used.count(h) > 1})
        if shared:
            raise ValueError(f"head {', '.join(shared)} serves two engines; one head, one engine")


def spring_force_n(t: Tightener, compression_mm: float) -> float:
    """F = k·c in N."""
    return t.rate * compression_mm


def slack_tension_n(t: Tightener, compression_mm: float) -> float:
    """The tightener's share of the slack strand's tension, F·i/(2·sin(β/2)) in N; β the wrap on its wheel, i the lever.

    The whole tension also has the centrifugal part and the strand's weight, which can be larger.
    """
    return spring_force_n(t, compression_mm) * t.lever_ratio / (2 * math.sin(math.radians(t.wrap_deg) / 2))
