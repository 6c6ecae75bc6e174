"""The lag's shape against its own reference: a weak pump is found on simulated drives, and what looks alike is not."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from drive_engines import four_stroke, tern
from shape_drives import (
    ANGLES,
    DAY_S,
    drive,
    engine,
    followed,
    four_stroke_drive,
    four_stroke_engine,
    quick_shapes,
    shapes,
)

from gateway.alarm.judge import _shape  # the rule of one alarm
from gateway.alarm.machine import HELD
from gateway.measure.turn_shape import TurnShape, TurnShapeSum, orders_of, shape_of
from gateway.wear.shape_reference import FULL, OFF, PRESENT_MIN, ShapeReference, ShapeView, groups

WEAK_AT_S = 8 * DAY_S


def legs(days: float) -> dict[str, object]:
    """Three speeds in turn, eight hours each, so that their places of the grid are full in time."""
    points, t = [], 0.0
    for i in range(round(3 * days)):
        rpm = (84.0, 90.0, 96.0)[i % 3]
        points += [(t + 600.0, rpm), (t + DAY_S / 3 - 1.0, rpm)]
        t += DAY_S / 3
    return {"speed": points}


@pytest.mark.parametrize("cylinder", [2, pytest.param(5, marks=pytest.mark.slow)])
def test_a_weak_pump_is_found_and_named(cylinder: int) -> None:
    """The bench does 50 seeds. The drive's cams ring, and its encoders have harmonics."""
    weak = {"kind": "pump-load", "at_s": WEAK_AT_S, "cylinder": cylinder, "part": 0.9}
    scenario = drive(cylinder, 10, [weak], engine=legs(10), cams={"pump_nm": 9_000.0})
    views = list(followed(scenario, engine(), 0.0, WEAK_AT_S + DAY_S, 1_200.0))
    before = [v for t, v in views if t < WEAK_AT_S]
    assert any(v.changes for v in before), before[-1].text
    assert not any(v.named for v in before)
    found = next(v for t, v in views if t >= WEAK_AT_S and v.named)
    assert found.named is not None and found.named.cylinders == (cylinder,)
    last = views[-1][1]
    assert last.named is not None and last.named.cylinders == (cylinder,)
    assert -20 < last.named.p50 <= -5
    assert f"near cylinder {cylinder}'s cam" in last.text and "compare the pressures" in last.text
    assert len(last.reference_deg) == len(last.present_deg) == 64


def test_the_bench_s_quick_way_has_the_gateway_s_shapes() -> None:
    """Years are cut in one pass; of each burst it gives what the gateway's own cutter does."""
    scenario = drive(200, 0.3)
    gateway, quick = (
        list(shapes(scenario, engine(), 0.0, 6_000.0, 600.0)),
        list(quick_shapes(scenario, 0.0, 6_000.0, 600.0)),
    )
    assert len(gateway) == len(quick) == 10
    for (t, one), (u, other) in zip(gateway, quick, strict=True):
        assert (t, one.cycles, one.hours) == (u, other.cycles, other.hours)
        assert np.abs(one.orders_deg - other.orders_deg).max() < 1e-9
        assert other.rpm == pytest.approx(one.rpm, abs=1e-3) and other.load == pytest.approx(one.load)


@pytest.mark.slow
def test_fuel_of_all_cylinders_and_mounting_are_no_cylinder() -> None:
    """All pumps 10 % weaker, or an encoder that moved a little: no cylinder is named."""
    for events in (
        [{"kind": "pump-load", "at_s": WEAK_AT_S, "cylinder": c, "part": 0.9} for c in range(1, 7)],
        [{"kind": "cam-slip", "at_s": WEAK_AT_S, "deg": 0.3}],
    ):
        scenario = drive(11, 10, events, engine=legs(10), cams={"pump_nm": 9_000.0})
        views = list(followed(scenario, engine(), 0.0, WEAK_AT_S + DAY_S, 1_200.0))
        assert views[-1][1].changes
        assert not any(v.named for _, v in views)


