"""Settings that measure otherwise, changed between two runs: told, and neither a step nor wear."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drive_engines import tern

from gateway.measure.lost_motion import LostMotionPair
from gateway.model.records import Median
from gateway.model.settings import EngineSettings
from gateway.wear.datum import from_settings
from gateway.wear.scale import changed_since, scale_of
from gateway.wear.trend import EngineWear

H0, UTC0, PER_H, RPM = 20_000.0, 1_700_000_000.0, 0.1e-3, 92.0
SKEW_US = 250.0
BEFORE = 144 * 8


def run(wear: EngineWear, rows: range, lag_deg: float = 0.0, spring_mm: float = 0.0) -> None:
    """Ten minutes after ten minutes; the figures are read so much otherwise."""
    noise = np.random.default_rng(5).standard_normal((4_000, 2)) * (0.004, 0.02)
    for k in rows:
        lag = 0.9 + PER_H * k / 6 + noise[k, 0] + lag_deg
        spring = 180.4 + 0.0006 * k / 6 + noise[k, 1] + spring_mm
        wear.add(Median(UTC0 + 1_200.0 * k, H0 + k / 6, 850, lag, 0.01, spring, 0.02, RPM, 45.0, None, 0.6))


def again(wear: EngineWear, engine: EngineSettings) -> EngineWear:
    """After a restart with other settings."""
    made = EngineWear(engine, from_settings(engine))
    made.load(json.loads(json.dumps(wear.state())))
    return made


def drift(wear: EngineWear, rows: int) -> Any:
    """Its lag's slope per 1,000 h."""
    return wear.trend(UTC0 + 1_200.0 * rows, H0 + rows / 6, None, None).lag_deg_per_1000h


@pytest.mark.parametrize(
    ("changes", "lag_deg", "spring_mm"),
    [
        # 6° a second for each rpm, by hand: the lag of the crank that is latched so much later.
        pytest.param({"lag": {"skew_us": SKEW_US}}, -6.0 * SKEW_US * 1e-6 * RPM, 0.0, marks=pytest.mark.slow),
        ({"lag": {"zero_deg": 17.05}}, 0.3, 0.0),
        pytest.param({"transducer": {"at_4ma_mm": 151.5, "at_20ma_mm": 231.5}}, 0.0, 1.5, marks=pytest.mark.slow),
    ],
    ids=["skew", "zero", "transducer"],
)
def test_what_reads_otherwise_is_no_step(changes: dict[str, Any], lag_deg: float, spring_mm: float) -> None:
    """Eight days, a restart with other settings, ten days more: no step stands, and the slope is that without it."""
    before, plain = tern(), EngineWear(tern(), from_settings(tern()))
    run(plain, range(BEFORE))
    engine = tern(**changes)
    assert engine != before
    changed = again(plain, engine)
    run(changed, range(BEFORE, BEFORE + 1_440), lag_deg, spring_mm)
    assert changed.standing_step("lag") is None and changed.standing_step("spring") is None
    run(plain, range(BEFORE, BEFORE + 1_440))
    rows = BEFORE + 1_440
    with_change, without = drift(changed, rows), drift(plain, rows)
    assert with_change.p05 < 1_000 * PER_H < with_change.p95
    assert with_change.p50 == pytest.approx(without.p50, abs=0.4 * (without.p95 - without.p05))
    # Once taken up it is not taken up again, and where nothing was changed nothing is.
    assert again(changed, engine).state() == changed.state()


def test_pairs_of_the_lost_motion_are_freed_from_the_skew() -> None:
    """Ahead less astern holds the skew twice: at 40 rpm each way and 250 µs, 6° · 80 · 250e-6 = 0.12°."""
    wear = EngineWear(tern(), from_settings(tern()))
    pair = LostMotionPair(UTC0, H0, 0.62, 0.01, 40.0, 0.0, None, None, None)
    wear.lost_motion.add(pair)
    after = again(wear, tern(lag={"skew_us": SKEW_US}))
    assert list(after.lost_motion.pairs) == [replace(pair, deg=pytest.approx(0.62 - 0.12))]


def test_each_change_is_told_with_what_it_does() -> None:
    """What was and what is, the figure's change, and what a person has to do; nothing where nothing was changed."""
    before = scale_of(tern(), 17.35)
    assert changed_since(before, tern(), 17.35).texts == ()
    assert (
        changed_since(None, tern(), 17.35).texts == ()
        and changed_since(scale_of(tern(), None), tern(), 17.35).texts == ()
    )
    (skew,) = changed_since(before, tern(lag={"skew_us": 40.0}), 17.35).texts
    assert (
        "is 40 µs, before 0: at 100 rpm the lag reads -0.024°" in skew
        and "book again one that was read under way" in skew
    )
    (zero,) = changed_since(before, tern(), 17.05).texts
    assert "is 17.05° by the settings, before 17.35°: the lag reads +0.300°" in zero
    (loop,) = changed_since(before, tern(transducer={"table": [[4, 150], [10, 181], [20, 230]]}), 17.35).texts
    # At 12 mA the straight line has 190 mm, the table 181 + 2/10 of 49.
    assert "at 12 mA the length reads +0.80 mm" in loop
