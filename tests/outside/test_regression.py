"""The least-squares core against certified results of the NIST Statistical Reference Datasets (StRD), public domain."""

import numpy as np
import pytest

from gateway.wear.ar1_sums import Ar1Sums
from gateway.wear.regression import gram, independent, solve

# NIST StRD, Norris: (x, y), 36 observations.
NORRIS = (
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
)


def fitted(x, y):
    """Coefficients, standard errors and residual standard deviation of rows x float[N, p], sums about the first row."""
    rows = np.column_stack((x, y))
    solution = solve(gram(rows)[None], [True] * x.shape[1])
    variance = solution.rss[0] / (len(rows) - solution.rank)
    return solution.coef[0], np.sqrt(np.diag(solution.inverse[0]) * variance), np.sqrt(variance)


def fitted_about_first(x, y):
    """The same with a level, the figures taken relative to the first row, as the drift fit takes them."""
    offset, height = x[0], y[0]
    coef, errors, sd = fitted(np.column_stack((np.ones(len(x)), x - offset)), y - height)
    return np.concatenate(([coef[0] + height - coef[1:] @ offset], coef[1:])), errors, sd


def test_norris():
    """Pins slope, level, slope's standard error and residual sd on NIST StRD Norris (certified, 15 digits)."""
    x, y = np.array(NORRIS).T
    coef, errors, sd = fitted_about_first(x[:, None], y)
    assert coef[0] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert coef[1] == pytest.approx(1.00211681802045, rel=1e-12)
    assert errors[1] == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_norris_through_the_ar1_sums():
    """Pins that the sums of the drift fit, asked for φ = 0, give the certified fit of NIST StRD Norris."""
    x, y = np.array(NORRIS).T
    sums, before = Ar1Sums(3), None
    for row in np.column_stack((np.ones(36), (x - x[0]) / 1000, y - y[0])):
        sums.add(before, row, 0)
        before = row
    solution = solve(sums.grams(np.zeros(1))[0], [True, True])
    assert solution.coef[0, 1] / 1000 == pytest.approx(1.00211681802045, rel=1e-10)
    assert np.sqrt(solution.rss[0] / 34) == pytest.approx(0.884796396144373, rel=1e-7)


def test_longley():
    """Pins the six nearly collinear columns of NIST StRD Longley (data: statsmodels) to nine digits or better."""
    import statsmodels.api as sm

    data = sm.datasets.longley.load_pandas()
    coef, errors, sd = fitted_about_first(data.exog.to_numpy(float), data.endog.to_numpy(float))
    certified = [-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683,
                 -1.03322686717359, -0.511041056535807e-01, 1829.15146461355]  # fmt: skip
    spreads = [84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
               0.226073200069370, 455.478499142212]  # fmt: skip
    assert coef == pytest.approx(certified, rel=1e-8)
    assert errors[1:] == pytest.approx(spreads, rel=1e-8)
    assert sd == pytest.approx(304.854073561965, rel=1e-8)


@pytest.mark.parametrize(
    ("x", "y", "slope", "error", "sd"),
    [
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347, 3.56753034006338),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432, 0.369274472937998),
    ],
)
def test_no_intercept(x, y, slope, error, sd):
    """Pins NIST StRD NoInt1 and NoInt2 (values from memory, recomputed): a line through the origin."""
    coef, errors, residual = fitted(np.array(x, float)[:, None], np.array(y, float))
    assert (coef[0], errors[0], residual) == pytest.approx((slope, error, sd), rel=1e-12)


@pytest.mark.parametrize("base", [1.0, 0.1])
def test_wampler(base):
    """Pins NIST StRD Wampler1 and Wampler2 (from memory): a polynomial of degree five, exact, to six digits.

    The sums square the conditioning of so high a polynomial, about 1e14 in all; the drift fit has no such columns.
    """
    x = np.arange(21.0)
    powers = x[:, None] ** np.arange(6)
    y = ((base * x)[:, None] ** np.arange(6)).sum(axis=1)
    assert independent(gram(powers), 1e-12) == [True] * 6
    coef, _, _ = fitted(powers, y)
    assert coef == pytest.approx(base ** np.arange(6.0), rel=1e-6)


def test_spread_of_numbers_far_from_zero():
    """Pins the spread on NIST StRD NumAcc4 (sd 0.1 certified), where Σx² − (Σx)²/n in one pass goes negative.

    The fit keeps its sums about a reference point; so does this.
    """
    x = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    naive = ((x * x).sum() - x.sum() ** 2 / len(x)) / (len(x) - 1)
    assert naive < 0 or abs(np.sqrt(naive) - 0.1) > 1e-3
    _, _, sd = fitted(np.ones((len(x), 1)), x - x[0])
    assert sd == pytest.approx(0.1, rel=1e-6)


def test_slope_bound():
    """Pins the slope's standard error on 100 even samples to Kay, vol. 1, ex. 3.7 (from memory)."""
    x = np.arange(100.0)
    inverse = solve(gram(np.column_stack((np.ones(100), x, x)))[None], [True, True]).inverse[0]
    assert np.sqrt(inverse[1, 1]) == pytest.approx(0.00346427, rel=1e-5)
