"""Noise in a regressor, and what averaging bursts does about it, against the published attenuation.

Source: W. A. Fuller, Measurement Error Models (Wiley 1987), section 1.1 (formula from memory): where the regressor is
measured with an error of variance σ_uu, the least-squares coefficient tends to β·σ_xx/(σ_xx + σ_uu), the reliability
ratio of Spearman (Am. J. Psychol. 15, 1904). The mean of m readings of the same has an error of variance σ_uu/m.
"""

import math

import numpy as np
import pytest

from gateway.wear.rows import REVOLUTIONS, Point, Rows

BETA = 0.7
ROWS = 1_400
TOLERANCE = 5 / math.sqrt(ROWS)


@pytest.mark.slow
@pytest.mark.parametrize("bursts", [1, 2, 6])
@pytest.mark.parametrize("error_variance", [0.0, 0.25, 1.0])
def test_attenuation_of_the_mean_of_bursts(bursts: int, error_variance: float) -> None:
    """Pins the warmth's coefficient to β·σ_xx/(σ_xx + σ_uu/m): the rows of the fit are means of m readings."""
    rng = np.random.default_rng(bursts)
    true = np.repeat(rng.standard_normal(ROWS), bursts)
    read = true + math.sqrt(error_variance) * rng.standard_normal(len(true))
    figures = BETA * true + 0.01 * rng.standard_normal(len(true))
    rows = Rows(3)
    for i, (x, y) in enumerate(zip(read.tolist(), figures.tolist(), strict=True)):
        hours = 6.0 * (i + 0.5) / bursts
        rows.add(Point(i + 1, 3_600.0 * hours, hours, np.array((1.0, x, y)), REVOLUTIONS * 2))
    table = rows.table()
    told = np.linalg.lstsq(table[:, :2], table[:, rows.figure], rcond=None)[0][1]
    assert told == pytest.approx(BETA / (1 + error_variance / bursts), abs=BETA * TOLERANCE)
