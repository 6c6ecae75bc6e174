"""A misfire and a weak pump in an independent torsional model: what the projection on the cams makes of each.

Source: openTorsion 0.3, "Open source library for creating torsional finite element models" (Aalto University; PyPI
`opentorsion`): forced response of lumped inertias to harmonic torques. The model's figures are invented: crankshaft,
six camshaft stations, the encoder at the last. The product sees the lag's orders only.
"""

import numpy as np
import pytest
from shape_drives import ANGLES, engine

from gateway.measure.turn_shape import ORDERS_PER_TURN, TurnShape
from gateway.wear.shape_reference import ShapeReference, ShapeView

ORDERS = np.arange(1, ORDERS_PER_TURN + 1)
CAM_INERTIAS = [900.0, *[60.0] * 6]
CHAIN_NM_PER_RAD, CAM_NM_PER_RAD, CRANK_KG_M2 = 1.4e7, 6.0e7, 120_000.0
PUMP_NM, GAS_NM = 9_000.0, 150_000.0
NOISE_DEG = 0.0006


def pulse(angle_deg: float, half_deg: float) -> np.ndarray:
    """complex[16]: a raised cosine of height one, by orders."""
    at = np.arange(3_600) / 10.0
    away = (at - angle_deg + 180) % 360 - 180
    shape = np.where(np.abs(away) < half_deg, 0.5 + 0.5 * np.cos(np.pi * away / half_deg), 0.0)
    return np.asarray(np.fft.rfft(shape)[ORDERS] * 2 / len(at))


def lag(rpm: float, fuel: float, pumps: np.ndarray, gas: np.ndarray) -> np.ndarray:
    """complex[16]: crank less camshaft's end, degrees; `pumps`, `gas`: each cylinder's part of its torque."""
    from opentorsion import Assembly, Disk, Shaft

    shafts = [Shaft(0, 1, k=CHAIN_NM_PER_RAD, c=15_000.0)]
    shafts += [Shaft(i, i + 1, k=CAM_NM_PER_RAD, c=20_000.0) for i in range(1, 7)]
    disks = [Disk(i, inertia) for i, inertia in enumerate([CRANK_KG_M2, *CAM_INERTIAS])]
    model = Assembly(shafts, disk_elements=disks)
    torque = np.zeros((8, len(ORDERS)), dtype=complex)
    for i, angle in enumerate(ANGLES):
        torque[2 + i] -= fuel * pumps[i] * PUMP_NM * pulse(angle, 22.0)
        torque[0] += fuel * gas[i] * GAS_NM * pulse(angle + 25.0, 60.0)
    twist, _ = model.ss_response(torque, ORDERS * rpm / 60 * 2 * np.pi)
    return np.asarray((twist[0] - twist[-1]) * (180 / np.pi))


def seen(pumps: list[float], gas: list[float]) -> ShapeView:
    """A reference at three speeds, then a day with these parts."""
    rng = np.random.default_rng(8)
    reference = ShapeReference(engine())
    ones = np.ones(6)

    def add(rpm: float, p: np.ndarray, g: np.ndarray) -> None:
        fuel = (rpm / 104) ** 2
        noise = rng.normal(0, NOISE_DEG, (2, len(ORDERS)))
        orders = lag(rpm, fuel, p, g) + noise[0] + 1j * noise[1] + 0.05 * (ORDERS == 1)
        reference.add(TurnShape(0.0, orders, 8, rpm, fuel))

    for rpm in (80.0, 86.0, 92.0) * 40:
        add(rpm, ones, ones)
    for _ in range(60):
        add(86.0, np.array(pumps), np.array(gas))
    return reference.view


@pytest.mark.parametrize("cylinder", [1, 4])
def test_a_weak_pump_is_named(cylinder: int) -> None:
    pumps = [1.0] * 6
    pumps[cylinder - 1] = 0.85
    view = seen(pumps, [1.0] * 6)
    assert view.named is not None and view.named.cylinders == (cylinder,)
    assert view.named.p50 < 0


def test_nothing_is_named_where_nothing_changed() -> None:
    assert seen([1.0] * 6, [1.0] * 6).named is None


def test_a_misfire_with_a_sound_pump_is_no_cam() -> None:
    """The gas torque of one cylinder is gone, its pump goes on: the heavy crankshaft hardly twists by it."""
    gas = [1.0] * 6
    gas[2] = 0.0
    assert seen([1.0] * 6, gas).named is None


def test_a_cylinder_cut_out_is_a_pump_that_gives_nothing() -> None:
    """Fuel cut off at the pump: the load of its cam is gone, and so is the gas torque. It cannot be a weak pump."""
    pumps, gas = [1.0] * 6, [1.0] * 6
    pumps[2] = gas[2] = 0.0
    view = seen(pumps, gas)
    assert view.named is not None and view.named.cylinders == (3,)
    assert view.named.p50 < -30
