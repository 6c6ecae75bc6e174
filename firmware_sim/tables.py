"""Tables of a scenario for head, engine, shafts, chain, tightener, transducer and warmth.

Every default is the invented vessel's.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from firmware_sim.sections import Finite, NotNegative, Part, Positive, Section, Wave

HealthField = Literal[
    "head_c", "casing_c", "frame_c", "supply_mv", "fuel_index_ua", "crank_slips", "cam_slips", "lost", "crank_turns"
]


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
    crank_teeth: Annotated[int, Field(ge=0, le=192)] = 0
    """Teeth of a wheel with pick-ups in place of the crank's encoder; 0 = encoder. For the emulated head alone."""
    cam_marks: Annotated[int, Field(ge=0, le=192)] = 0
    tooth_error_deg: NotNegative = 0.05
    """Standard deviation of a tooth's place on its wheel."""
    burst_s: NotNegative = 0.0
    """Samples are sent for so long …"""
    every_s: NotNegative = 0.0
    """… once in so long; both 0 = without pause."""
    skew_us: Annotated[float, Field(ge=-10_000, le=10_000, allow_inf_nan=False)] = 0.0
    """So long after the cam's angle the crank's is latched."""
    supply_mv: Annotated[int, Field(ge=0, le=65_000)] = 23_950
    not_fitted: list[HealthField] = Field(default=[])

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
    """Stretch under speed and load is zero here; the sea's periods are meant here."""
    turning_rpm: Positive = 2.0
    ripple: list[Wave] = Field(default=[(6.0, 0.03, 0.0), (3.0, 0.01, 40.0), (1.0, 0.01, 80.0)])
    """Order, part of the speed, phase: firing order, and cylinders that do not pull alike."""
    sea: list[tuple[Positive, NotNegative]] = Field(default=[(8.3, 0.5), (13.1, 0.4), (310.0, 0.4)])
    """Period in s, rpm: the speed wanders with the seaway."""
    load_wander: list[tuple[Positive, NotNegative]] = Field(default=[(11_000.0, 0.02)])
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
    torsion: list[Wave] = Field(default=[(3.0, 0.25, 20.0), (6.0, 0.12, -35.0)])
    """Orders of the lag: order of the crank, degrees, phase."""
    crank_eccentric: tuple[NotNegative, Finite] = (0.2, 30.0)
    """Once a turn: degrees, phase."""
    cam_eccentric: tuple[NotNegative, Finite] = (0.2, 110.0)
    crank_mount: list[Wave] = Field(default=[])
    """More of the crank encoder's mounting error: order of its own shaft, degrees of it, phase."""
    cam_mount: list[Wave] = Field(default=[])
    lag_per_rpm_deg: Finite = 0.002
    """Growth of the lag with speed, at reference speed: the chain's own pull outward, by the square of the speed."""
    lag_per_load_deg: Finite = 0.12
    """Wind-up of shaft and taut strand from no fuel a stroke to that of full load."""


class ChainTable(Section):
    """The chain, its wheels and its wear."""

    pitch_mm: Positive = 114.3
    crank_teeth: Annotated[int, Field(ge=9, le=200)] = 45
    cam_teeth: Annotated[int, Field(ge=9, le=200)] = 45
    loop_links: Annotated[int, Field(ge=20, le=1_000)] = 150
    taut_links: Positive = 46.0
    tightener_teeth: Annotated[int, Field(ge=9, le=200)] = 19
    tightener_outside: bool = True
    """The tightener wheel presses on the loop from outside."""
    ride_out: Part = 0.0
    """0: worn links stay on the circle of the new chain; 1: they climb the teeth until one link takes one tooth."""
    link_error_mm: NotNegative = 0.0
    """Standard deviation of one link's pitch: uneven links show at every third of a turn of a loop of 3⅓ turns."""
    elongation_percent: NotNegative = 0.28
    """At the scenario's start."""
    elongation_at_camshaft_set_percent: NotNegative = 0.05
    wear_percent_per_1000h: NotNegative = 0.02
    bedding_percent: NotNegative = 0.0
    """A new chain's extra growth, most of it within `bedding_h`."""
    bedding_h: Positive = 300.0
    wear_monthly: Annotated[float, Field(ge=0, le=0.9)] = 0.0
    """The rate differs from 720 running hours to the next by this part (standard deviation)."""
    steep_after_percent: Positive = 2.0
    """Beyond this elongation the case hardening is worn through …"""
    steep_factor: Positive = 1.0
    """… and the rate is so many times as high."""
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
    slap: list[Wave] = Field(default=[(1.0, 0.22, 15.0), (6.0, 0.12, 75.0), (4.0, 0.06, 200.0)])
    """Order of the crank, mm, phase; a locked tightener has none."""
    slap_random: Annotated[float, Field(ge=0, le=0.5)] = 0.15
    """How much the slap differs from turn to turn, as part of itself."""
    slap_growth_per_mm: NotNegative = 0.1
    astern_mm: Finite = -3.0
    """By how much the driving strand compresses the spring of a sprung tightener astern, up to its stop."""
    rate_n_per_mm: Positive = 310.0
    free_length_mm: Positive = 203.2
    set_mm_per_1000h: NotNegative = 0.0
    """By how much the free length shrinks: force is lost, the length does not show it."""
    tightened_at_percent: NotNegative | None = None
    """Locked: the chain's elongation at its last tightening; left out, that of the start."""


class TransducerTable(Section):
    """The displacement transducer's 4–20 mA loop."""

    at_4ma_mm: Finite = 150.0
    at_20ma_mm: Finite = 230.0
    noise_ma: NotNegative = 0.008
    hysteresis_mm: NotNegative = 0.0
    """Play of the linkage between spring and transducer."""

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
    ambient_wander: list[tuple[Positive, NotNegative]] = Field(default=[(86_400.0, 1.5)])
    """Period in s, °C; the frame feels 0.6 of it."""
    chain_per_k: NotNegative = 11.7e-6
    """Expansion of the chain; steel."""
    frame_per_k: NotNegative = 11.7e-6
    """Expansion of what holds the wheels apart."""
    chain_daily_k: NotNegative = 0.0
    """Amplitude of a daily swing of the chain against the frame …"""
    daily_seen: Part = 0.5
    """… and the part of it that the casing's sensor sees."""
