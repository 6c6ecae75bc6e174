"""The forecast's core against published worked examples: intervals of a line, inverse prediction, Student's t."""

import math

import numpy as np
import pytest

from gateway.wear.forecast import Line, hours_to
from gateway.wear.regression import gram, solve
from gateway.wear.student import quantile


def line_through(x, y):
    """Ordinary least squares as a trend line with its level at x = 0, and its residual standard deviation."""
    rows = np.column_stack((np.ones(len(x)), x, y))
    s = solve(gram(rows)[None], [True, True])
    dof = len(rows) - 2
    cov = s.inverse[0] * s.rss[0] / dof
    line = Line(0.0, s.coef[0, 0], s.coef[0, 1], cov[0, 0], cov[0, 1], cov[1, 1], dof)
    return line, math.sqrt(s.rss[0] / dof)


# Miller & Miller, Statistics and Chemometrics for Analytical Chemistry: fluorescence of a series of standards.
MILLER = line_through([0, 2, 4, 6, 8, 10, 12], [2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7])


def test_miller_line():
    """Pins slope, level and their standard errors of Miller & Miller's calibration line as printed."""
    line, sd = MILLER
    assert (line.b, line.a) == pytest.approx((1.9304, 1.5179), abs=5e-5)
    # The book's residual sd is 0.4329; unrounded it is 0.43285.
    assert (math.sqrt(line.var_b), math.sqrt(line.var_a), sd) == pytest.approx((0.0409, 0.2949, 0.4329), abs=6e-5)


@pytest.mark.parametrize(
    ("y", "early", "middle", "late"),
    [
        (2.9, 0.018992, 0.716, 1.381573),
        (13.5, 5.590608, 6.2072, 6.825056),
        (23.0, 10.466106, 11.1286, 11.821581),
    ],
)
def test_fieller(y, early, middle, late):
    """Pins the exact Fieller interval of x at a reading y on Miller & Miller's line (ends recomputed, two ways).

    The reading's own scatter is that of the line; the time to a limit is the same sum with a limit known exactly.
    """
    line, sd = MILLER
    found = hours_to(line, y, 0.0, limit_sd=sd, share=0.975)
    assert (found.p05, found.p95) == pytest.approx((early, late), abs=2e-6)
    assert found.p50 == pytest.approx(middle, abs=5e-4)


def test_fieller_of_a_falling_line():
    """Pins that the mirror image of Miller & Miller's line reaches the mirrored limit in the same interval."""
    line, sd = MILLER
    found = hours_to(line.scaled(-1), -13.5, 0.0, rising=False, limit_sd=sd, share=0.975)
    assert (found.p05, found.p95) == pytest.approx((5.590608, 6.825056), abs=2e-6)


def test_montgomery_runger():
    """Pins the slope's, the mean's and the prediction's interval of Montgomery & Runger's oxygen purity example.

    The ends are from memory, recomputed.
    """
    x = [
        0.99,
        1.02,
        1.15,
        1.29,
        1.46,
        1.36,
        0.87,
        1.23,
        1.55,
        1.40,
        1.19,
        1.15,
        0.98,
        1.01,
        1.11,
        1.20,
        1.26,
        1.32,
        1.43,
        0.95,
    ]
    y = [90.01, 89.05, 91.43, 93.74, 96.73, 94.45, 87.59, 91.77, 99.42, 93.65,
         93.54, 92.52, 90.56, 89.54, 89.85, 90.39, 93.25, 93.41, 94.98, 87.33]  # fmt: skip
    line, sd = line_through(x, y)
    t = quantile(0.975, line.dof)
    assert (line.b, line.a, sd**2) == pytest.approx((14.94748, 74.28331, 1.18055), abs=1e-5)
    reach = t * math.sqrt(line.var_b)
    assert (line.b - reach, line.b + reach) == pytest.approx((12.181, 17.713), abs=1e-3)
    value, error = line.at(1.0)
    assert (value - t * error, value + t * error) == pytest.approx((88.4861, 89.9755), abs=1e-4)
    wide = t * math.hypot(error, sd)
    assert (value - wide, value + wide) == pytest.approx((86.8297, 91.6319), abs=1e-4)


@pytest.mark.parametrize(
    ("dof", "t95", "t975", "t995"),
    [
        (1, 6.314, 12.706, 63.657), (2, 2.920, 4.303, 9.925), (3, 2.353, 3.182, 5.841), (5, 2.015, 2.571, 4.032),
        (8, 1.860, 2.306, 3.355), (10, 1.812, 2.228, 3.169), (18, 1.734, 2.101, 2.878), (30, 1.697, 2.042, 2.750),
        (60, 1.671, 2.000, 2.660), (120, 1.658, 1.980, 2.617),
    ],
)  # fmt: skip
def test_table_of_t(dof, t95, t975, t995):
    """Pins Student's t to the printed table, NIST/SEMATECH e-Handbook 1.3.6.7.2."""
    assert [quantile(p, dof) for p in (0.95, 0.975, 0.995)] == pytest.approx([t95, t975, t995], abs=6e-4)
