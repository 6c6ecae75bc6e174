"""Loop currents against NAMUR NE 43.

Source: NAMUR NE 43 as several makers' pages give it: 3.8–20.5 mA is the measuring range, ≤ 3.6 mA and ≥ 21.0 mA is a
failure; between them nothing is defined. 12 mA is 50 %, 3.8 mA −1.25 %, 20.5 mA 103.125 % of the span. The 2021
revision adds a margin for detection in the control system and moves none of these points. (One public page names other
bands, 3.6–4.0 mA as under-range; that is not the scheme of NE 43.)
"""

import pytest

from gateway.measure.loop import BAD_NM, NM_PER_MM, Zone, length_mm, length_table_nm, zone
from gateway.model.settings import Transducer

SPAN = Transducer(at_4ma_mm=0.0, at_20ma_mm=100.0)
"""100 mm of span: millimetres are per cent."""


@pytest.mark.parametrize(
    ("ma", "wanted"),
    [
        (0.0, Zone.FAILED), (3.599, Zone.FAILED), (3.6, Zone.FAILED), (3.601, Zone.DOUBTFUL), (3.799, Zone.DOUBTFUL),
        (3.8, Zone.MEASURES), (4.0, Zone.MEASURES), (12.0, Zone.MEASURES), (20.0, Zone.MEASURES), (20.5, Zone.MEASURES),
        (20.501, Zone.DOUBTFUL), (20.999, Zone.DOUBTFUL), (21.0, Zone.FAILED), (24.0, Zone.FAILED),
    ],
)  # fmt: skip
def test_zones(ma: float, wanted: Zone) -> None:
    """Both sides of each of the four thresholds."""
    assert zone(ma) is wanted


@pytest.mark.parametrize(("ma", "percent"), [(3.8, -1.25), (4.0, 0.0), (12.0, 50.0), (20.0, 100.0), (20.5, 103.125)])
def test_percentages_of_the_span(ma: float, percent: float) -> None:
    """The published percentages at the ends and the middle, by the sum and by the table that measuring uses."""
    assert length_mm(SPAN, ma) == pytest.approx(percent)
    assert length_table_nm(SPAN)[round(ma * 1000)] / NM_PER_MM == pytest.approx(percent)


@pytest.mark.parametrize("ua", [3_600, 3_700, 3_799, 20_501, 20_800, 21_000])
def test_what_does_not_measure_has_no_length(ua: int) -> None:
    """Failed and doubtful currents alike never become a length."""
    assert length_table_nm(SPAN)[ua] == BAD_NM
