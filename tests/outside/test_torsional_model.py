"""Orders of the lag against an independent torsional model.

Source: openTorsion 0.3, "Open source library for creating torsional finite element models" (Aalto University; PyPI
`opentorsion`): forced response of lumped inertias to harmonic torques, `Assembly.ss_response`. The model's figures are
invented. The product sees nothing of it but counts of two encoders, written as the head would.
"""

import numpy as np
import pytest
from firmware_sim_voyages import START_UTC_S, tern_settings

from firmware_sim import frames as link
from gateway.measure.timeline import Now
from gateway.pipeline import EnginePipeline

RATE_HZ, SAMPLES, SECONDS = 500, 50, 60
COUNTS = 14_400
INERTIAS = (30_000.0, 2_500.0, 1_500.0)
"""kg m2: crankshaft with its running gear, camshaft's fore part with the chain wheel, its aft part."""
CHAIN_NM_PER_RAD, SHAFT_NM_PER_RAD = 8.0e6, 1.2e7
GAS_NM = (9_000.0, 6_000.0, 40_000.0, 4_000.0, 5_000.0, 60_000.0, 3_000.0, 4_000.0)
"""Torque at the crank, orders 1 to 8."""
CAM_NM = (300.0, 200.0, 900.0, 150.0, 250.0, 2_500.0, 200.0, 300.0)
"""Torque of the pumps and valves, orders 1 to 8."""


def response(rpm: float) -> np.ndarray:
    """complex[3, 8]: twist of each inertia about its mean turning, rad, by order."""
    from opentorsion import Assembly, Disk, Shaft

    shafts = [Shaft(0, 1, k=CHAIN_NM_PER_RAD, c=4_000.0), Shaft(1, 2, k=SHAFT_NM_PER_RAD, c=4_000.0)]
    model = Assembly(shafts, disk_elements=[Disk(n, inertia) for n, inertia in enumerate(INERTIAS)])
    orders = np.arange(1, 9)
    torque = np.zeros((3, 8), dtype=complex)
    torque[0] = np.array(GAS_NM) * np.exp(1j * 0.7 * orders)
    torque[2] = np.array(CAM_NM) * np.exp(-1j * 0.4 * orders)
    twist, _ = model.ss_response(torque, orders * rpm / 60 * 2 * np.pi)
    return np.asarray(twist)


def capture(twist: np.ndarray, rpm: float) -> bytes:
    """A minute of the two shafts as the head sends them: counts of encoders, no gateway code."""
    t = np.arange(RATE_HZ * SECONDS) / RATE_HZ
    wave = np.exp(1j * np.outer(np.arange(1, 9), 2 * np.pi * rpm / 60 * t))
    turning = rpm / 60 * t
    crank, cam = (turning + (twist[node] @ wave).real / (2 * np.pi) + off for node, off in ((0, 17.35 / 360), (1, 0.0)))
    codes = [np.floor(x * COUNTS) / COUNTS % 1 * 65_536 for x in (crank, cam)]
    loop = 10_000 + 40 * np.sin(2 * np.pi * turning)
    rows = np.stack([*(np.round(c) % 65_536 for c in codes), loop], axis=1).astype("<u2")
    interval_ns = round(1e9 / RATE_HZ)
    out = [
        link.frame(
            link.identity_payload(link.header(1, 0, 1, 0), 1, (1, 0), interval_ns, (COUNTS, COUNTS), "port-head")
        )
    ]
    for k in range(0, len(t), SAMPLES):
        head = link.header(2, k // SAMPLES + 1, 1, k * interval_ns // 1000)
        out.append(link.frame(link.samples_payload(head, interval_ns, SAMPLES, 7, rows[k : k + SAMPLES].tobytes())))
    return b"".join(out)


@pytest.mark.parametrize("rpm", [78.0, 96.0])
def test_orders_of_the_lag_are_the_models(rpm: float) -> None:
    """Each of the first eight orders within 3 % or half a count; the mean lag is the zero that was set."""
    twist = response(rpm)
    wanted_deg = np.degrees(np.abs(twist[0] - twist[1]))
    p = EnginePipeline(tern_settings(), "main", START_UTC_S)
    orders, lags = [], []
    seen = p.meter._cycle

    def taken(*args: object) -> object:
        r = seen(*args)  # type: ignore[arg-type]
        if r.orders_deg:
            orders.append(r.orders_deg)
            lags.append(r.lag_deg)
        return r

    p.meter._cycle = taken  # type: ignore[method-assign, assignment]
    list(p.feed(capture(twist, rpm), Now(0.0, START_UTC_S)))
    assert len(orders) > 0.9 * rpm - 3
    got = np.median(np.array(orders), axis=0)
    assert wanted_deg.max() > 0.05, "the model must move the shafts by something that can be measured"
    assert got == pytest.approx(wanted_deg, rel=0.03, abs=0.5 * 360 / COUNTS)
    assert np.median(lags) == pytest.approx(0.0, abs=0.01)
