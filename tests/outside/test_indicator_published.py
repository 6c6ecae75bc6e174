"""Mean indicated pressure against closed forms, textbook cycles and an indicator card; scipy as a second reckoning."""

import numpy as np
import pytest
import scipy
from numpy.typing import NDArray

from gateway.model.settings import Cylinders
from gateway.worksheet import indicator

Floats = NDArray[np.float64]
PSI_BAR = 0.0689475729
K = 1.4


def cylinder(ratio: float, rod_ratio: float = 0.4) -> Cylinders:
    """An engine of this compression ratio; bore and stroke do not matter to a mean pressure."""
    return Cylinders(number=1, bore_mm=600, stroke_mm=2_400, rod_ratio=rod_ratio, compression_ratio=ratio)


def diesel(c: Cylinders, cut_off: float, step_deg: float, p1: float = 1.0) -> tuple[Floats, Floats]:
    """The ideal Diesel cycle over one turn: polytrope up, heat at constant pressure to `cut_off`, polytrope down."""
    angle = np.arange(-180.0, 180.0, step_deg)
    v = indicator.volume_m3(c, angle)
    v1, v2 = indicator.volume_m3(c, np.array([180.0, 0.0]))
    v3 = cut_off * v2
    up = p1 * (v1 / v) ** K
    p2 = p1 * (v1 / v2) ** K
    down = np.where(v <= v3, p2, p2 * (v3 / v) ** K)
    return angle, np.where(angle < 0, up, down)


def otto(c: Cylinders, rise: float, step_deg: float) -> tuple[Floats, Floats]:
    """The ideal Otto cycle: at dead centre the pressure rises `rise`-fold."""
    angle = np.arange(-180.0, 180.0, step_deg)
    v = indicator.volume_m3(c, angle)
    up = (indicator.volume_m3(c, np.array([180.0]))[0] / v) ** K
    return angle, np.where(angle < 0, up, rise * up)


def diesel_closed(r: float, cut_off: float) -> float:
    """MEP/p1 of the ideal Diesel cycle (Rajput, Thermal Engineering, eq. 13.9)."""
    return (K * r**K * (cut_off - 1) - r * (cut_off**K - 1)) / ((K - 1) * (r - 1))


def otto_closed(r: float, rise: float) -> float:
    """MEP/p1 of the ideal Otto cycle (Rajput, the same chapter)."""
    return r * (rise - 1) * (r ** (K - 1) - 1) / ((K - 1) * (r - 1))


def test_the_closed_form_is_the_textbooks_example() -> None:
    """Çengel & Boles, Thermodynamics, Example 9-3 (from memory, recomputed): r = 18, cut-off 2, 14.7 psia: 110 psia."""
    assert diesel_closed(18, 2) == pytest.approx(7.437506, abs=1e-6)
    assert 14.7 * diesel_closed(18, 2) == pytest.approx(110, abs=1.0)


@pytest.mark.parametrize(
    ("step_deg", "psia", "rel"), [(0.25, 109.3313, 1e-5), (0.5, 109.3271, 1e-5), (1.0, 109.3231, 1e-5)]
)
def test_the_textbooks_diesel_cycle(step_deg: float, psia: float, rel: float) -> None:
    """The same cycle through volume and ∮ p dV, in psia; exact is 109.3313 and each step's own error is known."""
    c = cylinder(18)
    got = indicator.mean_indicated_bar(c, *diesel(c, 2.0, step_deg, 14.7 * PSI_BAR)) / PSI_BAR
    assert got == pytest.approx(psia, rel=rel)
    assert got == pytest.approx(14.7 * diesel_closed(18, 2), rel=1e-4)


@pytest.mark.parametrize("r", [12.0, 15.0, 18.0])
@pytest.mark.parametrize("cut_off", [1.4, 1.84, 2.5])
def test_diesel_cycles_against_the_closed_form(r: float, cut_off: float) -> None:
    """Half a degree is within 1e-4 of the closed form, for other ratios (1.84 at 15 is Rajput's Example 13.17)."""
    c = cylinder(r)
    assert indicator.mean_indicated_bar(c, *diesel(c, cut_off, 0.25)) == pytest.approx(
        diesel_closed(r, cut_off), rel=1e-4
    )


@pytest.mark.parametrize(("r", "rise"), [(8.0, 3.0), (10.0, 2.5)])
def test_otto_cycles_against_the_closed_form(r: float, rise: float) -> None:
    """A jump of pressure at dead centre does no work: the loop in p and V knows that, one in angle would not."""
    c = cylinder(r)
    assert indicator.mean_indicated_bar(c, *otto(c, rise, 0.25)) == pytest.approx(otto_closed(r, rise), rel=2e-4)


def test_the_rod_does_not_change_an_ideal_cycles_work() -> None:
    """∮ p dV knows volumes alone: a longer rod moves the angles and leaves the mean pressure."""
    short, long = cylinder(18, 0.45), cylinder(18, 0.01)
    found = [indicator.mean_indicated_bar(c, *diesel(c, 2.0, 0.25)) for c in (short, long)]
    assert found[0] == pytest.approx(found[1], rel=2e-4)


def test_the_indicator_card() -> None:
    """A card of 2.6 in² and 3.6 in with a 60 lb spring: 43.3 psi (bitlit.ru, "Steam engines" p. 32, old ICS text)."""
    assert indicator.mean_ordinate(2.6, 3.6, 60) == pytest.approx(43.3, abs=0.05)


def test_simpson_is_exact_for_cubics() -> None:
    """∫x³ on 0…1 is ¼ for two intervals already (textbook); by trapezoids it is off by −(b−a)h²f''/12."""
    x = np.linspace(0, 1, 3)
    assert indicator.simpson(x**3, 0.5) == pytest.approx(0.25, abs=1e-15)
    assert float(np.trapezoid(x**3, x)) == pytest.approx(0.25 + 0.5**2 * 6 * 0.5 / 12)


def test_against_scipy() -> None:
    """scipy.integrate's Simpson and trapezoids over the same smooth cycle agree with ours."""
    c = cylinder(16)
    angle = np.arange(-180.0, 180.5, 0.5)
    v = indicator.volume_m3(c, angle)
    p = 3.0 * (v.max() / v) ** 1.35 * (1 + 0.8 * np.exp(-(((angle - 12) / 25) ** 2)))
    loop = indicator.closed_work(p[:-1], v[:-1])
    assert loop == pytest.approx(float(scipy.integrate.trapezoid(p, v)), rel=1e-9)
    y = p * np.gradient(v, angle)
    assert indicator.simpson(y, 0.5) == pytest.approx(float(scipy.integrate.simpson(y, dx=0.5)), rel=1e-12)
    assert loop == pytest.approx(float(scipy.integrate.simpson(y, dx=0.5)), rel=1e-3)


def test_swept_volume_and_power() -> None:
    """Power by its definition (p_mi·V_s·n): 20 bar, 0.6 m bore, 2.4 m stroke, 90 rpm, two-stroke: 2,036 kW."""
    c = cylinder(16)
    swept = np.pi / 4 * 0.36 * 2.4
    assert indicator.swept_m3(c) == pytest.approx(swept)
    assert indicator.indicated_kw(c, 20.0, 90.0, 1) == pytest.approx(20e5 * swept * 1.5 / 1000)
    assert indicator.indicated_kw(c, 20.0, 90.0, 2) == pytest.approx(20e5 * swept * 0.75 / 1000)
