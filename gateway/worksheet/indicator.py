"""Indicator sums (handbook sum 17): cylinder volume, mean indicated pressure, power, and where dead centre lies.

Angles are degrees of the crank after the dead centre of firing. Pressures in bar, volumes in m³, lengths in mm.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.model.settings import Cylinders

Floats = NDArray[np.float64]
COMPRESSION_DEG = (-60.0, -14.0)
"""Where every engine of this kind compresses: valves and ports are shut, and nothing burns yet."""
SHIFT_DEG_MAX = 5.0
SHIFT_STEP_DEG = 0.1
SHIFT_SHOWN_DEG = 0.4
"""A dead centre off by less moves the mean indicated pressure by less than its spread's limit (from memory)."""
ATMOSPHERE_BAR = 1.013
NOISE_LN = 5e-4
"""Scatter of ln p that no indicator goes below (from memory)."""
CLEAR = 25.0
"""Five standard deviations: so much straighter must the line be with another dead centre."""
PEAK_DEG = (-5.0, 45.0)


def swept_m3(c: Cylinders) -> float:
    """Swept volume of one cylinder."""
    return math.pi / 4 * (c.bore_mm / 1000) ** 2 * (c.stroke_mm / 1000)


def volume_m3(c: Cylinders, angle_deg: Floats) -> Floats:
    """Cylinder volume: clearance, plus bore area times the crosshead's travel from dead centre.

    Travel/stroke = ½·(1 − cos θ + (1 − √(1 − λ²·sin²θ))/λ), λ = crank radius over rod length.
    """
    angle = np.radians(angle_deg)
    rod = (1 - np.sqrt(1 - (c.rod_ratio * np.sin(angle)) ** 2)) / c.rod_ratio
    travel = 0.5 * (1 - np.cos(angle) + rod)
    return np.asarray(swept_m3(c) * (1 / (c.compression_ratio - 1) + travel))


def closed_work(pressure: Floats, volume: Floats) -> float:
    """∮ p dV around the loop of points, by trapezoids; the last point is joined to the first."""
    p, v = np.append(pressure, pressure[0]), np.append(volume, volume[0])
    return float(np.sum((p[1:] + p[:-1]) / 2 * np.diff(v)))


def simpson(y: Floats, step: float) -> float:
    """∫ y by Simpson's rule over equal steps; an odd number of points. Exact for cubics."""
    if len(y) < 3 or len(y) % 2 == 0:
        raise ValueError("Simpson's rule wants an odd number of points, three at least")
    return float(step / 3 * (y[0] + y[-1] + 4 * y[1:-1:2].sum() + 2 * y[2:-1:2].sum()))


def mean_indicated_bar(c: Cylinders, angle_deg: Floats, pressure_bar: Floats) -> float:
    """p_mi = (1/V_s)·∮ p dV over one whole working cycle, in bar."""
    return closed_work(pressure_bar, volume_m3(c, angle_deg)) / swept_m3(c)


def mean_ordinate(area: float, length: float, scale: float) -> float:
    """Mean pressure of an indicator card: area over length, times the spring's scale."""
    return area / length * scale


def indicated_kw(c: Cylinders, mean_bar: float, rpm: float, ratio: int) -> float:
    """Indicated power of one cylinder: p_mi·V_s·n, one cycle in `ratio` crank turns."""
    return mean_bar * 1e5 * swept_m3(c) * rpm / 60 / ratio / 1000


@dataclass(frozen=True, slots=True)
class Indicated:
    """One cylinder's cycle. `shift_deg`: how far its dead centre seems to be off, late = +; 0 where it is not seen."""

    max_bar: float
    max_deg: float
    mean_bar: float
    shift_deg: float
    peak_odd: bool


def indicated(c: Cylinders, angle_deg: Floats, pressure_bar: Floats) -> Indicated:
    """Maximum pressure and its angle, mean indicated pressure, and whether dead centre is where the file has it."""
    top = int(np.argmax(pressure_bar))
    at = float(angle_deg[top])
    odd = not PEAK_DEG[0] <= at <= PEAK_DEG[1]
    shift = 0.0 if odd else dead_centre_shift_deg(c, angle_deg, pressure_bar)
    return Indicated(float(pressure_bar[top]), at, mean_indicated_bar(c, angle_deg, pressure_bar), shift, odd)


def dead_centre_shift_deg(c: Cylinders, angle_deg: Floats, pressure_bar: Floats) -> float:
    """How far the file's angles are ahead of the crank's, from the straightness of ln p over ln V in compression.

    With the right dead centre compression is a polytrope, a straight line. 0 where another dead centre would not make
    it clearly straighter, or too few points show it.
    """
    inside = (angle_deg >= COMPRESSION_DEG[0]) & (angle_deg <= COMPRESSION_DEG[1])
    angle, pressure = angle_deg[inside], pressure_bar[inside]
    if len(angle) < 10 or float(pressure.min()) <= 0.2:
        return 0.0
    shifts = np.arange(-SHIFT_DEG_MAX, SHIFT_DEG_MAX + SHIFT_STEP_DEG / 2, SHIFT_STEP_DEG)
    # The file may hold pressures over the atmosphere or absolute ones; whichever makes the straighter line is taken.
    lines = [np.log(pressure + more) for more in (0.0, ATMOSPHERE_BAR)]
    bent = np.array([min(_bent(np.log(volume_m3(c, angle - s)), y) for y in lines) for s in shifts])
    best, here = int(np.argmin(bent)), int(np.argmin(np.abs(shifts)))
    scatter = max(float(bent[best]), NOISE_LN)
    clear = len(angle) * (bent[here] ** 2 - bent[best] ** 2) > CLEAR * scatter**2
    found = float(shifts[best])
    return found if clear and abs(found) >= SHIFT_SHOWN_DEG else 0.0


def _bent(x: Floats, y: Floats) -> float:
    """Root mean square of what a straight line leaves over."""
    x, y = x - x.mean(), y - y.mean()
    spread = float(x @ x)
    if spread == 0.0:
        return float("inf")
    left = y - float(x @ y) / spread * x
    return float(np.sqrt(left @ left / len(left)))
