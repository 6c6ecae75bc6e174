"""Scenarios: what engine, drive, sensors and faults are played. Every default is the invented vessel's."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from firmware_sim.events import Event

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Wave = tuple[Positive, Finite, Finite]
"""Order of the crank, amplitude, phase in degrees."""
HealthField = Literal[
    "head_c", "casing_c", "frame_c", "supply_mv", "fuel_index_ua", "crank_slips", "cam_slips", "lost", "crank_turns"
]


class ScenarioError(Exception):
    """The scenario is refused (exit status 78). `faults`: one line per mistake, `file: key: what is wrong`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Section(BaseModel):
    """Base of all tables: unknown keys are refused, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class RunSettings(Section):
    """How the scenario is played unless the command line says otherwise."""

    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 1
    duration_s: Positive | None = None
    """Head time after which the head falls silent for good; without it, it never ends."""
    speed: NotNegative = 1.0
    """Times real time; 0 = as fast as it is read."""


class HeadTable(Section):
    """The head itself."""

    name: str = "port-head"
    serial: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] = 12_648_430
    firmware: tuple[Annotated[int, Field(ge=0, le=0xFFFF)], Annotated[int, Field(ge=0, le=0xFFFF)]] = (1, 4)
    boot: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] = 1
    rate_hz: Annotated[float, Field(ge=1, le=100_000, allow_inf_nan=False)] = 500.0
    samples: Annotated[int, Field(ge=1, le=256)] = 50
    crank_counts: Annotated[int, Field(ge=16, le=0xFFFF_FFFF)] = 14_400
    cam_counts: Annotated[int, Field(ge=16, le=0xFFFF_FFFF)] = 14_400
    burst_s: NotNegative = 0.0
    """Samples are sent for so long …"""
    every_s: NotNegative = 0.0
    """… once in so long; both 0 = without pause."""
    supply_mv: Annotated[int, Field(ge=0, le=65_000)] = 23_950
    not_fitted: list[HealthField] = []

    @field_validator("name")
    @classmethod
    def _fits(cls, name: str) -> str:
        if len(name.encode()) > 16:
            raise ValueError("longer than 16 bytes of UTF-8; the identity frame has no room for it")
        return name

    @property
    def interval_ns(self) -> int:
        """Whole nanoseconds between two samples."""
        return round(1e9 / self.rate_hz)

    @model_validator(mode="after")
    def _bursts(self) -> HeadTable:
        if (self.burst_s > 0) != (self.every_s > 0):
            raise ValueError("burst_s and every_s go together; set both or neither")
        if self.burst_s and not self.samples * self.interval_ns <= self.burst_s * 1e9 <= self.every_s * 1e9:
            raise ValueError("burst_s must hold one frame (samples / rate_hz) at least, and be no longer than every_s")
        return self


class EngineTable(Section):
    """What the crankshaft does."""

    ratio: Literal[1, 2] = 1
    """Crank turns to one cam turn: 1 two-stroke, 2 four-stroke."""
    speed: list[tuple[NotNegative, Finite]] = Field(default=[(0.0, 96.0)], min_length=1)
    """Points (s, rpm), joined by straight lines, the last one held; negative = astern."""
    full_rpm: Positive = 104.0
    reference_rpm: Positive = 96.0
    """Stretch under speed and load is nought here; the sea's periods are meant here."""
    turning_rpm: Positive = 2.0
    ripple: list[Wave] = [(6.0, 0.03, 0.0), (3.0, 0.01, 40.0), (1.0, 0.01, 80.0)]
    """Order, part of the speed, phase: firing order, and cylinders that do not pull alike."""
    sea: list[tuple[Positive, NotNegative]] = [(8.3, 0.5), (13.1, 0.4), (310.0, 0.4)]
    """Period in s, rpm: the speed wanders with the seaway."""
    load_wander: list[tuple[Positive, NotNegative]] = [(11_000.0, 0.02)]
    """Period in s, part of full load."""

    @field_validator("speed")
    @classmethod
    def _rising(cls, speed: list[tuple[float, float]]) -> list[tuple[float, float]]:
        if any(b[0] <= a[0] for a, b in pairwise(speed)):
            raise ValueError("the times of the speed's points must rise")
        if any(abs(rpm) > 3_000 for _, rpm in speed):
            raise ValueError("a speed is beyond ±3,000 rpm")
        return speed

    @field_validator("ripple")
    @classmethod
    def _forward(cls, ripple: list[Wave]) -> list[Wave]:
        if sum(abs(part) for _, part, _ in ripple) > 0.5:
            raise ValueError("the ripple sums to more than half the speed; the shaft would turn back")
        return ripple


class ShaftsTable(Section):
    """The two shafts and their encoders. Degrees of the crank, cam eccentricity in degrees of the cam."""

    zero_deg: Finite = 17.35
    """Raw crank − ratio·cam when the camshaft was last set."""
    crank_at_start_deg: Finite = 0.0
    torsion: list[Wave] = [(3.0, 0.25, 20.0), (6.0, 0.12, -35.0)]
    """Orders of the lag: order of the crank, degrees, phase."""
    crank_eccentric: tuple[NotNegative, Finite] = (0.2, 30.0)
    """Once a turn: degrees, phase."""
    cam_eccentric: tuple[NotNegative, Finite] = (0.2, 110.0)
    lag_per_rpm_deg: Finite = 0.002
    lag_per_load_deg: Finite = 0.12
    """Stretch of the taut strand from no load to full."""
    astern_lag_deg: Finite = -1.4
    """What the lag changes by when taut and slack side change over."""


