"""The chain drive as a function of time: wear, warmth, stretch, sea, work and what breaks. Truth, no sensors.

Lag and tightener follow from the closed loop (`chain_path`): the taut strand's links that do not fit any more lie on
the camshaft wheel, the loop's spare length is taken up by the tightener wheel, whose travel the lever hands to the
spring. Running ahead the loop's length alone places the tightener: the spring's force decides how hard it presses, not
where it stands. Astern the driving strand is the tightener's; it pulls a sprung one to its stop, and the whole spare
length of a locked drive goes over to the other strand. A degree of a four-stroke's camshaft is two of the crank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from firmware_sim.chain_path import GROWTH_GRID, chain_path
from firmware_sim.events import ChainRenewed, LagChange, NutTurn, Seized, SpringChange, ToothJump
from firmware_sim.motion import Motion
from firmware_sim.scenario import Scenario
from firmware_sim.streams import DRIVE, MONTHS, SPRING, WEATHER, WHITE, Floats, Streams
from firmware_sim.wander import Wander
from firmware_sim.warming import Warming, waves
from firmware_sim.wear import WearCourse

Ramp = tuple[float, float, float]
"""Begin in s, length in s, amount."""

SHAKE_FULL_PART = 0.6
"""Torsion and slap are at full size from this part of the reference speed on, and shrink to zero below it."""
BROKEN_SPRING_SLAP = 3.0
FRAME_FEELS = 0.6
DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S
WHITE_MEMORY_S = 240.0
"""Short beside ten minutes, long beside a turn: a burst has one value of it, a median a few."""
ASTERN_RPM = 2.0
STOPPED_RPM = 5.0


def ramps(t: Floats, changes: list[Ramp]) -> Floats | float:
    """Sum of all changes at each time; a plain number where all are over or yet to come."""
    total: Floats | float = 0.0
    if not changes:
        return total
    first, last = float(t.min()), float(t.max())
    for at, length, amount in changes:
        if first >= at + length:
            total = total + amount
        elif last >= at:
            done = (t >= at).astype(np.float64) if length == 0 else np.clip((t - at) / length, 0.0, 1.0)
            total = total + amount * done
    return total


@dataclass(frozen=True, slots=True)
class Slow:
    """What changes slowly, at each time: lag and spring without the listed changes, and factors on what is quick.

    `shake`: of torsion; `slap`: of the spring's slap; `fuel`: of full load's fuel a stroke.
    """

    lag_deg: Floats
    spring_mm: Floats
    shake: Floats
    slap: Floats
    fuel: Floats


class Drive:
    """Everything slow: what it gives is smooth but for the changes listed in `lag_changes` and `spring_changes`."""

    def __init__(self, scenario: Scenario, motion: Motion, streams: Streams) -> None:
        self.scenario = scenario
        self._timetable = motion.timetable
        engine, thermal, sea = scenario.engine, scenario.thermal, scenario.sea
        warm = thermal.warm_at_start
        self._casing = Warming(motion.timetable, thermal.casing_tau_min * 60, engine.reference_rpm, warm)
        self._frame = Warming(motion.timetable, thermal.frame_tau_min * 60, engine.reference_rpm, warm)
        rng = streams(DRIVE)
        self._ambient = [(2 * math.pi / p, a, 2 * math.pi * float(rng.random())) for p, a in thermal.ambient_wander]
        self._load = [(2 * math.pi / p, a, 2 * math.pi * float(rng.random())) for p, a in engine.load_wander]
        self._daily = [(2 * math.pi / DAY_S, thermal.chain_daily_k, 2 * math.pi * float(rng.random()))]
        self._weather = Wander(streams(WEATHER), sea.weather_deg, sea.weather_days * DAY_S)
        self._white = Wander(streams(WHITE), sea.white_deg, WHITE_MEMORY_S)
        self._spring_own = Wander(streams(SPRING), sea.spring_wander_mm, 2 * DAY_S)
        renewed = sorted(
            (float(self.hours(np.array(e.at_s))), e.elongation_percent)
            for e in scenario.event
            if isinstance(e, ChainRenewed)
        )
        self.wear = WearCourse(scenario.chain, streams(MONTHS), renewed)
        self.path = chain_path(scenario.layout)
        self.sprung = scenario.tightener.kind == "sprung"
        when_set = self._by_growth(self.path.lag_deg, scenario.chain.elongation_at_camshaft_set_percent)
        self._set_deg = self._crank_deg(when_set)
        self._start_mm = self._by_growth(self.path.travel, scenario.chain.elongation_percent)
        self.lag_deg_per_percent = float(self._crank_deg(self._slope(self.path.lag_deg)))
        self.spring_mm_per_percent = float(self._slope(self.path.travel) * self._lever) if self.sprung else 0.0
        reference = np.array(engine.reference_rpm)
        self._fuel_reference = self._fuel(reference, np.array(self._propeller(engine.reference_rpm)))
        self.lag_changes = [r for e in scenario.event if (r := _lag_ramp(scenario, e))]
        self.spring_changes = [r for e in scenario.event if (r := _spring_ramp(scenario, e))]
        self._broken = [(e.at_s, 0.0, BROKEN_SPRING_SLAP - 1) for e in scenario.event if e.kind == "spring-break"]
        self._arms = [e for e in scenario.event if isinstance(e, Seized) and e.kind == "arm-seized"]

    # -- the engine ---------------------------------------------------------------------------------------------

    def hours(self, t: Floats) -> Floats:
        """Running hours since the scenario's start."""
        return self._timetable.running_s(t) / 3600

    def load(self, t: Floats) -> Floats:
        """Part of full load after the propeller law; 0 when not running."""
        rpm = np.abs(self._timetable.rpm(t))
        load = (rpm / self.scenario.engine.full_rpm) ** 3 + waves(t, self._load)
        return np.where(rpm >= self.scenario.engine.turning_rpm, np.clip(load, 0.0, 1.1), 0.0)

    def fuel_part(self, t: Floats) -> Floats:
        """Fuel a stroke as part of full load's: what the fuel index shows; 0 when not running."""
        return self._fuel(self._timetable.rpm(t), self.load(t))

    def casing_c(self, t: Floats) -> Floats:
        """Temperature of the chain casing, as its sensor stands in it."""
        thermal = self.scenario.thermal
        rise = (thermal.casing_hot_c - thermal.ambient_c) * self._casing.at(t)
        seen = thermal.daily_seen * waves(t, self._daily)
        return thermal.ambient_c + rise + waves(t, self._ambient) + seen

    def frame_c(self, t: Floats) -> Floats:
        """Temperature of the engine frame."""
        thermal = self.scenario.thermal
        rise = (thermal.frame_hot_c - thermal.ambient_c) * self._frame.at(t)
        return thermal.ambient_c + rise + FRAME_FEELS * waves(t, self._ambient)

    def chain_c(self, t: Floats) -> Floats:
        """Temperature of the chain itself."""
        return self.casing_c(t) + (1 - self.scenario.thermal.daily_seen) * waves(t, self._daily)

    def loading(self, t: Floats) -> Floats:
        """0 in ballast, 1 laden."""
        at, part = np.array(self.scenario.sea.loading).T
        return np.asarray(part[np.maximum(np.searchsorted(at, t, side="right") - 1, 0)])

    # -- the chain ----------------------------------------------------------------------------------------------

    def elongation_percent(self, t: Floats) -> Floats:
        """Of the chain by wear, over its length when new."""
        return self.wear.at(self.hours(t))

    def lag_deg(self, t: Floats) -> Floats:
        """Mean lag over a turn against the last camshaft setting, late positive, degrees of the crank."""
        return self.slow(t).lag_deg + ramps(t, self.lag_changes)

    def spring_mm(self, t: Floats) -> Floats:
        """Mean spring length over a turn."""
        free = self.slow(t).spring_mm + ramps(t, self.spring_changes)
        for arm in self._arms:
            stuck = np.asarray((t >= arm.at_s) & (t < arm.until_s))
            if stuck.any():
                at = np.array(arm.at_s)
                held = self.slow(at).spring_mm + ramps(at, self.spring_changes)
                free = np.where(stuck, held, free)
        return free

    def slack_mm(self, t: Floats) -> Floats:
        """Length of chain that nothing takes up: of a locked drive, or behind an arm that is stuck."""
        if not self.sprung:
            return np.maximum(self._spare_links(t), 0.0) * self.scenario.chain.pitch_mm
        arm_mm = (self.slow(t).spring_mm + ramps(t, self.spring_changes) - self.spring_mm(t)) / self._lever
        return np.maximum(arm_mm * self.path.wheel_pull(), 0.0)

    def tension_share_n(self, t: Floats) -> Floats:
        """What the spring alone puts on the slack strand: balance of forces at the tightener wheel."""
        tightener = self.scenario.tightener
        free = tightener.free_length_mm - tightener.set_mm_per_1000h * self.hours(t) / 1000
        force = np.maximum(free - self.spring_mm(t), 0.0) * tightener.rate_n_per_mm
        return np.asarray(force * self._lever / self.path.wheel_pull())

    def slow(self, t: Floats) -> Slow:
        """All slow figures at once: they share temperatures, hours and load."""
        rpm, load, percent = self._timetable.rpm(t), self.load(t), self.elongation_percent(t)
        astern, fuel = np.clip(-rpm / ASTERN_RPM, 0.0, 1.0), self._fuel(rpm, load)
        warm = self._warm_growth(t)
        spring = self._spring(t, percent, warm, astern)
        lag = self._lag(t, percent, warm) + self._stretch(rpm, fuel) + self._sea(t)
        lag = lag - self._changed_over(t, percent, warm, astern)
        full_rpm = SHAKE_FULL_PART * self.scenario.engine.reference_rpm
        shake = np.clip(np.abs(rpm) / full_rpm, 0.0, 1.0)
        return Slow(lag, spring, shake, self._slap(t, spring, shake), fuel)

    # -- parts of the slow figures ------------------------------------------------------------------------------

    @property
    def _lever(self) -> float:
        return self.scenario.tightener.lever_ratio

    def _crank_deg(self, cam_deg: Floats | float) -> Floats | float:
        return cam_deg * self.scenario.engine.ratio

    def _by_growth(self, course: Floats, percent: Floats | float) -> Floats:
        return np.asarray(np.interp(np.asarray(percent) / 100, GROWTH_GRID, course))

    def _slope(self, course: Floats) -> float:
        """Per per cent, about the start."""
        first = self.scenario.chain.elongation_percent
        return float(self._by_growth(course, first + 0.5) - self._by_growth(course, first - 0.1)) / 0.6

    def _lag(self, t: Floats, percent: Floats, warm: Floats) -> Floats:
        cam = self._by_growth(self.path.lag_deg, percent) + warm * self._by_growth(self.path.lag_deg_per_warm, percent)
        return np.asarray(self._crank_deg(cam) - self._set_deg)

    def _spring(self, t: Floats, percent: Floats, warm: Floats, astern: Floats) -> Floats:
        tightener = self.scenario.tightener
        if not self.sprung:
            return np.full(t.shape, tightener.length_mm)
        travel = self._by_growth(self.path.travel, percent) - self._start_mm
        travel = travel + warm * self._by_growth(self.path.travel_per_warm, percent)
        own = self._spring_own.at(t) + tightener.astern_mm * astern
        return np.asarray(tightener.length_mm + travel * self._lever + own)

    def _changed_over(self, t: Floats, percent: Floats, warm: Floats, astern: Floats) -> Floats | float:
        """Astern: crank degrees by which the camshaft is earlier, since the slack lies on the other strand."""
        if not astern.any():
            return 0.0
        if self.sprung:
            cam: Floats | float = -self.scenario.tightener.astern_mm / self._lever * self.path.lag_deg_per_travel
        else:
            # A nut that backs off lets the tightener wheel go: that slack goes over to the other strand as well.
            let_go = ramps(t, self.spring_changes) / self._lever * self.path.lag_deg_per_travel
            cam = np.maximum(self._spare(percent, warm) * self.path.cam_deg_per_link + let_go, 0.0)
        return np.asarray(self._crank_deg(cam) * astern)

    def _spare_links(self, t: Floats) -> Floats:
        return self._spare(self.elongation_percent(t), self._warm_growth(t))

    def _spare(self, percent: Floats, warm: Floats) -> Floats:
        at = self.scenario.tightener.tightened_at_percent
        tightened = self.scenario.chain.elongation_percent if at is None else at
        links = self._by_growth(self.path.spare_links, percent) - self._by_growth(self.path.spare_links, tightened)
        return np.asarray(links + warm * self._by_growth(self.path.spare_links_per_warm, percent))

    def _warm_growth(self, t: Floats) -> Floats:
        """Growth of the chain against what holds its wheels apart, over that of the hot engine; parts of one."""
        thermal = self.scenario.thermal
        chain = (self.chain_c(t) - thermal.casing_hot_c) * thermal.chain_per_k
        return np.asarray(chain - (self.frame_c(t) - thermal.frame_hot_c) * thermal.frame_per_k)

    def _propeller(self, rpm: float) -> float:
        return (rpm / self.scenario.engine.full_rpm) ** 3

    def _fuel(self, rpm: Floats, load: Floats) -> Floats:
        """Fuel a stroke as part of full load's: power over speed."""
        return np.asarray(load * self.scenario.engine.full_rpm / np.maximum(np.abs(rpm), STOPPED_RPM))

    def _stretch(self, rpm: Floats, fuel: Floats) -> Floats:
        shafts, reference = self.scenario.shafts, self.scenario.engine.reference_rpm
        pull = shafts.lag_per_rpm_deg * (rpm**2 - reference**2) / (2 * reference)
        return np.asarray(pull + shafts.lag_per_load_deg * (fuel - self._fuel_reference))

    def _sea(self, t: Floats) -> Floats:
        sea = self.scenario.sea
        total = np.asarray(self._weather.at(t) + self._white.at(t), dtype=np.float64)
        if sea.loading_deg:
            total = total + sea.loading_deg * (self.loading(t) - 0.5)
        if sea.season_deg:
            year = t / YEAR_S + sea.season_day / 365.25
            total = total + np.asarray(sea.season_deg * np.sin(2 * np.pi * year), dtype=np.float64)
        return total

    def _slap(self, t: Floats, spring: Floats, shake: Floats) -> Floats:
        """Factor on the spring's slap: speed, slackness of the spring, a broken spring; 0 when locked or stuck."""
        if not self.sprung:
            return np.zeros(t.shape)
        changed = spring + ramps(t, self.spring_changes)
        slack_mm = np.maximum(changed - self.scenario.tightener.length_mm, 0.0)
        slack = 1 + self.scenario.tightener.slap_growth_per_mm * slack_mm
        slap = np.asarray(shake * slack * (1 + ramps(t, self._broken)))
        for arm in self._arms:
            slap[(t >= arm.at_s) & (t < arm.until_s)] = 0.0
        return slap


def _lag_ramp(scenario: Scenario, event: object) -> Ramp | None:
    if isinstance(event, LagChange):
        return event.at_s, event.for_s, event.deg
    if isinstance(event, ToothJump):
        return event.at_s, 0.0, event.teeth * 360 / scenario.chain.crank_teeth
    return None


def _spring_ramp(scenario: Scenario, event: object) -> Ramp | None:
    if isinstance(event, SpringChange):
        return event.at_s, event.for_s, event.mm
    if isinstance(event, NutTurn):
        return event.at_s, event.for_s, -event.turns * scenario.tightener.nut_pitch_mm
    return None
