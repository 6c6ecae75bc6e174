"""The transducer's loop: zones, line, calibration table, and the table of lengths made from them."""

from dataclasses import replace

import numpy as np
import pytest
from drive_engines import tern

from gateway.measure.loop import BAD_NM, Zone, calibration_residuals_mm, length_mm, length_table_nm, zone
from gateway.model.settings import Transducer

LINE = Transducer(at_4ma_mm=150.0, at_20ma_mm=230.0)
POINTS = [(4.0, 150.2), (8.0, 169.7), (12.0, 190.3), (16.0, 210.1), (20.0, 229.6)]
TABLE = replace(LINE, table=POINTS)


def test_line_at_its_points() -> None:
    """4, 12 and 20 mA give the two settings and their middle; the line goes on as far as NE 43 lets it."""
    assert [length_mm(LINE, ma) for ma in (4.0, 12.0, 20.0)] == [150.0, 190.0, 230.0]
    assert length_mm(LINE, 3.8) == pytest.approx(149.0)
    assert length_mm(LINE, 20.5) == pytest.approx(232.5)


def test_a_line_may_fall() -> None:
    """A transducer mounted the other way round measures as well."""
    falling = Transducer(at_4ma_mm=230.0, at_20ma_mm=150.0)
    assert [length_mm(falling, ma) for ma in (4.0, 12.0, 20.0)] == [230.0, 190.0, 150.0]


def test_table_agrees_with_scipy() -> None:
    """Piecewise linear through the points and, beyond them, along the outermost pieces, as scipy's interpolation."""
    from scipy.interpolate import interp1d

    scipys = interp1d(*zip(*POINTS, strict=True), fill_value="extrapolate")
    for ma in np.linspace(3.8, 20.5, 335):
        assert length_mm(TABLE, float(ma)) == pytest.approx(float(scipys(ma)), abs=1e-9)


def test_residuals_are_what_the_line_misses() -> None:
    """Point less line, one for each point; none without a table."""
    assert calibration_residuals_mm(TABLE) == pytest.approx([0.2, -0.3, 0.3, 0.1, -0.4])
    assert calibration_residuals_mm(LINE) == []


def test_every_code_has_a_length_exactly_where_the_loop_measures() -> None:
    """All 65,536 codes: a length from 3,800 to 20,500 µA, the mark everywhere else, and zone says the same."""
    table = length_table_nm(LINE)
    codes = np.arange(65_536)
    measures = (codes >= 3_800) & (codes <= 20_500)
    np.testing.assert_array_equal(table != BAD_NM, measures)
    np.testing.assert_allclose(table[measures] / 1e6, 150.0 + (codes[measures] / 1000 - 4.0) * 5.0, atol=1e-6)
    for ua in (0, 3_599, 3_600, 3_601, 3_799, 3_800, 20_500, 20_501, 20_999, 21_000, 65_535):
        assert (zone(ua / 1000) is Zone.MEASURES) == (table[ua] != BAD_NM)


def test_the_shipped_vessel_measures_its_target_mid_range() -> None:
    """The invented vessel's target length (203.2 − 23.0 mm) lies inside its transducer's 4–20 mA."""
    engine = tern()
    ma = 4.0 + (engine.tightener.target_length_mm - 150.0) / 5.0
    assert length_mm(engine.transducer, ma) == pytest.approx(180.2)
    assert 4.0 < ma < 20.0