def test_kept_over_a_restart_and_bounded() -> None:
    scenario = drive(5, 3, engine=legs(3))
    seen = [s for _, s in shapes(scenario, engine(), 0.0, 2.5 * DAY_S, 1_200.0)]
    whole = ShapeReference(engine())
    for s in seen[:-1]:
        whole.add(s)
    again = ShapeReference(engine())
    again.load(json.loads(json.dumps(whole.state())))
    for reference in (whole, again):
        reference.add(seen[-1])
    assert again.view == whole.view and whole.view.changes
    other = ShapeReference(four_stroke(cams={"angle_deg": ANGLES}))
    other.load(whole.state())
    assert other.view.text == "Reference not filled yet."
    for i in range(200):
        whole.add(TurnShape(0.0, seen[0].orders_deg, 8, 60.0 + i, 0.5))
    assert len(json.dumps(whole.state())) < 40_000


def test_what_is_missing_is_said() -> None:
    flat = np.zeros(16, dtype=np.complex128)
    off = ShapeReference(replace(tern(), cams=None))
    off.add(TurnShape(0.0, flat, 8, 90.0, 0.7))
    assert off.view is OFF
    one = ShapeReference(engine())
    one.add(TurnShape(0.0, flat, 8, 90.0, 0.7))
    assert f"1 of {FULL} shapes" in one.view.text
    for _ in range(FULL + PRESENT_MIN):
        one.add(TurnShape(0.0, flat, 8, 90.0, 0.7))
    assert "another load is needed" in one.view.text
    one.restart()
    assert one.view.text == "Reference not filled yet."


@pytest.mark.slow
@pytest.mark.parametrize("cylinder", [3, 6])
def test_a_four_stroke_s_weak_pump_is_told_from_the_one_a_turn_apart(cylinder: int) -> None:
    """Half orders over two turns: cylinders 3 and 4, 1 and 6 have all whole orders alike. In bursts, each of which may
    begin in either turn."""
    weak_s = 6 * DAY_S
    weak = {"kind": "pump-load", "at_s": weak_s, "cylinder": cylinder, "part": 0.8}
    scenario, e = four_stroke_drive(cylinder, 8, [weak]), four_stroke_engine()
    views = list(followed(scenario, e, 0.0, weak_s + 0.5 * DAY_S, 1_200.0))
    assert not any(v.named for t, v in views if t < weak_s)
    last = views[-1][1]
    assert last.named is not None and last.named.cylinders == (cylinder,)
    assert -35 < last.named.p50 < -10


def test_cylinders_at_like_angles_are_one() -> None:
    """Four-stroke: angles over two turns; cylinders one turn apart are not alike, two of one angle are."""
    e = four_stroke(cams={"angle_deg": [10, 370, 15, 200]})
    assert groups(e.cams.angle_deg, 720.0, 11.0) == ((1, 3), (2,), (4,))


@pytest.mark.parametrize("ratio", [1, 2])
def test_orders_give_the_shape_back(ratio: int) -> None:
    """A wave of a known order, amplitude and phase, averaged over the bins as the cutter does."""
    n, order = 64 * ratio, 3
    edges = np.arange(n + 1) * (2 * math.pi / n)
    bins = np.diff(np.sin(order * edges + 0.7)) / order / (2 * math.pi / n)
    orders = orders_of(bins, ratio)
    assert abs(orders[order - 1]) == pytest.approx(1.0, abs=1e-9)
    assert np.abs(np.delete(orders, order - 1)).max() < 1e-9
    middles = (np.arange(n) + 0.5) * (2 * math.pi / n)
    assert shape_of(orders, ratio, n) == pytest.approx(np.cos(order * middles + 0.7), abs=1e-9)


def test_ten_minutes_are_summed_and_closed() -> None:
    total = TurnShapeSum(1)
    for i in range(150):
        total.add(np.sin(np.arange(64) / 64 * 2 * math.pi) * (1 + (i % 2)), 90.0 + i % 2, 0.7 if i else None)
    shape = total.take(100.0, 3)
    assert shape is not None and shape.cycles == 150
    assert shape.rpm == pytest.approx(90.5) and shape.load == pytest.approx(0.7)
    assert abs(shape.orders_deg[0]) == pytest.approx(1.5, rel=1e-3)
    total.add(np.zeros(64), 90.0, None)
    assert total.take(100.0, 3) is None


def test_alarm_is_held_until_there_is_a_figure() -> None:
    class E:
        shape: ShapeView = OFF
        lag_step = None

    assert _shape(engine(), E, None) is HELD  # type: ignore[arg-type]
    assert _shape(replace(tern(), cams=None), E, None) is HELD  # type: ignore[arg-type]
