"""Tables of a scenario for what the sea, the cams, the wires and the head's build do. Every default is "nothing"."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, field_validator

from firmware_sim.sections import Finite, NotNegative, Part, Positive, Section

Storm = tuple[NotNegative, Positive, Positive, Annotated[float, Field(ge=3, le=60, allow_inf_nan=False)]]
"""Begin in s, length in s, rpm by which the speed hunts, wave period in s."""


class SeaTable(Section):
    """Weather, loading and season: what moves the lag and is no wear."""

    storm: list[Storm] = Field(default=[])
    weather_deg: NotNegative = 0.0
    """Standard deviation of the slow wander of the lag …"""
    weather_days: Positive = 2.0
    """… and its memory."""
    white_deg: NotNegative = 0.0
    """Standard deviation of what one ten-minute median does not share with the next."""
    loading: list[tuple[NotNegative, Part]] = Field(default=[(0.0, 1.0)], min_length=1)
    """Points (s, 0 ballast … 1 laden), each held until the next."""
    loading_deg: Finite = 0.0
    """Lag laden less lag in ballast."""
    draught_m: tuple[Positive, Positive] = (7.5, 13.5)
    """Mean draught in ballast and laden, for the truth file."""
    season_deg: NotNegative = 0.0
    """Amplitude of the yearly wave of the lag …"""
    season_day: Finite = 0.0
    """… and the day of the year on which the scenario starts."""
    spring_wander_mm: NotNegative = 0.0
    """Standard deviation of what the spring length does on its own, memory two days."""

    @field_validator("loading")
    @classmethod
    def _rising(cls, loading: list[tuple[float, float]]) -> list[tuple[float, float]]:
        if any(b[0] <= a[0] for a, b in pairwise(loading)):
            raise ValueError("the times of the loading's points must rise")
        return loading


class CamsTable(Section):
    """Torque of each cylinder's cams. Angles of the crank after the crank's zero; N m at the camshaft."""

    angle_deg: list[Finite] = Field(default=[12.0, 252.0, 132.0, 192.0, 72.0, 312.0], min_length=1, max_length=24)
    """Where the load of each cylinder's pump cam peaks."""
    pump_nm: NotNegative = 0.0
    """Peak, at full load."""
    valve_nm: NotNegative = 0.0
    pump_half_deg: Positive = 22.0
    valve_after_deg: Finite = 95.0
    valve_half_deg: Positive = 16.0
    valve_dwell_deg: Finite = 110.0
    chain_nm_per_rad: Positive = 1.4e7
    shaft_nm_per_rad: Positive = 6.0e7
    """Between one cylinder and the next."""
    wheel_kg_m2: Positive = 900.0
    cylinder_kg_m2: Positive = 60.0
    crank_kg_m2: Positive = 120_000.0
    loss: Positive = 0.06


class WiringTable(Section):
    """Mistakes of the first fitting that stay until somebody finds them."""

    crank_reversed: bool = False
    cam_reversed: bool = False
    swapped: bool = False
    """The two encoders' plugs are exchanged."""
    crank_scale: Positive = 1.0
    cam_scale: Positive = 1.0
    """Turns read for one turn: 0.5 for a wrong gear or a wrong number of counts."""


class ClockTable(Section):
    """The head's clock and time stamps."""

    ppm: Annotated[float, Field(ge=-10_000, le=10_000, allow_inf_nan=False)] = 0.0
    """By how much it runs fast."""
    jitter_us: NotNegative = 0.0
    """Largest error of a time stamp, either way, evenly spread."""
    tick_us: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    """Time stamps are whole multiples of it."""
    declared: Positive = 1.0
    """Sample interval as declared over the true one."""


class BuildTable(Section):
    """How the head's firmware is built."""

    health: Literal["each-second", "first", "middle", "last"] = "each-second"
    """Where a burst's health frames stand; without pause they come each second."""
    burst_offset_s: NotNegative = 0.0
    """The bursts begin so much after their round times."""
    tail: bool = False
    """Health frames carry the optional tail."""
