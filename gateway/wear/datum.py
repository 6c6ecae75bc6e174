"""The datum: all that is counted from the last time hands were on the drive. Percents, mm, crank degrees, hours."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from gateway.model.settings import EngineSettings
from gateway.wear import geometry
from gateway.wear.elongation import Estimate, Source, from_links

SETTINGS_SE_PERCENT = 0.03
"""An elongation typed into the settings or a booking without its uncertainty: measured with care over long spans."""

NEW_CHAIN_SE_PERCENT = 0.05
"""New chains are made between 0 and about +0.15 % of their nominal length (ISO 606, from memory)."""

BEDDING_IN_EARLY = 0.8
"""A check counts for a point of the bedding-in schedule from this share of its hours on: port stays do not wait."""


@dataclass(frozen=True, slots=True)
class Datum:
    """Everything that counts from the last time hands were on the drive. `None` = never taken, hence not known.

    `lag_at_set_deg`: the lag read just after the setting. `lag_start`, `spring_start`: elongation at the lag's and at
    the spring's datum. `compensation_deg`: advance in force at each pump. `due_h`: running hours of the next
    retightening. `links`: last count and length by hand, and `links_at_h` when. `last_h`: running hours of the last
    booking by kind. `known`: kind by id. `marks`: (UTC, hours) of each booking. `faults`: bookings left out, and why.
    """

    engine: EngineSettings
    zero_deg: float | None
    camshaft_set_at_h: float
    lag_at_set_deg: float | None
    lag_start: Estimate | None
    lag_start_at_h: float
    compensation_deg: tuple[float, ...]
    compensated_at_h: float | None
    free_length_new_mm: float
    free_length_mm: float
    rate_n_per_mm: float
    spring_at_datum_mm: float | None
    spring_start: Estimate | None
    retightened_at_h: float
    spring_changed_at_h: float
    locked_at_mm: float | None
    chain_new_at_h: float | None
    due_h: float
    links: tuple[int, float] | None = None
    links_at_h: float | None = None
    last_h: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    known: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    marks: tuple[tuple[float, float], ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def target_length_mm(self) -> float:
        """Measured free length less required compression."""
        return self.free_length_mm - self.engine.tightener.required_compression_mm

    @property
    def common_since_h(self) -> float:
        """Running hours since which lag and spring were both left alone: only changes since then may be compared."""
        return max(self.camshaft_set_at_h, self.spring_changed_at_h, self.chain_new_at_h or 0.0)

    def compression_mm(self, spring_mm: float) -> float:
        """Measured free length less the present length."""
        return self.free_length_mm - spring_mm

    def compensation_mean_deg(self) -> float:
        """Mean advance in force at the pumps; 0 where none was booked."""
        return sum(self.compensation_deg) / len(self.compensation_deg) if self.compensation_deg else 0.0

    def hours_since(self, hours: float) -> dict[str, float]:
        """Hours since retightening and since the camshaft was set, as `trend` shows them."""
        return {"retightened": hours - self.retightened_at_h, "camshaft_set": hours - self.camshaft_set_at_h}

    def links_estimate(self) -> Estimate | None:
        """The last measurement by hand, as it stood when it was taken."""
        return None if self.links is None else links_by_hand(self.engine, *self.links)


def from_settings(engine: EngineSettings) -> Datum:
    """The datum before any booking. The spring's length at the last retightening is in no setting, so not known."""
    s, t = engine.service, engine.tightener
    start = Estimate(engine.elongation.at_camshaft_set_percent, SETTINGS_SE_PERCENT, Source.SETTINGS)
    return Datum(
        engine=engine,
        zero_deg=engine.lag.zero_deg,
        camshaft_set_at_h=s.camshaft_set_at_h,
        lag_at_set_deg=None if engine.lag.zero_deg is None else 0.0,
        lag_start=start,
        lag_start_at_h=s.camshaft_set_at_h,
        compensation_deg=(),
        compensated_at_h=None,
        free_length_new_mm=t.free_length_new_mm,
        free_length_mm=t.free_length_mm,
        rate_n_per_mm=t.rate,
        spring_at_datum_mm=t.locked_at_mm if t.kind == "locked" else None,
        spring_start=start if s.retightened_at_h == s.camshaft_set_at_h else None,
        retightened_at_h=s.retightened_at_h,
        spring_changed_at_h=s.retightened_at_h,
        locked_at_mm=t.locked_at_mm,
        chain_new_at_h=s.chain_new_at_h,
        due_h=next_due_h(engine, s.chain_new_at_h, s.retightened_at_h),
    )


def gauge_lag_deg(engine: EngineSettings, gauge_mm: float) -> float | None:
    """Crank degrees behind a reading of the pin gauge at the camshaft; `None` for a reading without a radius."""
    if gauge_mm == 0:
        return 0.0
    radius_mm = engine.lag.pin_gauge_radius_mm
    return None if radius_mm is None else geometry.pin_gauge_deg(radius_mm, gauge_mm) * engine.ratio


def links_by_hand(engine: EngineSettings, links: int, length_mm: float) -> Estimate:
    """The elongation from a length over some links of the tightener's chain, as it stood when it was measured."""
    return from_links(geometry.stages(engine)[engine.chain.tightener_stage - 1].pitch_mm, links, length_mm)


def next_due_h(engine: EngineSettings, chain_new_at_h: float | None, retightened_at_h: float) -> float:
    """Running hours of the next retightening: the next point of the bedding-in schedule, or the interval."""
    regular = retightened_at_h + engine.service.retighten_every_h
    if chain_new_at_h is None or retightened_at_h < chain_new_at_h:
        return regular
    run_h = retightened_at_h - chain_new_at_h
    points = [p for p in engine.service.bedding_in_h if run_h < BEDDING_IN_EARLY * p]
    return min(regular, chain_new_at_h + points[0]) if points else regular
