"""The simulator's train of crank, chain, camshaft and cylinders against an independent torsional model.

Source: openTorsion 0.3, "Open source library for creating torsional finite element models" (Aalto University; PyPI
`opentorsion`): natural frequencies and forced response of lumped inertias. The figures are invented.
"""

from typing import TYPE_CHECKING

import numpy as np
import pytest

from firmware_sim.torsion import POINTS, CamTrain, pump_pulse, valve_pulse

if TYPE_CHECKING:
    from opentorsion import Assembly

CYLINDERS = 6
TRAIN = CamTrain(120_000.0, 900.0, 60.0, 1.4e7, 6.0e7, loss=0.06)


def assembly(damping: float = 0.0) -> "Assembly":
    """The same train; `damping` in N m s/rad for each N m/rad of stiffness."""
    from opentorsion import Assembly, Disk, Shaft

    k = [TRAIN.chain_stiffness, *[TRAIN.shaft_stiffness] * CYLINDERS]
    shafts = [Shaft(i, i + 1, k=x, c=damping * x) for i, x in enumerate(k)]
    return Assembly(shafts, disk_elements=[Disk(n, i) for n, i in enumerate(TRAIN.inertias(CYLINDERS))])


def test_natural_frequencies() -> None:
    """Eigenvalues of stiffness and inertia are the model's undamped natural frequencies, each within 0.1 %."""
    inertia = TRAIN.inertias(CYLINDERS)
    stiffness = TRAIN.stiffness(CYLINDERS, loss=False).real
    half = np.sqrt(inertia)
    ours = np.sqrt(np.abs(np.linalg.eigvalsh(stiffness / np.outer(half, half))))
    theirs = np.unique(np.round(np.sort(assembly().modal_analysis()[0]), 3))
    theirs = theirs[theirs > 1]
    assert len(ours) == CYLINDERS + 2
    assert ours[1:] == pytest.approx(theirs[: len(ours) - 1], rel=1e-3)


@pytest.mark.parametrize("rpm", [78.0, 96.0])
def test_forced_response(rpm: float) -> None:
    """Orders 1 to 24 of a pump's pulse at cylinder 3: twist within 1 % of the model's, each order damped alike."""
    orders = np.arange(1, 25)
    per_s = np.asarray(orders * rpm / 60 * 2 * np.pi, dtype=np.float64)
    pulse = np.fft.rfft(pump_pulse(132.0, 10_000.0, 22.0))[1:25] * 2 / POINTS
    torque = np.zeros((CYLINDERS + 2, 24), dtype=complex)
    torque[4] = -pulse
    ours = TRAIN.response(torque, per_s)
    for i, w in enumerate(per_s.tolist()):
        theirs, _ = assembly(TRAIN.loss / w).ss_response(torque[:, i : i + 1], np.array([w]))
        twist = ours[0, i] - ours[-1, i]
        assert twist == pytest.approx(complex(theirs[0, 0] - theirs[-1, 0]), rel=0.01)


def test_twist_stands_at_the_cams_own_angle() -> None:
    """Far below resonance a pulse winds up what lies between: torque over stiffness in series, at its own angle."""
    slow = TRAIN.late_deg(_at(2, pump_pulse(132.0, 10_000.0, 22.0)), cam_rpm=1.0)
    stiffness = 1 / (1 / TRAIN.chain_stiffness + 3 / TRAIN.shaft_stiffness)
    assert np.ptp(slow) == pytest.approx(np.degrees(10_000 / stiffness), rel=0.05)
    assert np.argmax(slow) * 360 / POINTS == pytest.approx(132.0, abs=3.0)


def test_a_valve_gives_part_back() -> None:
    """An exhaust valve's cam brakes as it opens and drives as it closes; over a turn a third of the work is kept."""
    torque = valve_pulse(100.0, 3_000.0, 16.0, 110.0)
    assert torque.max() == pytest.approx(3_000.0, rel=1e-3)
    assert torque.min() == pytest.approx(-2_000.0, rel=1e-3)
    assert torque.mean() == pytest.approx(pump_pulse(100.0, 1_000.0, 16.0).mean(), rel=1e-6)


def _at(cylinder: int, pulse: np.ndarray) -> np.ndarray:
    torque = np.zeros((CYLINDERS, POINTS))
    torque[cylinder] = pulse
    return torque
