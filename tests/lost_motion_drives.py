"""Simulated drives at their manoeuvres: samples of each, cut and averaged by the gateway, and the truth of the drive.

Between two manoeuvres nothing is sampled, so a voyage of months costs seconds. The physics is the simulator's own: it
closes the chain's loop link by link and shares no formula with the gateway.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from drive_engines import four_stroke, tern
from numpy.typing import NDArray

from firmware_sim import Scenario, Truth
from firmware_sim.head import engine_of
from firmware_sim.scenario import checked
from firmware_sim.sensors import Sampler
from firmware_sim.streams import streams_of
from gateway.measure.lost_motion import LostMotionPair, LostMotionWatch
from gateway.measure.meter import Meter
from gateway.model.records import Cycle, Health, SampleBlock
from gateway.model.settings import EngineSettings, LostMotionSettings
from gateway.wear.lost_motion import LostMotion
from gateway.wear.ride_out import RideOut, mesh_share

RATE_HZ, SAMPLES = 100, 50
FRAME_S = SAMPLES / RATE_HZ
LEG_S, CHANGE_S, SEA_RPM, DAY_S = 120.0, 20.0, 90.0, 86_400.0
LEGS_IN, LEGS_OUT = (40.0, -42.0, 38.0, -36.0), (36.0, -40.0, 42.0, -38.0)
Table = dict[str, Any]


def timetable(ports: list[tuple[float, float]], end_s: float) -> tuple[list[tuple[float, float]], list[float]]:
    """Points of the speed, and when each manoeuvre begins. `ports`: arrival and departure, s."""
    points, begins = [(0.0, SEA_RPM if not ports or ports[0][0] > 0 else 0.0)], []

    def legs(t: float, speeds: tuple[float, ...]) -> float:
        begins.append(t)
        for rpm in speeds:
            points.extend(((t + CHANGE_S, rpm), (t + CHANGE_S + LEG_S, rpm)))
            t += CHANGE_S + LEG_S
        return t

    for arrive, leave in ports:
        if arrive > 0:
            points.append((arrive, SEA_RPM))
            t = legs(arrive + 1_800.0, LEGS_IN)
            points.append((t + CHANGE_S, 0.0))
        points.append((leave, 0.0))
        t = legs(leave, LEGS_OUT)
        points.append((t + 1_800.0, SEA_RPM))
    points.append((end_s, SEA_RPM))
    return points, begins


def locked_drive(seed: int, days: float = 170.0, **tables: Table) -> tuple[Scenario, list[float]]:
    """A locked drive as it may be aboard, retightened at the beginning, and when its manoeuvres begin."""
    rng = np.random.default_rng([21, seed])
    ports, t = [(0.0, 3_600.0)], 3_600.0
    while t < days * DAY_S:
        arrive = t + rng.uniform(8, 22) * DAY_S
        leave = arrive + rng.uniform(0.5, 2.5) * DAY_S
        ports.append((arrive, leave))
        t = leave
    points, begins = timetable(ports, t + 10 * DAY_S)
    data: Table = {
        "run": {"seed": seed},
        "head": {"rate_hz": RATE_HZ, "samples": SAMPLES},
        "engine": {"speed": points},
        "thermal": {"warm_at_start": False, "chain_daily_k": rng.uniform(0.5, 3.0)},
        "tightener": {"kind": "locked"},
        "chain": {
            "elongation_percent": rng.uniform(0.08, 0.6),
            "wear_percent_per_1000h": rng.uniform(0.008, 0.035),
            "wear_monthly": 0.3,
            "ride_out": rng.uniform(0, 1),
            "link_error_mm": rng.uniform(0.005, 0.03),
        },
        "sea": {"weather_deg": 0.02, "white_deg": 0.005, "season_deg": 0.02, "loading_deg": rng.uniform(-0.06, 0.06)},
        "shafts": {
            "crank_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "cam_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "crank_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)]],
            "cam_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)], [3.0, 0.01, rng.uniform(0, 360)]],
            "torsion": [[3.0, 0.1, 20.0], [6.0, 0.06, -35.0]],
        },
    }
    for table, keys in tables.items():
        data[table] = (data.get(table, {}) | keys) if isinstance(keys, dict) else keys
    return checked(data, f"locked drive {seed}"), begins


FOUR_STROKE_CHAIN = {"pitch_mm": 38.1, "crank_teeth": 24, "cam_teeth": 48, "loop_links": 110, "taut_links": 32}
FASTER = 5.0


def four_stroke_drive(seed: int) -> tuple[Scenario, list[float]]:
    """A four-stroke's at five times the speeds: the camshaft turns once in two turns of the crank."""
    table = {"ratio": 2, "full_rpm": 520, "reference_rpm": 465}
    scenario, begins = locked_drive(seed, engine=table, chain=FOUR_STROKE_CHAIN)
    faster = [(t, FASTER * rpm) for t, rpm in scenario.engine.speed]
    return scenario.changed(engine={"speed": faster}), begins


