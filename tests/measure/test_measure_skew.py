"""A head that latches the crank later than the cam: the setting takes its error off at every speed."""

from dataclasses import replace

import numpy as np
import pytest
from firmware_sim_voyages import tern_settings

from firmware_sim import Head, Scenario, Truth, load_scenario
from gateway.link.blocks import SampleRun
from gateway.link.decoder import Decoder
from gateway.link.runs import runs
from gateway.measure.meter import Meter
from gateway.model.records import Cycle

SKEW_US = 400.0
TURNING_RPM = 1.2


def played(made: Scenario, skew_us: float, seconds: float) -> tuple[Meter, list[Cycle]]:
    """A meter that has heard the scenario, and its steady cycles."""
    engine = tern_settings().engine[0]
    meter = Meter(replace(engine, lag=replace(engine.lag, skew_us=skew_us)))
    cycles = []
    for run in runs(Decoder().gather(Head(made, 1).capture(seconds))):
        if isinstance(run, SampleRun):
            for what in meter.block(run.block, run.interleaved) if run.block is not None else ():
                cycles += [what] if isinstance(what, Cycle) and what.steady else []
    return meter, cycles


def at(rpm: float, skew_us: float = SKEW_US) -> Scenario:
    """A warm engine at one speed."""
    speed = [(0.0, rpm)] if rpm > 10 else [(0.0, 0.0), (10.0, 0.0), (12.0, rpm)]
    return load_scenario("steady").changed(head={"skew_us": skew_us}, engine={"speed": speed})


@pytest.mark.parametrize("rpm", [60.0, 97.0])
def test_the_lag_is_the_truth_at_any_speed(rpm: float) -> None:
    """400 µs are 0.14° at 60 rpm and 0.23° at 97: with the setting the lag is the drive's own within 0.01°, without it
    late by just that."""
    errors = {}
    for skew_us in (0.0, SKEW_US):
        _, cycles = played(at(rpm), skew_us, 60.0)
        late = [c for c in cycles if c.t_us > 40e6]
        truth = Truth(at(rpm), 1).revolutions(late[0].t_us / 1e6 - late[0].duration_s, late[-1].t_us / 1e6)
        errors[skew_us] = float(np.mean([c.lag_deg for c in late if c.lag_deg is not None]) - truth.lag_deg.mean())
    assert errors[SKEW_US] == pytest.approx(0.0, abs=0.01)
    assert errors[0.0] - errors[SKEW_US] == pytest.approx(rpm / 60 * 360 * SKEW_US * 1e-6, abs=0.002)


def test_a_zero_of_the_turning_gear_holds_at_sea() -> None:
    """Zero as the mean of a turn at 1.2 rpm. At 97 rpm the raw angle differs from it by what the drive itself does,
    within 0.02°; without the setting by 0.23° more."""
    zero, seconds = {}, 130.0
    for skew_us in (0.0, SKEW_US):
        meter, _ = played(at(TURNING_RPM), skew_us, seconds)
        assert meter.turned_raw_deg() is not None
        turned = float(meter.turned_raw_deg() or 0.0) - float(Truth(at(TURNING_RPM), 1).lag_deg(seconds))
        _, cycles = played(at(97.0), skew_us, 45.0)
        sea = [c for c in cycles if c.t_us > 30e6]
        truth = Truth(at(97.0), 1).revolutions(sea[0].t_us / 1e6 - sea[0].duration_s, sea[-1].t_us / 1e6)
        raw = float(np.mean([c.raw_deg for c in sea if c.raw_deg is not None])) - float(truth.lag_deg.mean())
        zero[skew_us] = raw - turned
    assert zero[SKEW_US] == pytest.approx(0.0, abs=0.02)
    assert zero[0.0] == pytest.approx(6e-6 * SKEW_US * (97.0 - TURNING_RPM), abs=0.02)


def test_live_figures_are_corrected_too() -> None:
    """While the speed changes the last second's mean is shown: at 97 rpm before the first averaged turn."""
    raws = [played(at(97.0), skew_us, 3.0)[0].raw_now() for skew_us in (0.0, SKEW_US)]
    assert raws[0] is not None and raws[1] is not None
    assert raws[0] - raws[1] == pytest.approx(97.0 / 60 * 360 * SKEW_US * 1e-6, rel=0.05)
