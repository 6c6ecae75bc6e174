"""Twist between crank and camshaft encoder over a turn, from the torque of each cylinder's pump and exhaust valve.

A chain of inertias: crankshaft, camshaft at the chain wheel, camshaft at each cylinder, the last one carrying the
encoder. Between crank and chain wheel the chain is the spring, between the cylinders the shaft is. Each order of the
torque is solved on its own (dynamic stiffness K + iωC − ω²M); the mean torque only winds the shaft up and is left to
the load's stretch. Figures are of the camshaft: N m, N m/rad, kg m².
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_sim.streams import Floats

POINTS = 2_048
"""Points over one turn of the camshaft at which the torque is given."""
ORDERS = 72
"""Orders of the camshaft that are kept."""
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class CamTrain:
    """The train's figures. `loss`: damping of shaft and chain as part of their stiffness, at the speed asked for."""

    crank_inertia: float
    wheel_inertia: float
    station_inertia: float
    chain_stiffness: float
    shaft_stiffness: float
    loss: float

    def stiffness(self, cylinders: int, loss: bool = True) -> Complexes:
        """complex[n, n] with n = cylinders + 2: crank, chain wheel, one station for each cylinder."""
        n = cylinders + 2
        out = np.zeros((n, n), dtype=np.complex128)
        for i in range(n - 1):
            k = (self.chain_stiffness if i == 0 else self.shaft_stiffness) * (1 + 1j * self.loss * loss)
            out[i : i + 2, i : i + 2] += np.array([[k, -k], [-k, k]])
        return out

    def inertias(self, cylinders: int) -> Floats:
        """kg m² of each node."""
        return np.array([self.crank_inertia, self.wheel_inertia, *[self.station_inertia] * cylinders])

    def response(self, torque: Complexes, per_s: Floats) -> Complexes:
        """complex[n, F]: angle of each node, rad, for complex torques [n, F] at angular frequencies `per_s` [F]."""
        cylinders = len(torque) - 2
        k, m = self.stiffness(cylinders), np.diag(self.inertias(cylinders))
        out = np.empty_like(torque)
        for i, w in enumerate(per_s.tolist()):
            out[:, i] = np.linalg.solve(k - w * w * m, torque[:, i])
        return out

    def late_deg(self, torque: Floats, cam_rpm: float) -> Floats:
        """float64[POINTS]: camshaft degrees by which the encoder is behind the crank, over one turn of the camshaft.

        `torque`: float64[cylinders, POINTS], braking the camshaft at each cylinder.
        """
        orders = np.arange(1, ORDERS + 1)
        spectrum = np.fft.rfft(torque, axis=1)[:, 1 : ORDERS + 1] * (2 / POINTS)
        nodes = np.zeros((len(torque) + 2, ORDERS), dtype=np.complex128)
        nodes[2:] = -spectrum
        angle = self.response(nodes, np.asarray(orders * (cam_rpm / 60 * 2 * np.pi), dtype=np.float64))
        twist = np.zeros(POINTS // 2 + 1, dtype=np.complex128)
        twist[1 : ORDERS + 1] = (angle[0] - angle[-1]) * (POINTS / 2)
        return np.degrees(np.fft.irfft(twist, POINTS))


def pump_pulse(peak_at_deg: float, peak_nm: float, half_width_deg: float) -> Floats:
    """Torque of a fuel pump's cam: it presses oil while the roller rises. Angles of the camshaft."""
    away = (np.arange(POINTS) * (360 / POINTS) - peak_at_deg + 180) % 360 - 180
    return np.asarray(
        np.where(np.abs(away) < half_width_deg, peak_nm * np.cos(np.pi / 2 * away / half_width_deg) ** 2, 0)
    )


def valve_pulse(opens_at_deg: float, peak_nm: float, half_width_deg: float, dwell_deg: float) -> Floats:
    """Torque of an exhaust valve's cam: it brakes while the valve opens and gives two thirds back as it closes."""
    opening = pump_pulse(opens_at_deg, peak_nm, half_width_deg)
    closing = pump_pulse(opens_at_deg + dwell_deg, peak_nm * 2 / 3, half_width_deg)
    return opening - closing