def four_stroke_engine() -> EngineSettings:
    """The gateway's settings for it."""
    chain = {"tightener": {"kind": "locked", "locked_at_mm": 181.2}, "running": {"rpm_min": 380, "rpm_max": 520}}
    return replace(four_stroke(**chain), lost_motion=LostMotionSettings(rpm_apart=FASTER * 3))


def locked_engine(**changes: Any) -> EngineSettings:
    """The gateway's settings for it."""
    service = {"hours_at_start": 20_000, "retightened_at_h": 20_000, "camshaft_set_at_h": 20_000}
    return tern(tightener={"kind": "locked", "locked_at_mm": 181.2}, service=service, **changes)


@dataclass
class Ship:
    """One simulated drive and the gateway's meter beside it. `hours` count from 20,000."""

    scenario: Scenario
    engine: EngineSettings
    pairs: list[LostMotionPair] = field(default_factory=list)

    def __post_init__(self) -> None:
        seed = self.scenario.run.seed
        self.motion, self.drive = engine_of(self.scenario, seed)
        self.truth = Truth(self.scenario, seed)
        self._sampler = Sampler(self.scenario, self.motion, self.drive, streams_of(seed))
        self.meter = Meter(self.engine)
        self.watch = LostMotionWatch(self.engine.lost_motion, bursts=False)

    def hours(self, t_s: float) -> float:
        """Running hours."""
        return 20_000 + float(self.drive.hours(np.array(t_s)))

    def sample(self, begin_s: float, for_s: float) -> Iterator[Cycle]:
        """The cycles of so long a time."""
        self.meter.gap(0)
        starts = begin_s + np.arange(round(for_s / FRAME_S)) * FRAME_S
        joined = False
        for part in np.array_split(starts, max(1, len(starts) // 60)):
            yield from self._cycles(part, self._sampler.sample(part).codes.reshape(-1, 3), joined)
            joined = True

    def _cycles(self, part: NDArray[np.float64], codes: NDArray[np.uint16], joined: bool) -> Iterator[Cycle]:
        t = np.array(part[0])
        casing, frame = (float(x(t)) for x in (self.drive.casing_c, self.drive.frame_c))
        self.meter.health = Health(0, 1, 0, None, casing, frame, None, None, None, None, None, None)
        crank, cam, loop = (np.ascontiguousarray(codes[:, i]) for i in range(3))
        head_us = np.rint(part * 1e6).astype(np.int64)
        starts = np.arange(len(part), dtype=np.int64) * SAMPLES
        block = SampleBlock(1, round(1e9 / RATE_HZ), 7, head_us, starts, crank, cam, loop, joined)
        for piece in self.meter.pieces(block):
            c = self.meter.take(*piece)
            if isinstance(c, Cycle):
                yield c

    def manoeuvre(self, begin_s: float) -> list[LostMotionPair]:
        """Play one, and keep its pairs."""
        found = []
        for c in self.sample(begin_s, 4 * (LEG_S + CHANGE_S) + 60.0):
            t_s = c.t_us / 1e6
            pair = self.watch.cycle(c, self.meter.running.state, self.meter.health, t_s, self.hours(t_s))
            if pair is not None:
                found.append(pair)
        self.pairs += found
        return found

    def lost_motion(self) -> LostMotion:
        """What the gateway makes of the pairs so far."""
        out = LostMotion(self.engine, self.engine.service.retightened_at_h)
        for pair in self.pairs:
            out.add(pair)
        return out

    def ride_out(self) -> RideOut:
        """Of which nothing is learned yet."""
        return RideOut(mesh_share(self.engine))

    def grown_percent(self, t_s: float) -> float:
        """True elongation since the beginning."""
        percent = self.drive.elongation_percent(np.array([0.0, t_s]))
        return float(percent[1] - percent[0])
