"""Simulated drives at sea in bursts: the shapes of the lag as the gateway sums them, and what it makes of them.

Between two bursts nothing is sampled, so months cost minutes. The twist comes from the simulator's train of inertias,
which knows nothing of the gateway's pulses: its cams ring, and each cylinder's load shows with a size of its own.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from drive_engines import four_stroke, tern

from firmware_sim import Scenario
from firmware_sim.head import engine_of
from firmware_sim.scenario import checked
from firmware_sim.sensors import Sampler
from firmware_sim.streams import streams_of
from gateway.measure.cutter import BINS_PER_TURN, WIDTH, Cutter
from gateway.measure.cycles import DEG
from gateway.measure.loop import length_table_nm
from gateway.measure.turn_shape import TurnShape, TurnShapeSum, orders_of
from gateway.model.records import SampleBlock
from gateway.model.settings import EngineSettings
from gateway.wear.shape_reference import ShapeReference, ShapeView

RATE_HZ, SAMPLES, DAY_S = 100, 50, 86_400.0
ANGLES = [12.0, 252.0, 132.0, 192.0, 72.0, 312.0]
WANDER_S, WANDER_RPM = 7_200.0, 0.1
Table = dict[str, Any]


def engine() -> EngineSettings:
    """The invented vessel's, with its cams."""
    return tern(cams={"angle_deg": ANGLES})


def drive(
    seed: int, days: float, events: list[Table] | None = None, wander_rpm: float = WANDER_RPM, **tables: Table
) -> Scenario:
    """A drive at sea as it may be aboard: speeds that change each half to two days, encoders with harmonics.

    No governor holds a mean speed to a thousandth for days. With one that does, bursts each ten minutes meet the same
    links of the chain each time at any third of a revolution a minute, and uneven links then look like a cam's load.
    """
    rng, wander = np.random.default_rng([22, seed]), np.random.default_rng([23, seed])
    points, t = [(0.0, 88.0)], 0.0
    rpm = 88.0
    while t < days * DAY_S:
        rpm = float(np.clip(rpm + rng.uniform(-7, 7), 78, 100))
        points.append((t + 900.0, rpm))
        end = t + 900.0 + rng.uniform(0.4, 2.0) * DAY_S
        between = np.arange(t + 900.0 + WANDER_S, end, WANDER_S)
        points += zip(between.tolist(), (rpm + wander.normal(0, wander_rpm, len(between))).tolist(), strict=True)
        t = end
        points.append((t, rpm))
    pump = rng.uniform(4_000, 10_000)
    data: Table = {
        "run": {"seed": seed},
        "head": {"rate_hz": RATE_HZ, "samples": SAMPLES},
        "engine": {"speed": points, "sea": [[8.3, 0.5], [13.1, 0.5], [310.0, 0.4]]},
        "thermal": {"chain_daily_k": rng.uniform(0.5, 3.0)},
        "chain": {"link_error_mm": rng.uniform(0.005, 0.03), "ride_out": rng.uniform(0, 1)},
        "cams": {"pump_nm": pump, "valve_nm": pump * rng.uniform(0.15, 0.4)},
        "sea": {"weather_deg": 0.02, "white_deg": 0.005},
        "shafts": {
            "crank_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "cam_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "crank_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)], [5.0, 0.004, rng.uniform(0, 360)]],
            "cam_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)], [3.0, 0.01, rng.uniform(0, 360)]],
            "torsion": [[3.0, 0.1, 20.0], [6.0, 0.06, -35.0]],
        },
        "event": events or [],
    }
    for table, keys in tables.items():
        data[table] = data.get(table, {}) | keys
    return checked(data, f"drive {seed}")


def shapes(
    scenario: Scenario, e: EngineSettings, begin_s: float, end_s: float, every_s: float, burst_s: float = 6.0
) -> Iterator[tuple[float, TurnShape]]:
    """One shape for each burst, with its time."""
    seed = scenario.run.seed
    motion, drive_ = engine_of(scenario, seed)
    sampler = Sampler(scenario, motion, drive_, streams_of(seed))
    cutter, total = Cutter(e.ratio, length_table_nm(e.transducer)), TurnShapeSum(e.ratio)
    rate_hz = scenario.head.rate_hz
    frame_s = SAMPLES / rate_hz
    frames = np.arange(round(burst_s / frame_s))
    many = 40
    for first in np.arange(begin_s, end_s, many * every_s):
        bursts = [t for t in (first + np.arange(many) * every_s).tolist() if t < end_s]
        starts = np.add.outer(bursts, frames * frame_s)
        codes = sampler.sample(starts.ravel()).codes.reshape(len(bursts), -1, 3)
        at = np.array(bursts)
        fuel, hours = drive_.fuel_part(at), drive_.hours(at)
        for t, c, start_s, g, h in zip(bursts, codes, starts, fuel.tolist(), hours.tolist(), strict=True):
            crank, cam, loop = (np.ascontiguousarray(c[:, i]) for i in range(3))
            us = np.rint(start_s * 1e6).astype(np.int64)
            block = SampleBlock(1, round(1e9 / rate_hz), 7, us, np.arange(len(us)) * SAMPLES, crank, cam, loop, False)
            cut, _ = cutter.feed(block)
            for bins, lag, us_long in zip(cut.bins, cut.lag, cut.duration_us, strict=True):
                total.add((bins - lag) * DEG, e.ratio * 60e6 / us_long, g)
            shape = total.take(h, 3)
            if shape is not None:
                yield t, shape


