"""Chain geometry, threads, warmth and play against published tables."""

import math

import pytest
from drive_engines import tern

from gateway.wear import geometry as g
from gateway.wear.plausibility import plausibility

# Pitch circle diameters in mm for 1 in pitch: tandwiel.info, "Pitch diameter of roller chain wheels" (ISO 606 factors).
ONE_INCH = {
    9: 74.26, 10: 82.20, 11: 90.16, 12: 98.14, 15: 122.17, 17: 138.23, 19: 154.32, 20: 162.37, 21: 170.42, 25: 202.66,
    30: 243.00, 38: 307.58, 45: 364.12, 57: 461.08, 60: 485.33, 76: 614.64, 95: 768.22, 100: 808.64, 114: 921.81,
    120: 970.32, 150: 1212.85,
}  # fmt: skip
# The same for 9.525 mm pitch: docslib.org document 7694706, table of sprocket diameters (rounded there to 0.01).
THREE_EIGHTHS = {17: 51.83, 19: 57.87, 21: 63.91, 25: 76.00, 30: 91.12, 38: 115.35, 45: 136.55, 57: 172.91, 76: 230.49}
# Unit factors 1/sin(180°/z), ISO 606 Annex A as printed in machinery handbooks; recomputed.
FACTORS = {9: 2.9238, 12: 3.8637, 19: 6.0755, 25: 7.9787, 45: 14.3356, 76: 24.1984, 120: 38.2016, 150: 47.7500}


@pytest.mark.parametrize(("teeth", "mm"), ONE_INCH.items())
def test_pitch_circles_of_one_inch_chains(teeth: int, mm: float) -> None:
    """D = p/sin(π/z) is the published diameter to the table's last digit."""
    assert g.pitch_circle_mm(25.4, teeth) == pytest.approx(mm, abs=0.0051)


@pytest.mark.parametrize(("teeth", "mm"), THREE_EIGHTHS.items())
def test_pitch_circles_of_three_eighths_chains(teeth: int, mm: float) -> None:
    """A second, independent table."""
    assert g.pitch_circle_mm(9.525, teeth) == pytest.approx(mm, abs=0.0155)


@pytest.mark.parametrize(("teeth", "factor"), FACTORS.items())
def test_unit_factors(teeth: int, factor: float) -> None:
    """The factor is the diameter at a pitch of one."""
    assert g.pitch_circle_mm(1.0, teeth) == pytest.approx(factor, abs=5.1e-5)


def test_the_selection_example_of_a_chains_length() -> None:
    """A published chain selection (20 and 63 teeth, 36 pitches apart): 114.8 links; with 114 links 35.6 pitches."""
    assert g.chain_length_links(36, 20, 63) == pytest.approx(114.8, abs=0.05)
    assert g.centre_distance_links(114, 20, 63) == pytest.approx(35.6, abs=0.05)


# ISO 606 B-series pitch = (number/16) in; 08B to 40B seen in a public table after BS 228 / DIN 8187 / ISO 606, 48B to
# 72B by the rule alone.
PITCHES = {
    "08B": 12.70, "10B": 15.875, "12B": 19.05, "16B": 25.40, "20B": 31.75, "24B": 38.10, "28B": 44.45, "32B": 50.80,
    "40B": 63.50, "48B": 76.20, "56B": 88.90, "64B": 101.60, "72B": 114.30,
}  # fmt: skip


@pytest.mark.parametrize(("size", "pitch"), PITCHES.items())
def test_no_pitch_of_iso_606_is_called_odd(size: str, pitch: float) -> None:
    """Every row's pitch passes the check of pitches, and one a millimetre off does not."""
    assert float(size[:2]) / 16 * 25.4 == pytest.approx(pitch)
    assert not any("ISO 606" in t for t in plausibility(tern(chain={"pitch_mm": pitch})))
    assert any("ISO 606" in t for t in plausibility(tern(chain={"pitch_mm": pitch + 0.9})))


def test_three_per_cent_over_twenty_four_inches() -> None:
    """A chain maker's worked figure: 24 pitches of 1 in measured as 24.72 in are 3.0 % longer."""
    from gateway.wear.elongation import from_links

    assert from_links(25.4, 24, 24.72 * 25.4).percent == pytest.approx(3.0, abs=1e-9)


# ISO 261 coarse pitches: M42 to M64 from the table of the bd_warehouse package 0.4.0, M42, M48, M56, M64 also from
# engineeringtoolbox.com "metric threads"; advance for one flat of a hexagon (60°) follows.
COARSE = {"M42": (4.5, 0.750), "M48": (5.0, 0.833), "M56": (5.5, 0.917), "M64": (6.0, 1.000)}


@pytest.mark.parametrize(("pitch", "flat"), COARSE.values(), ids=COARSE.keys())
def test_a_nuts_advance_per_flat(pitch: float, flat: float) -> None:
    """Nut turns = length to go over thread pitch: a sixth of a turn moves the published advance."""
    t = tern(tightener={"nut_pitch_mm": pitch}).tightener
    assert t.nut_pitch_mm * 60 / 360 == pytest.approx(flat, abs=5.1e-4)


def test_warmth_moves_frame_and_chain_apart_by_a_tenth_of_a_millimetre() -> None:
    """Callister, table B.6: 10 m at 40 K, steel 11.7 and grey iron 11.4 · 10⁻⁶/K part by 0.120 mm.

    So the allowance for warmth at the spring (0.2 mm) covers what even that gives there: 0.120/(2·sin 45°)·0.25 mm.
    """
    from gateway.wear.elongation import SPRING_THERMAL_SE_MM

    apart_mm = 10_000 * 40 * (11.7 - 11.4) * 1e-6
    assert apart_mm == pytest.approx(0.120)
    as_growth = apart_mm / (150 * 114.3) * 100
    assert g.spring_mm_from_elongation(tern(), as_growth) < SPRING_THERMAL_SE_MM


def test_the_pitch_polygon_is_near_the_circle_only_for_many_teeth() -> None:
    """Chordal rise 1 − cos(π/N) of the standard texts: 11 teeth 4.05 %, 17 1.70 %, 38 0.342 %, 60 0.137 %."""
    for teeth, rise in ((11, 0.0405), (17, 0.0170), (38, 0.00342), (60, 0.00137)):
        inner = g.pitch_radius_mm(1.0, teeth) * math.cos(math.pi / teeth)
        assert 1 - inner / g.pitch_radius_mm(1.0, teeth) == pytest.approx(rise, rel=5e-3)
