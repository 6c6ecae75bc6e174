"""What goes round with the turning, as tables: torsion by orders, each cylinder's cam torque, uneven links."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from firmware_sim.events import CamLoad
from firmware_sim.motion import TABLE, wave_table
from firmware_sim.scenario import Scenario
from firmware_sim.streams import LINKS, Floats, Streams
from firmware_sim.torsion import POINTS, CamTrain, pump_pulse, valve_pulse

Places = NDArray[np.int64]
RPM_STEP, SLOWEST_RPM = 2.0, 20.0
"""The twist is worked out at speeds so far apart, and taken in a straight line between them."""


class Shape:
    """Lag over the turn, crank degrees, beside its mean."""

    def __init__(self, scenario: Scenario, streams: Streams) -> None:
        self._scenario = scenario
        ratio = scenario.engine.ratio
        self._even = wave_table(list(scenario.shafts.torsion), ratio)
        self._changes = [e for e in scenario.event if isinstance(e, CamLoad)]
        self._has_cams = bool(scenario.cams.pump_nm or scenario.cams.valve_nm)
        rpms = [abs(rpm) for _, rpm in scenario.engine.speed]
        self._slowest = max(RPM_STEP, RPM_STEP * math.floor(min(rpms) / RPM_STEP), SLOWEST_RPM)
        self._speeds = max(1, math.ceil(max(rpms) / RPM_STEP) + 1 - round(self._slowest / RPM_STEP))
        self._tables: dict[int, _CamTables] = {}
        self._link_turns = scenario.chain.crank_teeth / scenario.chain.loop_links
        self._links = _uneven(scenario, streams) if scenario.chain.link_error_mm else None

    def late_deg(self, t: Floats, angle: Floats, index: Places, shake: Floats, fuel: Floats) -> Floats:
        """At each sample; `index`: place in a table over the working cycle, `angle`: turns of the crank."""
        late = self._even.take(index)
        late *= shake
        if self._has_cams:
            late += self._cams(t, angle, index, shake, fuel)
        if self._links is not None:
            late += self._links.take((angle * (self._link_turns * TABLE)).astype(np.int64) & (TABLE - 1))
        return late

    def _cams(self, t: Floats, angle: Floats, index: Places, shake: Floats, fuel: Floats) -> Floats:
        """Twist by pumps and valves at each frame's own speed: the train rings at frequencies, not at orders."""
        late = np.zeros(t.shape)
        span_s = np.maximum(t[:, -1] - t[:, 0], 1e-9)
        rpm = np.abs(angle[:, -1] - angle[:, 0]) / span_s * 60 if t.shape[1] > 1 else self._reference(len(t))
        place = np.clip(rpm / RPM_STEP - self._slowest / RPM_STEP, 0, self._speeds - 1)
        low = np.minimum(place.astype(np.int64), max(self._speeds - 2, 0))
        for i in np.unique(low).tolist():
            rows = low == i
            part = (place[rows] - i)[:, None]
            for number, share in ((i, 1 - part), (i + 1, part)):
                if not share.any():
                    continue
                tables, at = self._at(number), index[rows]
                quick = tables.pumps.take(at)
                for event in self._changes:
                    quick += self._changed(event, t[rows]) * tables.cylinder(event.cylinder).take(at)
                late[rows] += share * (fuel[rows] * quick + shake[rows] * tables.valves.take(at))
        return late

    def _reference(self, frames: int) -> Floats:
        return np.full(frames, self._scenario.engine.reference_rpm)

    def _at(self, number: int) -> _CamTables:
        if number not in self._tables:
            self._tables[number] = _CamTables(self._scenario, self._slowest + number * RPM_STEP)
        return self._tables[number]

    @staticmethod
    def _changed(event: CamLoad, t: Floats) -> Floats:
        done = np.clip((t - event.at_s) / event.for_s, 0.0, 1.0) if event.for_s else (t >= event.at_s) * 1.0
        return np.asarray((event.part - 1) * done)


class _CamTables:
    """What each cam twists over the working cycle, at one speed; float64[65536], crank degrees, at full fuel."""

    def __init__(self, scenario: Scenario, rpm: float) -> None:
        self._scenario, self._rpm = scenario, rpm
        self._train = _train(scenario)
        self._own: dict[int, Floats] = {}
        n = len(scenario.cams.angle_deg)
        self.pumps = self._table(np.array([self._pump(i) for i in range(n)]))
        self.valves = self._table(np.array([self._valve(i) for i in range(n)]))

    def cylinder(self, number: int) -> Floats:
        """One cylinder's pump alone."""
        if number not in self._own:
            torque = np.zeros((len(self._scenario.cams.angle_deg), POINTS))
            torque[number - 1] = self._pump(number - 1)
            self._own[number] = self._table(torque)
        return self._own[number]

    def _pump(self, i: int) -> Floats:
        cams, ratio = self._scenario.cams, self._scenario.engine.ratio
        return pump_pulse(cams.angle_deg[i] / ratio, cams.pump_nm, cams.pump_half_deg / ratio)

    def _valve(self, i: int) -> Floats:
        cams, ratio = self._scenario.cams, self._scenario.engine.ratio
        opens = (cams.angle_deg[i] + cams.valve_after_deg) / ratio
        return valve_pulse(opens, cams.valve_nm, cams.valve_half_deg / ratio, cams.valve_dwell_deg / ratio)

    def _table(self, torque: Floats) -> Floats:
        ratio = self._scenario.engine.ratio
        course = self._train.late_deg(torque, self._rpm / ratio) * ratio
        place = np.arange(TABLE) * (POINTS / TABLE)
        return np.asarray(np.round(np.interp(place, np.arange(POINTS + 1), np.append(course, course[0])), 12))


def _train(scenario: Scenario) -> CamTrain:
    cams = scenario.cams
    return CamTrain(
        crank_inertia=cams.crank_kg_m2 / scenario.engine.ratio**2,
        wheel_inertia=cams.wheel_kg_m2,
        station_inertia=cams.cylinder_kg_m2,
        chain_stiffness=cams.chain_nm_per_rad,
        shaft_stiffness=cams.shaft_nm_per_rad,
        loss=cams.loss,
    )


def _uneven(scenario: Scenario, streams: Streams) -> Floats:
    """float64[65536]: crank degrees over one round of the chain, from the errors of the links in the taut strand."""
    chain = scenario.chain
    errors = streams(LINKS).standard_normal(chain.loop_links) * chain.link_error_mm
    errors -= errors.mean()
    passed = np.concatenate([[0.0], np.cumsum(np.concatenate([errors, errors]))])
    link = np.arange(TABLE) * (chain.loop_links / TABLE)
    places = np.arange(len(passed))
    in_strand = np.interp(link + min(chain.taut_links, chain.loop_links), places, passed) - np.interp(
        link, places, passed
    )
    cam_deg = in_strand / chain.pitch_mm * (360 / chain.cam_teeth)
    return np.asarray(np.round((cam_deg - cam_deg.mean()) * scenario.engine.ratio, 12))
