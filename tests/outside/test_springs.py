"""The spring's rate and force against published worked examples (k = G·d⁴/(8·D³·n), EN 13906-1)."""

import math

import pytest
from drive_engines import tern

from gateway.model.settings import slack_tension_n, spring_force_n

INCH_MM = 25.4
LBF_PER_IN = 4.4482216152605 / INCH_MM
PSI = 6.894757293168e-3


def rate(d: float, coil: float, n: float, g: float) -> float:
    """The program's rate in N/mm of a wire given in mm and N/mm²."""
    wire = {"diameter_mm": d, "coil_diameter_mm": coil, "active_coils": n, "shear_modulus_n_per_mm2": g}
    return tern(tightener={"rate_n_per_mm": None, "wire": wire}).tightener.rate


@pytest.mark.parametrize(
    ("d", "coil", "n", "g_psi", "lbf_per_in"),
    [
        # Shigley's Mechanical Engineering Design, 10th ed., Example 10-1: k = 4.13 lbf/in.
        pytest.param(0.037, 0.400, 10.5, 11.85e6, 4.13, id="shigley-10-1"),
        # Shigley, 10th ed., Example 10-6: k = 17.91 lbf/in with 12.17 + 11.6/28.7 active coils.
        pytest.param(0.035, 0.213, 12.17 + 11.6 / 28.7, 11.6e6, 17.91, id="shigley-10-6"),
        # Comprehensive Spring Design handbook, section 7.13.1: 89 lb/in (89.488 unrounded).
        pytest.param(0.250, 1.69, 13.0, 11.5e6, 89.488, id="spring-design-7.13.1"),
    ],
)
def test_rates_of_textbook_springs(d: float, coil: float, n: float, g_psi: float, lbf_per_in: float) -> None:
    """The published rate, to its printed digits."""
    got = rate(d * INCH_MM, coil * INCH_MM, n, g_psi * PSI) / LBF_PER_IN
    assert got == pytest.approx(lbf_per_in, rel=4e-4)


def test_the_metric_identity() -> None:
    """2 mm wire, 20 mm coil, 10 coils, 80,000 N/mm²: exactly 2 N/mm (arithmetic of the formula)."""
    assert rate(2, 20, 10, 80_000) == pytest.approx(2.0, rel=1e-12)


def test_force_at_a_length_of_the_textbook_spring() -> None:
    """Spring Design 7.13.1: compressed by 4 in at 89 lb/in it presses with 356 lb."""
    t = tern(tightener={"rate_n_per_mm": 89 * LBF_PER_IN}).tightener
    assert spring_force_n(t, 4 * INCH_MM) / 4.4482216152605 == pytest.approx(356, rel=1e-9)


def test_a_wheel_wrapped_by_half_carries_twice_the_tension() -> None:
    """Statics: at 180° of wrap and lever 1 the wheel's force is twice the strand's tension; at 60° it equals it."""
    half = tern(tightener={"wrap_deg": 180.0, "lever_ratio": 1.0}).tightener
    sixty = tern(tightener={"wrap_deg": 60.0, "lever_ratio": 1.0}).tightener
    assert slack_tension_n(half, 10) == pytest.approx(spring_force_n(half, 10) / 2)
    assert slack_tension_n(sixty, 10) == pytest.approx(spring_force_n(sixty, 10))
    assert slack_tension_n(half, 10) < slack_tension_n(tern(tightener={"lever_ratio": 1.0}).tightener, 10)
    assert math.isfinite(slack_tension_n(sixty, 0.0))
