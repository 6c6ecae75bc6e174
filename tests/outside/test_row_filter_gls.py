"""The Kalman rows and their mixture against statsmodels' generalised least squares and scipy's distributions.

The covariance of each model is written down here as a matrix from its formula and handed to `statsmodels.GLS`, which
knows nothing of states and filters.
"""

import numpy as np
import pytest
import scipy

from gateway.wear.noise_grid import NoiseGrid, noise_grid
from gateway.wear.row_filter import RowFilter
from gateway.wear.slope_fit import fit_slope

SOME = (0, 7, 24, 40, 131, 200, 324)


def covariance(grid: NoiseGrid, model: int, hours: np.ndarray) -> np.ndarray:
    """OU + white + damped oscillation, as a matrix over the rows' hours."""
    apart = np.abs(np.subtract.outer(hours, hours))
    tau, w, period, q = (float(x[model]) for x in (grid.memory_h, grid.white, grid.period_h, grid.legs))
    legs = np.exp(-apart / (1.43 * period)) * np.cos(2 * np.pi * apart / period)
    return np.exp(-apart / tau) + w * np.eye(len(hours)) + q * legs


@pytest.fixture(scope="module")
def series():
    """Sixty rows with gaps of 6 to 90 h, three regressors and season columns; level steps by 0.3 at row 35."""
    rng = np.random.default_rng(42)
    hours = np.cumsum(rng.choice((6.0, 6.0, 6.0, 12.0, 90.0), 60))
    design = np.column_stack((np.ones(60), hours / 1000, rng.normal(0, 1, (60, 2))))
    season = np.column_stack((np.sin(hours / 1400), np.cos(hours / 1400)))
    level = np.where(np.arange(60) >= 35, 0.3, 0.0)
    figure = design @ (0.4, 0.1, 0.02, -0.01) + level + 0.02 * np.cumsum(rng.normal(0, 0.3, 60))
    return hours, np.column_stack((design, figure, season))


def filtered(hours, rows, split: int | None = None) -> RowFilter:
    """All rows through the filter."""
    out = RowFilter(noise_grid(), rows.shape[1])
    for i, row in enumerate(rows):
        if i == split:
            out.new_level()
        out.add(row, 0.0 if i in (0, split) else float(hours[i] - hours[i - 1]))
    return out


def test_same_as_gls(series):
    """Pins coefficients, their covariance and the residual variance of seven models, with gaps, to nine digits."""
    import statsmodels.api as sm

    hours, rows = series
    fit = fit_slope(filtered(hours, rows), [True] * 4)
    for model in SOME:
        gls = sm.GLS(rows[:, 4], rows[:, :4], sigma=covariance(noise_grid(), model, hours)).fit()
        assert fit.coef[model] == pytest.approx(gls.params, rel=1e-9)
        assert fit.cov[model] == pytest.approx(gls.cov_params(), rel=1e-7, abs=1e-14)
        assert fit.scale[model] == pytest.approx(gls.scale, rel=1e-9)


def test_level_split_is_a_dummy_with_a_restart(series):
    """Pins a split against GLS with a level of its own per part and a covariance of two blocks."""
    import statsmodels.api as sm

    hours, rows = series
    fit = fit_slope(filtered(hours, rows, split=35), [True] * 4)
    old = (np.arange(60) < 35).astype(float)
    for model in SOME:
        cov = covariance(noise_grid(), model, hours)
        cov[:35, 35:] = cov[35:, :35] = 0.0
        design = np.column_stack((1 - old, rows[:, 1:4], old))
        gls = sm.GLS(rows[:, 4], design, sigma=cov).fit()
        assert fit.coef[model] == pytest.approx(gls.params[:4], rel=1e-8)
        assert fit.cov[model] == pytest.approx(gls.cov_params()[:4, :4], rel=1e-6, abs=1e-14)
    assert fit.dof == 60 - 5


def test_weights_are_restricted_likelihoods(series):
    """Pins the models' weights against the determinants of the textbook's restricted likelihood (Harville 1974)."""
    hours, rows = series
    fit, grid = fit_slope(filtered(hours, rows), [True] * 4), noise_grid()
    x, y = rows[:, :4], rows[:, 4]
    logs = []
    for model in SOME:
        inverse = np.linalg.inv(covariance(grid, model, hours))
        normal = x.T @ inverse @ x
        off = y - x @ np.linalg.solve(normal, x.T @ inverse @ y)
        logdet = np.linalg.slogdet(normal)[1] - np.linalg.slogdet(inverse)[1]
        logs.append(np.log(grid.prior[model]) - 0.5 * (logdet + 56 * np.log(off @ inverse @ off)))
    ratios = np.log(fit.weight[list(SOME)]) - np.log(fit.weight[SOME[0]])
    assert ratios == pytest.approx(np.array(logs) - logs[0], abs=1e-6)


def test_season_floor_is_what_a_season_does(series):
    """Pins the floor against simulation: a season of fixed amplitude and random phase, added to the figure, moves
    the coefficients with just that covariance (one per cent of 20,000 phases)."""
    hours, rows = series
    amplitude, model = 0.015, 131
    with_floor = fit_slope(filtered(hours, rows), [True] * 4, (5, 6), amplitude)
    without = fit_slope(filtered(hours, rows), [True] * 4)
    inverse = np.linalg.inv(covariance(noise_grid(), model, hours))
    x = rows[:, :4]
    hat = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    phase = np.random.default_rng(1).uniform(0, 2 * np.pi, 20_000)
    moved = hat @ (amplitude * (rows[:, 5:6] * np.cos(phase) + rows[:, 6:7] * np.sin(phase)))
    assert (with_floor.cov - without.cov)[model] == pytest.approx(np.cov(moved), rel=0.05, abs=2e-7)


def test_quantiles_of_the_mixture(series):
    """Pins the mixture's quantiles against root-finding on scipy's t to a hundredth of the range."""
    hours, rows = series
    fit = fit_slope(filtered(hours, rows), [True] * 4)
    scales = np.sqrt(fit.cov[:, 1, 1])
    low, middle, high = fit.quantiles(np.eye(4)[1])
    for share, found in ((0.05, low), (0.5, middle), (0.95, high)):
        exact = scipy.optimize.brentq(
            lambda v, p=share: fit.weight @ scipy.stats.t(fit.dof).cdf((v - fit.coef[:, 1]) / scales) - p, -5, 5
        )
        assert found == pytest.approx(exact, abs=0.01 * (high - low))


def test_transition_is_the_covariance_over_a_gap():
    """Pins prior, count and the state's law: moved over any gap, the stationary covariance stays as it is."""
    grid = noise_grid()
    assert len(grid.prior) == 325
    assert grid.prior.sum() == pytest.approx(1.0)
    assert grid.prior[grid.legs == 0].sum() == pytest.approx(0.08)
    still = grid.stationary()
    for gap in (0.0, 6.0, 90.0, 5000.0):
        move, added = grid.transition(gap)
        assert move @ still @ move.transpose(0, 2, 1) + added == pytest.approx(still, abs=1e-12)
    with pytest.raises(ValueError, match="below zero"):
        grid.transition(-1.0)
