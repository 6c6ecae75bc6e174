"""What goes round with the turning, as tables: torsion by orders, each cylinder's cam torque, uneven links."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firmware_sim.events import CamLoad
from firmware_sim.motion import TABLE, wave_table
from firmware_sim.scenario import Scenario
from firmware_sim.streams import LINKS, Floats, Streams
from firmware_sim.torsion import POINTS, CamTrain, pump_pulse, valve_pulse

Places = NDArray[np.int64]


class Shape:
    """Lag over the turn, crank degrees, beside its mean."""

    def __init__(self, scenario: Scenario, streams: Streams) -> None:
        self._scenario = scenario
        ratio = scenario.engine.ratio
        self._even = wave_table(list(scenario.shafts.torsion), ratio)
        self._pumps = np.zeros(TABLE)
        self._cylinders: dict[int, Floats] = {}
        self._changes = [e for e in scenario.event if isinstance(e, CamLoad)]
        if scenario.cams.pump_nm or scenario.cams.valve_nm:
            self._load_cams()
        self._has_pumps = bool(self._pumps.any())
        self._link_turns = scenario.chain.crank_teeth / scenario.chain.loop_links
        self._links = _uneven(scenario, streams) if scenario.chain.link_error_mm else None

    def late_deg(self, t: Floats, angle: Floats, index: Places, shake: Floats, fuel: Floats) -> Floats:
        """At each sample; `index`: place in a table over the working cycle, `angle`: turns of the crank."""
        late = self._even.take(index)
        late *= shake
        if self._has_pumps:
            late += fuel * self._pumps.take(index)
            for event in self._changes:
                late += fuel * self._changed(event, t) * self._cylinders[event.cylinder].take(index)
        if self._links is not None:
            late += self._links.take((angle * (self._link_turns * TABLE)).astype(np.int64) & (TABLE - 1))
        return late

    def _load_cams(self) -> None:
        cams, ratio = self._scenario.cams, self._scenario.engine.ratio
        n = len(cams.angle_deg)
        train = CamTrain(
            crank_inertia=cams.crank_kg_m2 / ratio**2,
            wheel_inertia=cams.wheel_kg_m2,
            station_inertia=cams.cylinder_kg_m2,
            chain_stiffness=cams.chain_nm_per_rad,
            shaft_stiffness=cams.shaft_nm_per_rad,
            loss=cams.loss,
        )
        cam_rpm = self._scenario.engine.reference_rpm / ratio
        valves = np.zeros((n, POINTS))
        for cylinder, at in enumerate(cams.angle_deg):
            torque = np.zeros((n, POINTS))
            torque[cylinder] = pump_pulse(at / ratio, cams.pump_nm, cams.pump_half_deg / ratio)
            opens = (at + cams.valve_after_deg) / ratio
            valves[cylinder] = valve_pulse(
                opens, cams.valve_nm, cams.valve_half_deg / ratio, cams.valve_dwell_deg / ratio
            )
            self._cylinders[cylinder + 1] = self._stretched(train.late_deg(torque, cam_rpm) * ratio)
        self._pumps = np.sum(list(self._cylinders.values()), axis=0)
        self._even = self._even + self._stretched(train.late_deg(valves, cam_rpm) * ratio)

    @staticmethod
    def _stretched(course: Floats) -> Floats:
        """A course over one turn of the camshaft, as a table to be read to the nearest entry."""
        place = np.arange(TABLE) * (POINTS / TABLE)
        return np.asarray(np.round(np.interp(place, np.arange(POINTS + 1), np.append(course, course[0])), 12))

    @staticmethod
    def _changed(event: CamLoad, t: Floats) -> Floats:
        done = np.clip((t - event.at_s) / event.for_s, 0.0, 1.0) if event.for_s else (t >= event.at_s) * 1.0
        return np.asarray((event.part - 1) * done)


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