def quick_shapes(
    scenario: Scenario, begin_s: float, end_s: float, every_s: float, burst_s: float = 6.0
) -> Iterator[tuple[float, TurnShape]]:
    """The same figures for a two-stroke that runs ahead without a fault, a hundred bursts in one pass: for years."""
    seed = scenario.run.seed
    motion, drive_ = engine_of(scenario, seed)
    sampler = Sampler(scenario, motion, drive_, streams_of(seed))
    frames = np.arange(round(burst_s * RATE_HZ / SAMPLES)) * (SAMPLES / RATE_HZ)
    times = np.arange(begin_s, end_s, every_s)
    for at in np.array_split(times, max(1, len(times) // 100)):
        codes = sampler.sample(np.add.outer(at, frames).ravel()).codes.reshape(len(at), -1, 3)
        found = zip(at.tolist(), codes, drive_.fuel_part(at).tolist(), drive_.hours(at).tolist(), strict=True)
        for t, c, load, hours in found:
            crank, lag = _unwrapped(c[:, 0]), _unwrapped(c[:, 0] - c[:, 1])
            turn = BINS_PER_TURN * WIDTH
            borders = np.arange(-(-int(crank[0] + 1) // turn) * turn, (int(crank[-1]) // turn) * turn + 1, WIDTH)
            cycles = len(borders) // BINS_PER_TURN
            if cycles < 3:
                continue
            step = np.diff(crank)
            twice = np.concatenate(([0], np.cumsum((lag[1:] + lag[:-1]) * step)))
            i = np.searchsorted(crank, borders, side="left") - 1
            part = (borders - crank[i]).astype(np.float64)
            to_border = twice[i] + part * (2 * lag[i] + (lag[i + 1] - lag[i]) * (part / step[i]))
            bins = (np.diff(to_border) / (2 * WIDTH)).reshape(cycles, BINS_PER_TURN)
            edges_s = np.diff((i[::BINS_PER_TURN] + (part / step[i])[::BINS_PER_TURN]) / RATE_HZ)
            mean = (bins - bins.mean(axis=1, keepdims=True)).mean(axis=0) * DEG
            yield t, TurnShape(hours, orders_of(mean, 1), cycles, float(np.mean(60 / edges_s)), load)


def _unwrapped(code: np.ndarray[Any, np.dtype[np.uint16]]) -> np.ndarray[Any, np.dtype[np.int64]]:
    steps = (code[1:] - code[:-1]).view(np.int16).astype(np.int64)
    return np.concatenate(([int(code[0])], int(code[0]) + np.cumsum(steps)))


FOUR_STROKE_ANGLES = [12.0, 492.0, 252.0, 612.0, 132.0, 372.0]
"""Firing order 1-5-3-6-2-4 over two turns: cylinders 1 and 6 are one turn of the crank apart."""


def four_stroke_engine() -> EngineSettings:
    """An invented four-stroke for the ship's shaft, with its cams over two turns."""
    running = {"rpm_min": 380, "rpm_max": 520}
    return four_stroke(cams={"angle_deg": FOUR_STROKE_ANGLES}, running=running)


def four_stroke_drive(seed: int, days: float, events: list[Table] | None = None) -> Scenario:
    """Its drive: the camshaft turns once in two turns of the crank, a lighter train that rings at some 65 Hz; three
    speeds, eight hours each, in turn."""
    points, wander = [], np.random.default_rng([24, seed])
    for i in range(round(12 * days)):
        rpm = (430.0, 465.0, 500.0)[i // 4 % 3] + float(wander.normal(0, 0.5))
        points += [(i * WANDER_S + 600.0, rpm)]
    train = {"chain_nm_per_rad": 2e6, "shaft_nm_per_rad": 8e6, "wheel_kg_m2": 6.0, "cylinder_kg_m2": 1.0,
             "crank_kg_m2": 3_000.0}  # fmt: skip
    engine_table = {"ratio": 2, "speed": points, "full_rpm": 520, "reference_rpm": 465}
    chain = {"pitch_mm": 38.1, "crank_teeth": 24, "cam_teeth": 48, "loop_links": 110, "taut_links": 32}
    cams = {"angle_deg": FOUR_STROKE_ANGLES, "pump_nm": 900.0, "valve_nm": 250.0, **train}
    return drive(seed, days, events, engine=engine_table, chain=chain, cams=cams, head={"rate_hz": 500})


class _WithoutCurves(ShapeReference):
    """Draws nothing: the curves are a tenth of the time, and say nothing of the changes."""

    def _course(self, value: np.ndarray[Any, np.dtype[np.float64]]) -> tuple[float, ...]:
        return ()


def followed(
    scenario: Scenario, e: EngineSettings, begin_s: float, end_s: float, every_s: float, *, quick: bool = False
) -> Iterator[tuple[float, ShapeView]]:
    """What is known after each burst."""
    reference = _WithoutCurves(e) if quick else ShapeReference(e)
    found = quick_shapes(scenario, begin_s, end_s, every_s) if quick else shapes(scenario, e, begin_s, end_s, every_s)
    for t, shape in found:
        reference.add(shape)
        yield t, reference.view
