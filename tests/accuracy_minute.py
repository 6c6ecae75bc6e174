"""One minute of steady running from the simulated head: lag and spring as the meter finds them, beside the truth.

Lag and spring of the minute are the means of the meter's revolutions, each weighted alike; the truth is the mean over
the crank's angle of the same revolutions, which no sensor has touched. Plain averaging over time takes the same samples
of the whole minute, a minute that is no whole number of turns.
"""

from dataclasses import dataclass

import numpy as np
from firmware_sim_voyages import tern_settings

from firmware_sim import Head, Scenario, Truth, parse_scenario
from gateway.link.blocks import SampleRun
from gateway.link.decoder import Decoder
from gateway.link.runs import runs
from gateway.measure.meter import Meter
from gateway.model.records import Cycle

BEGIN_S, MINUTE_S = 40.0, 60.0
ECCENTRIC_AND_TORSION = """
[shafts]
crank_eccentric = [0.2, {crank_phase}]
cam_eccentric = [0.2, {cam_phase}]
torsion = [[3.0, 0.25, {torsion_phase}], [6.0, 0.12, -35.0]]
[head]
crank_counts = 14400
cam_counts = 14400
[engine]
speed = [[0, {rpm}]]
ripple = {ripple}
"""
RIPPLE = {
    "default": "[[6.0, 0.03, 0.0], [3.0, 0.01, 40.0], [1.0, 0.01, 80.0]]",
    "strong": "[[6.0, 0.06, 0.0], [3.0, 0.05, 40.0], [1.0, 0.03, 80.0]]",
}
"""The simulated head's own; and one of an engine with a weak cylinder at low speed: 5 % of order 3, 3 % of order 1."""


@dataclass(frozen=True)
class Errors:
    """Found less true: by the meter, and by plain averaging of the same samples over time."""

    lag_deg: float
    spring_mm: float
    time_lag_deg: float
    time_spring_mm: float
    revolutions: int


def scenario(seed: int, ripple: str) -> Scenario:
    """The issue's engine, with speed and phases drawn from the seed."""
    rng = np.random.default_rng(seed)
    return parse_scenario(
        ECCENTRIC_AND_TORSION.format(
            crank_phase=rng.uniform(0, 360),
            cam_phase=rng.uniform(0, 360),
            torsion_phase=rng.uniform(0, 360),
            rpm=round(float(rng.uniform(72, 104)), 3),
            ripple=RIPPLE[ripple],
        )
    )


def errors(seed: int, ripple: str = "default") -> Errors:
    """Play the minute."""
    made = scenario(seed, ripple)
    meter = Meter(tern_settings().engine[0])
    lags, springs, ends, times, plain = [], [], [], [], []
    for run in runs(Decoder().gather(Head(made, seed).capture(BEGIN_S + MINUTE_S + 1))):
        if not isinstance(run, SampleRun) or run.block is None:
            continue
        b = run.block
        for what in meter.block(b, run.interleaved):
            if isinstance(what, Cycle) and what.steady:
                c = what
                if c.t_us / 1e6 - c.duration_s >= BEGIN_S and c.t_us / 1e6 <= BEGIN_S + MINUTE_S:
                    assert not c.refused
                    lags.append(c.lag_deg)
                    springs.append(c.spring_mm)
                    ends.append((c.t_us / 1e6 - c.duration_s, c.t_us / 1e6))
        sizes = np.diff(b.starts, append=len(b.crank))
        first_us = np.repeat(b.head_us, sizes) - np.repeat(b.starts, sizes) * (b.interval_ns / 1e3)
        times.append((first_us + np.arange(len(b.crank)) * (b.interval_ns / 1e3)) / 1e6)
        plain.append(np.stack([b.crank, b.cam, b.loop]).astype(np.int64))
    t, (crank, cam, loop) = np.concatenate(times), np.concatenate(plain, axis=1)
    within = (t >= BEGIN_S) & (t < BEGIN_S + MINUTE_S)
    by_time_deg = ((crank - cam - round(17.35 / 360 * 65_536) + 32_768) % 65_536 - 32_768)[within] * (360 / 65_536)
    by_time_mm = 150.0 + (loop[within] / 1000 - 4.0) * 5.0
    turns = Truth(made, seed).revolutions(ends[0][0] - 0.01, ends[-1][1] + 0.01)
    true_lag, true_spring = float(turns.lag_deg.mean()), float(turns.spring_mm.mean())
    return Errors(
        lag_deg=float(np.mean(lags)) - true_lag,
        spring_mm=float(np.mean(springs)) - true_spring,
        time_lag_deg=float(by_time_deg.mean()) - true_lag,
        time_spring_mm=float(by_time_mm.mean()) - true_spring,
        revolutions=len(lags),
    )