class ChainTable(Section):
    """The chain, its wheels and its wear."""

    pitch_mm: Positive = 114.3
    crank_teeth: Annotated[int, Field(ge=9, le=200)] = 45
    cam_teeth: Annotated[int, Field(ge=9, le=200)] = 45
    loop_links: Annotated[int, Field(ge=20, le=1_000)] = 150
    taut_links: Positive = 46.0
    elongation_percent: NotNegative = 0.28
    """At the scenario's start."""
    elongation_at_camshaft_set_percent: NotNegative = 0.05
    wear_percent_per_1000h: NotNegative = 0.02
    bedding_percent: NotNegative = 0.0
    """A new chain's extra growth, most of it within `bedding_h`."""
    bedding_h: Positive = 300.0
    wear_rate_factor: Positive = 1.0
    """So many hours of wear pass in one running hour."""

    @model_validator(mode="after")
    def _fits(self) -> ChainTable:
        if self.taut_links >= self.loop_links:
            raise ValueError("taut_links is not less than loop_links")
        return self


class TightenerTable(Section):
    """The tightener and its spring."""

    kind: Literal["sprung", "locked"] = "sprung"
    length_mm: Positive = 181.2
    """Mean spring length at the scenario's start, warm."""
    wrap_deg: Annotated[float, Field(gt=0, lt=360, allow_inf_nan=False)] = 90.0
    lever_ratio: Positive = 0.25
    """Spring travel over wheel travel."""
    nut_pitch_mm: Positive = 6.0
    slap: list[Wave] = [(1.0, 0.22, 15.0), (6.0, 0.12, 75.0), (4.0, 0.06, 200.0)]
    """Order of the crank, mm, phase; a locked tightener has none."""
    slap_random: Annotated[float, Field(ge=0, le=0.5)] = 0.15
    """How much the slap differs from turn to turn, as part of itself."""
    slap_growth_per_mm: NotNegative = 0.1
    astern_mm: Finite = -3.0


class TransducerTable(Section):
    """The displacement transducer's 4–20 mA loop."""

    at_4ma_mm: Finite = 150.0
    at_20ma_mm: Finite = 230.0
    noise_ma: NotNegative = 0.008

    @model_validator(mode="after")
    def _spans(self) -> TransducerTable:
        if self.at_4ma_mm == self.at_20ma_mm:
            raise ValueError("at_4ma_mm and at_20ma_mm are equal; the loop would measure nothing")
        return self


class ThermalTable(Section):
    """Warming of chain casing and engine frame, and what it does to lag and spring."""

    warm_at_start: bool = True
    ambient_c: Finite = 32.0
    casing_hot_c: Finite = 56.0
    frame_hot_c: Finite = 49.0
    casing_tau_min: Positive = 35.0
    frame_tau_min: Positive = 140.0
    ambient_wander: list[tuple[Positive, NotNegative]] = [(86_400.0, 1.5)]
    """Period in s, °C; the frame feels 0.6 of it."""
    lag_per_c_deg: Finite = 0.01
    """Per °C that the casing has warmed more than the frame."""
    spring_per_c_mm: Finite = 0.08


class Scenario(Section):
    """The whole file."""

    run: RunSettings = RunSettings()
    head: HeadTable = HeadTable()
    engine: EngineTable = EngineTable()
    shafts: ShaftsTable = ShaftsTable()
    chain: ChainTable = ChainTable()
    tightener: TightenerTable = TightenerTable()
    transducer: TransducerTable = TransducerTable()
    thermal: ThermalTable = ThermalTable()
    event: list[Event] = Field(default=[], max_length=10_000)

    @model_validator(mode="after")
    def _restarts_apart(self) -> Scenario:
        ups = sorted((e.at_s, e.at_s + e.down_s) for e in self.event if e.kind == "restart")
        if any(later[0] < earlier[1] for earlier, later in pairwise(ups)):
            raise ValueError("a restart begins before the one before it is over")
        return self

    def changed(self, **tables: dict[str, Any]) -> Scenario:
        """A copy with some keys of some tables set anew: `changed(head={"rate_hz": 200})`. Raises ScenarioError."""
        data = self.model_dump()
        for table, keys in tables.items():
            data[table] |= keys
        return checked(data, "changed")


def checked(data: object, source: str) -> Scenario:
    """The scenario in parsed TOML; `source` names it in errors. Raises ScenarioError with one line per fault."""
    try:
        return Scenario.model_validate(data)
    except ValidationError as e:
        raise ScenarioError([_line(source, dict(err)) for err in e.errors()]) from None


def _line(source: str, err: dict[str, object]) -> str:
    loc = err["loc"]
    assert isinstance(loc, tuple)
    key = ".".join(str(p) for p in loc) or "(whole file)"
    text = str(err["msg"]).removeprefix("Value error, ")
    if err["type"] == "extra_forbidden":
        text = "unknown key; remove it or correct its spelling"
    elif err["type"] == "missing":
        text = "missing; this key must be given"
    elif err["type"] == "union_tag_not_found":
        key, text = f"{key}.kind", "missing; this key must be given"
    elif err["type"] == "union_tag_invalid":
        key, text = f"{key}.kind", f"{_context(err, 'tag')!r} is unknown; allowed: {_context(err, 'expected_tags')}"
    elif not isinstance(err.get("input"), dict | list):
        text = f"{text}, not {err.get('input')!r}"
    return f"{source}: {key}: {text}"


def _context(err: dict[str, object], name: str) -> object:
    context = err.get("ctx")
    return context.get(name, "") if isinstance(context, dict) else ""
