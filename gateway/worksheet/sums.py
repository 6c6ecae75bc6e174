"""The sums of handbook 13 to 16 as the sheets use them. Lengths in mm, angles in degrees, a nut's turns in turns."""

import math
from dataclasses import dataclass

GAUGE_SE_MM = 0.15
"""How well a pin gauge is read with feelers (from memory); taken as a standard uncertainty."""

TURNED_SE_DEG = 0.01
"""A whole turn on the turning gear, both encoders of 14,400 counts, measured on the simulated head."""

SINGLE_SE_DEG = 0.3
"""One look at encoders whose mounting is off centre by a few tenths of a degree (from memory)."""


def target_length_mm(free_mm: float, required_compression_mm: float) -> float:
    """Measured free length less required compression."""
    return free_mm - required_compression_mm


def nut_turns(to_go_mm: float, pitch_mm: float) -> float:
    """Turns of the nut for a length to go: length over thread pitch. Negative = ease off."""
    return to_go_mm / pitch_mm


def turns_in_words(turns: float) -> str:
    """Whole turns and degrees, as one turns a spanner."""
    degrees = round(abs(turns) * 360)
    whole, rest = divmod(degrees, 360)
    parts = [f"{whole} turn{'s' if whole != 1 else ''}"] if whole else []
    parts += [f"{rest}°"] if rest or not whole else []
    return " and ".join(parts)


def gauge_deg(radius_mm: float, arc_mm: float, ratio: int) -> float:
    """Crank degrees behind a reading of the pin gauge at the camshaft; late = +."""
    return math.degrees(arc_mm / radius_mm) * ratio


def gauge_mm(radius_mm: float, crank_deg: float, ratio: int) -> float:
    """What the pin gauge should read for a lag in crank degrees: r·θ·π/180, θ in degrees of the camshaft."""
    return radius_mm * math.radians(crank_deg / ratio)


@dataclass(frozen=True, slots=True)
class Apart:
    """Two readings of one angle: how far apart, in joint standard uncertainties, and whether that is too far."""

    deg: float
    sigmas: float

    @property
    def differ(self) -> bool:
        """Beyond what the two readings' own uncertainty explains (95 %)."""
        return abs(self.sigmas) > 2.0


def apart(encoder_deg: float, encoder_se_deg: float, gauge: float, gauge_se_deg: float) -> Apart:
    """The encoders' lag less the gauge's."""
    off = encoder_deg - gauge
    return Apart(off, off / math.hypot(encoder_se_deg, gauge_se_deg))


def pump_steps(lag_deg: float, in_force_deg: float, step_deg: float) -> tuple[float, float]:
    """The pumps' whole advance for a lag, in steps that a pump can be set by, and what is to be added to it."""
    want = round(max(lag_deg, 0.0) / step_deg) * step_deg
    return want, want - in_force_deg
