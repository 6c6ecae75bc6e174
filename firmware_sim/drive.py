"""The chain drive as a function of time: wear, warmth, stretch, the crew's work and what breaks. Truth, no sensors.

Handbook sums 7 and 8: an elongation ε of the taut strand S turns the camshaft late by ε·S/R; of the whole loop C it
gives ε·C/(2·sin(β/2)) to the tightener wheel, times the lever ratio to the spring. A degree of a four-stroke's camshaft
is two of the crank.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from firmware_sim.events import LagChange, NutTurn, SpringChange, ToothJump
from firmware_sim.motion import Motion, Timetable
from firmware_sim.scenario import Scenario

Floats = NDArray[np.float64]
Ramp = tuple[float, float, float]
"""Begin in s, length in s, amount."""

SHAKE_FULL_PART = 0.6
"""Torsion and slap are at full size from this part of the reference speed on, and shrink to nought below it."""
BROKEN_SPRING_SLAP = 3.0
FRAME_FEELS = 0.6


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


class Warming:
    """A body that follows the engine's warmth with one time constant; 0 = ambient, 1 = hot."""

    def __init__(self, timetable: Timetable, tau_s: float, reference_rpm: float, warm: bool) -> None:
        self._tau_s = tau_s
        self._timetable = timetable
        ends = np.append(timetable.at_s[1:], timetable.at_s[-1])
        middle = timetable.rpm0 + timetable.rpm_per_s * (ends - timetable.at_s) / 2
        self._target = np.clip(np.abs(middle) / reference_rpm, 0.0, 1.0)
        start = [float(self._target[0]) if warm else 0.0]
        for i, (t0, t1) in enumerate(pairwise(timetable.at_s)):
            start.append(self._target[i] + (start[i] - self._target[i]) * math.exp(-(t1 - t0) / tau_s))
        self._start = np.array(start)

    def at(self, t: Floats) -> Floats:
        """Warmth at each time."""
        i = self._timetable.piece(t)
        target = self._target[i]
        return np.asarray(target + (self._start[i] - target) * np.exp(-(t - self._timetable.at_s[i]) / self._tau_s))


class Drive:
    """Everything slow: what it gives is smooth but for the changes listed in `lag_changes` and `spring_changes`."""

    def __init__(self, scenario: Scenario, motion: Motion, rng: np.random.Generator) -> None:
        self.scenario = scenario
        self._timetable = motion.timetable
        engine, chain, thermal = scenario.engine, scenario.chain, scenario.thermal
        warm = thermal.warm_at_start
        self._casing = Warming(motion.timetable, thermal.casing_tau_min * 60, engine.reference_rpm, warm)
        self._frame = Warming(motion.timetable, thermal.frame_tau_min * 60, engine.reference_rpm, warm)
        self._ambient = [(2 * math.pi / p, a, 2 * math.pi * float(rng.random())) for p, a in thermal.ambient_wander]
        self._load = [(2 * math.pi / p, a, 2 * math.pi * float(rng.random())) for p, a in engine.load_wander]
        self._load_reference = (engine.reference_rpm / engine.full_rpm) ** 3
        wheel_mm = chain.pitch_mm / math.sin(math.pi / chain.cam_teeth) / 2
        cam_deg_per_percent = math.degrees(0.01 * chain.taut_links * chain.pitch_mm / wheel_mm)
        self.lag_deg_per_percent = cam_deg_per_percent * engine.ratio
        tightener = scenario.tightener
        wheel_travel_mm = (
            0.01 * chain.loop_links * chain.pitch_mm / (2 * math.sin(math.radians(tightener.wrap_deg) / 2))
        )
        self.sprung = tightener.kind == "sprung"
        self.spring_mm_per_percent = wheel_travel_mm * tightener.lever_ratio if self.sprung else 0.0
        self.lag_changes = [r for e in scenario.event if (r := _lag_ramp(scenario, e))]
        self.spring_changes = [r for e in scenario.event if (r := _spring_ramp(scenario, e))]
        self._broken = [(e.at_s, 0.0, BROKEN_SPRING_SLAP - 1) for e in scenario.event if e.kind == "spring-break"]

    def hours(self, t: Floats) -> Floats:
        """Running hours since the scenario's start."""
        return self._timetable.running_s(t) / 3600

    def elongation_percent(self, t: Floats) -> Floats:
        """Of the chain, over its length when new."""
        chain = self.scenario.chain
        worn_h = self.hours(t) * chain.wear_rate_factor
        bedding = chain.bedding_percent * -np.expm1(-worn_h / chain.bedding_h)
        return np.asarray(chain.elongation_percent + chain.wear_percent_per_1000h * worn_h / 1000 + bedding)

    def load(self, t: Floats) -> Floats:
        """Part of full load after the propeller law; 0 when not running."""
        rpm = np.abs(self._timetable.rpm(t))
        load = (rpm / self.scenario.engine.full_rpm) ** 3 + _waves(t, self._load)
        return np.where(rpm >= self.scenario.engine.turning_rpm, np.clip(load, 0.0, 1.1), 0.0)

    def casing_c(self, t: Floats) -> Floats:
        """Temperature of the chain casing."""
        thermal = self.scenario.thermal
        rise = (thermal.casing_hot_c - thermal.ambient_c) * self._casing.at(t)
        return thermal.ambient_c + rise + _waves(t, self._ambient)

    def frame_c(self, t: Floats) -> Floats:
        """Temperature of the engine frame."""
        thermal = self.scenario.thermal
        rise = (thermal.frame_hot_c - thermal.ambient_c) * self._frame.at(t)
        return thermal.ambient_c + rise + FRAME_FEELS * _waves(t, self._ambient)

    def lag_deg(self, t: Floats) -> Floats:
        """Mean lag over a turn against the last camshaft setting, late positive, degrees of the crank."""
        return self.lag_smooth_deg(t) + ramps(t, self.lag_changes)

    def spring_mm(self, t: Floats) -> Floats:
        """Mean spring length over a turn."""
        return self.spring_smooth_mm(t) + ramps(t, self.spring_changes)

    def lag_smooth_deg(self, t: Floats) -> Floats:
        """The lag without the listed changes."""
        chain, shafts, rpm = self.scenario.chain, self.scenario.shafts, self._timetable.rpm(t)
        worn = self.elongation_percent(t) - chain.elongation_at_camshaft_set_percent
        stretch = shafts.lag_per_rpm_deg * (np.abs(rpm) - self.scenario.engine.reference_rpm)
        stretch += shafts.lag_per_load_deg * (self.load(t) - self._load_reference)
        warmth = self.scenario.thermal.lag_per_c_deg * self._warmer_c(t)
        return np.asarray(worn * self.lag_deg_per_percent + stretch + warmth + shafts.astern_lag_deg * _astern(rpm))

    def spring_smooth_mm(self, t: Floats) -> Floats:
        """The spring length without the listed changes; a locked tightener's does not move."""
        tightener = self.scenario.tightener
        if not self.sprung:
            return np.full(t.shape, tightener.length_mm)
        worn = self.elongation_percent(t) - self.scenario.chain.elongation_percent
        warmth = self.scenario.thermal.spring_per_c_mm * self._warmer_c(t)
        astern = tightener.astern_mm * _astern(self._timetable.rpm(t))
        return np.asarray(tightener.length_mm + worn * self.spring_mm_per_percent + warmth + astern)

    def shake(self, t: Floats) -> Floats:
        """0–1: how much of the torsional vibration and slap the speed calls up."""
        full_rpm = SHAKE_FULL_PART * self.scenario.engine.reference_rpm
        return np.clip(np.abs(self._timetable.rpm(t)) / full_rpm, 0.0, 1.0)

    def slap(self, t: Floats) -> Floats:
        """Factor on the spring's slap: speed, slackness of the spring, a broken spring; 0 when locked."""
        if not self.sprung:
            return np.zeros(t.shape)
        slack_mm = np.maximum(self.spring_mm(t) - self.scenario.tightener.length_mm, 0.0)
        slack = 1 + self.scenario.tightener.slap_growth_per_mm * slack_mm
        return self.shake(t) * slack * (1 + ramps(t, self._broken))

    def _warmer_c(self, t: Floats) -> Floats:
        thermal = self.scenario.thermal
        return self.casing_c(t) - thermal.casing_hot_c - (self.frame_c(t) - thermal.frame_hot_c)


def _waves(t: Floats, waves: list[tuple[float, float, float]]) -> Floats:
    total = np.zeros(t.shape)
    for per_s, amplitude, phase in waves:
        total += amplitude * np.sin(per_s * t + phase)
    return total


def _astern(rpm: Floats) -> Floats:
    return np.clip(-rpm / 2, 0.0, 1.0)


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
