"""The drift fit against an independent implementation, and its rules: odd medians, gaps, constants, too little data."""

import json
import math
from functools import cache

import numpy as np
import pytest

from gateway.model.records import Median
from gateway.wear.ar1_sums import GAPS, Ar1Sums, gap_place
from gateway.wear.drift import DriftFit, OperatingPoint
from gateway.wear.forecast import line_of
from gateway.wear.phi_fit import _likelihood, fit_over_phi
from gateway.wear.regression import independent, solve, without_first


def noise(rng, n, phi, sigma=0.03):
    out = np.empty(n)
    out[0] = sigma * rng.standard_normal()
    for i in range(1, n):
        out[i] = phi * out[i - 1] + sigma * math.sqrt(1 - phi * phi) * rng.standard_normal()
    return out


def series(seed, n=1200, phi=0.8, slope=8e-5, gaps=True):
    """Slots, regressors and lag of a made-up series; slot 0 is hour 5,000."""
    rng = np.random.default_rng(seed)
    steps = rng.choice(GAPS, n, p=[0.9] + [0.1 / (len(GAPS) - 1)] * (len(GAPS) - 1)) if gaps else np.ones(n, int)
    slot = np.cumsum(steps) - steps[0]
    rpm = 88 + 6 * np.sin(slot / 90) + rng.standard_normal(n)
    casing = 45 + 5 * np.cos(slot / 200) + rng.standard_normal(n)
    load = 0.6 + 0.02 * (rpm - 88) + 0.03 * rng.standard_normal(n)
    drift = 0.4 + slope * slot / 6 + 0.004 * (rpm - 88) + 0.008 * (casing - 45) + 0.15 * (load - 0.6)
    return slot, rpm, casing, load, drift + noise(rng, slot[-1] + 1, phi)[slot]


def medians(slot, rpm, casing, load, lag):
    columns = [np.asarray(c, float).tolist() for c in (slot, rpm, casing, load, lag)]
    return [
        Median(1.7e9 + 600 * s, 5_000 + s / 6, 850, y, 0.01, None, None, r, t, None, w)
        for s, r, t, w, y in zip(*columns, strict=True)
    ]


def fed(rows, **settings):
    fit = DriftFit(**settings)
    innovations = [i for m in rows for i in fit.add(m)]
    return fit, innovations


@cache
def drift_of(seed, **given):
    """The drift of a series that several tests look at."""
    return fed(medians(*series(seed, **given)))[0].drift()


def dense(phi, slot):
    return phi ** np.abs(slot[:, None] - slot[None]).astype(float)


def sums_of(slot, columns, y):
    sums, before, at = Ar1Sums(columns.shape[1] + 1), None, None
    for s, row in zip(slot, np.column_stack((columns, y)), strict=True):
        sums.add(before, row, len(GAPS) if before is None else gap_place(s - at))
        before, at = row, s
    return sums


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("phi", [0.0, 0.4, 0.9, 0.99])
def test_known_phi_against_statsmodels(seed, phi):
    """Pins coefficients and standard errors at a given φ, gaps and all, to statsmodels' GLS (OLS at φ = 0)."""
    import statsmodels.api as sm

    slot, rpm, casing, load, lag = series(seed, n=300, phi=phi)
    columns = np.column_stack((np.ones(300), slot / 6_000, (rpm - 88) / 10, (casing - 45) / 10, (load - 0.6) * 10))
    ours = solve(sums_of(slot, columns, lag).grams(np.array([phi]))[0], [True] * 5)
    theirs = sm.GLS(lag, columns, sigma=dense(phi, slot)).fit() if phi else sm.OLS(lag, columns).fit()
    assert ours.coef[0] == pytest.approx(theirs.params, rel=1e-8, abs=1e-10)
    errors = np.sqrt(np.diag(ours.inverse[0]) * ours.rss[0] / 295)
    assert errors == pytest.approx(theirs.bse, rel=1e-8)


def test_new_level_equals_a_dummy_column():
    """Pins that a level taken out of the sums gives the slope that statsmodels finds with a dummy for each level."""
    import statsmodels.api as sm

    slot, rpm, casing, load, lag = series(5, n=300, phi=0.8)
    lag[180:] += 0.4
    columns = np.column_stack((np.ones(300), slot / 6_000, (rpm - 88) / 10, (casing - 45) / 10, (load - 0.6) * 10))
    old, new = (sums_of(slot[part], columns[part], lag[part]) for part in (slice(None, 180), slice(180, None)))
    at = np.array([0.8])
    ours = solve(without_first(old.grams(at)[0])[0] + new.grams(at)[0], [True] * 5)
    later = (np.arange(300) >= 180).astype(float)
    sigma = dense(0.8, slot) * (later[:, None] == later[None])
    theirs = sm.GLS(lag, np.column_stack((later, columns[:, 1:], 1 - later)), sigma=sigma).fit()
    assert ours.coef[0] == pytest.approx(theirs.params[:5], rel=1e-8)
    assert np.sqrt(np.diag(ours.inverse[0]) * ours.rss[0] / 294) == pytest.approx(theirs.bse[:5], rel=1e-8)


@pytest.mark.slow
def test_averaging_over_phi_against_dense_quadrature():
    """Pins slope, variance and mean φ to the restricted likelihood worked out with dense matrices on a fine grid."""
    slot, rpm, casing, load, lag = series(6, n=160, phi=0.85)
    columns = np.column_stack((np.ones(160), slot / 6_000, (rpm - 88) / 10, (casing - 45) / 10, (load - 0.6) * 10))
    blank = np.zeros((160, 2))
    fit = fit_over_phi([sums_of(slot, np.hstack((columns, blank)), lag)])
    ours = fit.solution.coef[:, 1]
    mean = fit.weight @ ours
    spread = fit.weight @ (fit.solution.inverse[:, 1, 1] * fit.solution.rss / fit.spare + (ours - mean) ** 2)
    phis = np.linspace(0, 0.999, 1500)
    logs, slopes, variances = [], [], []
    for phi in phis:
        root = np.linalg.cholesky(dense(phi, slot))
        x, y = np.linalg.solve(root, columns), np.linalg.solve(root, lag)
        normal = x.T @ x
        beta = np.linalg.solve(normal, x.T @ y)
        rss = ((y - x @ beta) ** 2).sum()
        logs.append(-0.5 * (155 * np.log(rss) + np.linalg.slogdet(normal)[1]) - np.log(np.diag(root)).sum())
        slopes.append(beta[1])
        variances.append(np.linalg.inv(normal)[1, 1] * rss / 155)
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    slope = weight @ slopes
    assert fit.weight @ fit.phis == pytest.approx(weight @ phis, abs=1e-3)
    assert mean == pytest.approx(slope, rel=1e-3)
    assert spread == pytest.approx(weight @ (variances + (slopes - slope) ** 2), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("phi", [0.5, 0.8, 0.93])
def test_whole_fit_against_glsar(phi):
    """Pins slope and coefficients to statsmodels' iterated GLSAR on a series without gaps, within their errors.

    GLSAR knows that the noise is an AR(1) of single medians; the fit by rows must agree, and cannot be narrower.
    """
    import statsmodels.api as sm

    slot, rpm, casing, load, lag = series(7, n=4000, phi=phi, gaps=False)
    fit, _ = fed(medians(slot, rpm, casing, load, lag))
    drift = fit.drift()
    theirs = sm.GLSAR(lag, np.column_stack((np.ones(4000), slot / 6, rpm, casing, load)), rho=1)
    result = theirs.iterative_fit(20)
    assert drift.b == pytest.approx(result.params[1], abs=2 * math.sqrt(drift.cov[1][1]))
    assert math.sqrt(drift.cov[1][1]) > 0.9 * result.bse[1]
    found = {name: (value, error) for name, value, error in drift.coefficients}
    for name, i in (("rpm", 2), ("warmth", 3), ("load", 4)):
        assert found[name] == pytest.approx((result.params[i], found[name][1]), abs=3 * found[name][1])


@pytest.mark.slow
def test_level_is_given_at_the_operating_point():
    """Pins `a` to the fitted line at the newest hour and the mean state, and to a set state where one is set."""
    rows = medians(*series(8))
    free, _ = fed(rows)
    told = free.drift()
    assert told.operating_point.rpm == pytest.approx(np.mean([m.rpm for m in rows]), abs=0.5)
    moved = fed(rows, operating_point=OperatingPoint(told.operating_point.rpm + 5, None, 0.7))[0].drift()
    per = {name: value for name, value, _ in told.coefficients}
    assert moved.operating_point.warmth_c == told.operating_point.warmth_c
    higher = 5 * per["rpm"] + (0.7 - told.operating_point.load) * per["load"]
    assert moved.a - told.a == pytest.approx(higher, rel=0.05)


@pytest.mark.slow
def test_innovations_are_white_and_of_unit_spread():
    """Pins that one-step prediction errors, over their told standard deviation, are white noise of spread 1; where the
    state of running changes from median to median, narrower, since the coefficients are trusted less there."""
    slot, rpm, casing, load, lag = series(9, n=6000, phi=0.9)
    rows = medians(slot, rpm, casing, load, lag)
    _, innovations = fed(rows)
    z = np.array([i.z for i in innovations])
    same = {
        rows[k].hours
        for k in range(1, len(rows))
        if abs(rpm[k] - rpm[k - 1]) < 2 and abs(casing[k] - casing[k - 1]) < 1 and abs(load[k] - load[k - 1]) < 0.05
    }
    still = np.array([i.z for i in innovations if i.point.hours in same])
    assert len(still) > 1_000
    assert still.std() == pytest.approx(1.0, abs=0.03)
    assert 0.9 < z.std() < 1.0
    assert abs(np.corrcoef(z[1:], z[:-1])[0, 1]) < 0.03


def spoil(rows, at, by):
    return [
        Median(m.utc_s, m.hours, m.revolutions, m.lag_deg + by * (i in at), m.lag_mad_deg, None, None, m.rpm,
               m.casing_c, None, m.load)
        for i, m in enumerate(rows)
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("by", [0.5, pytest.param(-3.0, marks=pytest.mark.slow), 1e6])
def test_odd_medians_do_not_pull(by):
    """Pins that thirty odd medians, single or two in a row, of any size, change the slope by less than a tenth of its
    standard error, and are counted."""
    rows = medians(*series(10, n=3000))
    at = {k for start in range(100, 2900, 140) for k in ((start, start + 1) if start % 280 else (start,))}
    clean, spoilt = drift_of(10, n=3000), fed(spoil(rows, at, by))[0].drift()
    assert abs(spoilt.b - clean.b) < 0.1 * math.sqrt(clean.cov[1][1])
    assert spoilt.cov[1][1] == pytest.approx(clean.cov[1][1], rel=0.05)
    assert spoilt.odd - clean.odd == len(at)


@pytest.mark.slow
@pytest.mark.parametrize("at", [0, 1, 20, 34, 35])
def test_odd_median_among_the_first(at):
    """Pins that an odd median among those of the first fit is left out too; what it would have told is lost."""
    rows = medians(*series(11, n=400, phi=0.95))
    clean, spoilt = drift_of(11, n=400, phi=0.95), fed(spoil(rows, {at}, -0.5))[0].drift()
    assert abs(spoilt.b - clean.b) < 0.2 * math.sqrt(clean.cov[1][1])


@pytest.mark.slow
def test_noise_that_grows_is_learnt():
    """Pins that the gate does not shut out a series whose noise has grown eightfold: the fit follows."""
    slot, rpm, casing, load, lag = series(12, n=4000, gaps=False)
    rng = np.random.default_rng(13)
    lag[1000:] += noise(rng, 3000, 0.8, 0.24)
    fit, _ = fed(medians(slot, rpm, casing, load, lag))
    assert fit.drift().odd < 200
    assert fit.noise[1] > 0.15


def test_constant_and_collinear_regressors_are_dropped():
    """Pins the rule: a constant regressor and one that follows from the others are left out."""
    slot, rpm, _, _, lag = series(14)
    drift = fed(medians(slot, rpm, np.full(len(slot), 45.0), 0.6 + 0.01 * (rpm - 88), lag))[0].drift()
    assert drift.enough
    assert [name for name, _, _ in drift.coefficients] == ["rpm"]


def test_figures_never_known():
    """Pins that a load and a temperature never known drop out, and the operating point says so."""
    rows = [
        Median(m.utc_s, m.hours, 850, m.lag_deg, None, None, None, m.rpm, None, None, None)
        for m in medians(*series(15))
    ]
    drift = fed(rows)[0].drift()
    assert [name for name, _, _ in drift.coefficients] == ["rpm"]
    assert (drift.operating_point.warmth_c, drift.operating_point.load) == (None, None)


@pytest.mark.slow
def test_figure_lost_halfway():
    """Pins that the fit goes on when the temperature is lost half-way, and still finds slope and coefficient."""
    rows = medians(*series(16, n=4000))
    half = [
        Median(
            m.utc_s, m.hours, 850, m.lag_deg, None, None, None, m.rpm, m.casing_c if i < 2000 else None, None, m.load
        )
        for i, m in enumerate(rows)
    ]
    drift = fed(half)[0].drift()
    assert abs(drift.b - 8e-5) < 3 * math.sqrt(drift.cov[1][1])
    casing = next((v, e) for name, v, e in drift.coefficients if name == "warmth")
    assert abs(casing[0] - 0.008) < 3 * casing[1]


@pytest.mark.slow
def test_spring_length_is_fitted_alike():
    """Pins that the same fit serves the spring, and the frame's temperature where the casing's is not measured."""
    rows = [
        Median(m.utc_s, m.hours, 850, None, None, 180 + m.lag_deg, None, m.rpm, None, m.casing_c, m.load)
        for m in medians(*series(17))
    ]
    lag, spring = drift_of(17), fed(rows, figure="spring")[0].drift()
    assert spring.b == pytest.approx(lag.b, rel=0.1)
    assert spring.a == pytest.approx(180 + lag.a, abs=1e-3)


def test_too_little_says_so():
    """Pins that too few medians, or too few hours, give no figure but the reason."""
    rows = medians(*series(18, n=700, gaps=False))
    assert not DriftFit().drift().enough
    few, short, enough = (fed(rows[:n])[0].drift() for n in (20, 500, 700))
    assert (few.enough, few.why) == (False, "not known yet (about 100 h more needed)")
    assert (short.enough, short.why) == (False, "not known yet (about 20 h more needed)")
    assert math.isnan(short.b)
    assert enough.enough


def test_unusable_medians_are_refused():
    """Pins that medians without the figure, out of order, or not finite are refused, counted, and change nothing."""
    rows = medians(*series(19))
    m = rows[-1]
    bad = [
        Median(m.utc_s + 600, m.hours + 0.2, 850, None, None, None, None, 88.0, 45.0, None, 0.6),
        Median(m.utc_s + 600, m.hours + 0.2, 850, math.nan, None, None, None, 88.0, 45.0, None, 0.6),
        Median(m.utc_s + 600, math.nan, 850, 1.0, None, None, None, 88.0, 45.0, None, 0.6),
        Median(m.utc_s + 600, m.hours, 850, 1.0, None, None, None, 88.0, 45.0, None, 0.6),
        Median(m.utc_s + 600, m.hours - 9.0, 850, 1.0, None, None, None, 88.0, 45.0, None, 0.6),
    ]
    fit, _ = fed(rows)
    before = fit.drift()
    assert [fit.add(b) for b in bad] == [()] * 5
    assert fit.refused == 5
    assert fit.drift() == before


def test_series_that_never_moves():
    """Pins that a series of one and the same figure is fitted without a fault, slope nil."""
    slot, rpm, casing, load, _ = series(20)
    drift = fed(medians(slot, rpm, casing, load, np.full(len(slot), 0.7)))[0].drift()
    assert drift.a == pytest.approx(0.7, abs=1e-6)
    assert abs(drift.b) < 1e-9


def test_weeks_without_medians():
    """Pins that silence of weeks only widens the interval: the slope stays within three standard errors."""
    slot, rpm, casing, load, lag = series(21, n=3000, gaps=False)
    keep = (slot < 800) | (slot > 2600)
    drift = fed(medians(slot[keep], rpm[keep], casing[keep], load[keep], lag[keep]))[0].drift()
    assert abs(drift.b - 8e-5) < 3 * math.sqrt(drift.cov[1][1])


def test_asking_changes_nothing():
    """Pins that asking for the drift after each median gives the same as asking once."""
    rows = medians(*series(22, n=500))
    asked, silent = DriftFit(), DriftFit()
    for m in rows:
        asked.add(m)
        asked.drift()
        silent.add(m)
    assert asked.drift() == silent.drift()


CUTS = (0, 20, 36, 37, 400, 451, 1199)


@pytest.fixture(scope="module")
def whole():
    """Rows with two odd medians, the fit of them all, and its JSON state before each of the cuts."""
    rows, fit, states = spoil(medians(*series(23)), {450, 451}, 1.0), DriftFit(), {}
    for i, m in enumerate(rows):
        if i in CUTS:
            states[i] = json.dumps(fit.state())
        fit.add(m)
    return rows, fit, states


@pytest.mark.slow
@pytest.mark.parametrize("cut", CUTS)
def test_restart_goes_on_to_the_bit(whole, cut):
    """Pins that a fit restored from its JSON state gives the very same figures as one never stopped."""
    rows, fit, states = whole
    second = DriftFit.restore(json.loads(states[cut]))
    for m in rows[cut:]:
        second.add(m)
    assert second.drift() == fit.drift()
    assert json.dumps(second.state()) == json.dumps(fit.state())


@pytest.mark.slow
def test_state_grows_by_rows_alone():
    """Pins that a median leaves nothing in the state but its share of a row of six hours; the rows are bounded."""
    rows = medians(*series(24, n=12_000))
    fit, sizes, counts = DriftFit(), [], []
    for i, m in enumerate(rows, 1):
        fit.add(m)
        if i in (3_000, 12_000):
            sizes.append(json.dumps(fit.state()).count(","))
            counts.append(len(fit._rows.rows))
    assert sizes[1] - sizes[0] <= 14 * (counts[1] - counts[0]) + 500


def test_columns_that_follow_are_found_in_order():
    """Pins the rule of `independent`: of two columns that say the same, the later goes."""
    x = np.random.default_rng(25).standard_normal((50, 2))
    rows = np.column_stack((np.ones(50), x, x[:, 0] - 2 * x[:, 1] + 3, np.zeros(50)))
    assert independent(rows.T @ rows) == [True, True, True, False, False]


def test_line_of_a_fit_keeps_its_reference():
    """Pins that the line's level is the fit's, at the fit's own hours, with its (co)variances and freedom."""
    drift = drift_of(2)
    line = line_of(drift)
    assert (line.hours_ref, line.a, line.b, line.dof) == (drift.hours_ref, drift.a, drift.b, drift.dof)
    assert ((line.var_a, line.cov_ab), (line.cov_ab, line.var_b)) == drift.cov


def test_too_few_are_counted_and_said():
    """Pins the words and the number for a young series."""
    drift = fed(medians(*series(3))[:20])[0].drift()
    assert (drift.enough, drift.n, drift.why) == (
        False, 20, "not known yet (about 100 h more needed)",
    )  # fmt: skip


def test_the_prior_over_phi_is_that_of_the_grid():
    """Pins the weights: likelihood times the change of variable from atanh φ, against φ's own posterior mean."""
    segments = fed(medians(*series(4, n=2_000, phi=0.6)))[0]._chain.segments
    fit = fit_over_phi(segments)
    dense = np.linspace(0.3, 0.85, 4_001)
    log_like, _ = _likelihood(segments, dense, fit.kept, fit.spare)
    weight = np.exp(log_like - log_like.max())
    weight /= weight.sum()
    mean = float(weight @ dense)
    assert float(fit.weight @ fit.phis) == pytest.approx(mean, abs=2e-4)
    assert float(fit.weight @ (fit.phis - mean) ** 2) == pytest.approx(float(weight @ (dense - mean) ** 2), rel=0.01)


def warming(seed, frame_known=True):
    """Twelve days with a change of speed each two; casing and frame follow with 35 and 140 min, the lag goes with their
    difference (0.01° per °C), speed and wear."""
    rng = np.random.default_rng(seed)
    slot = np.arange(1, 1_728)
    rpm = 85 + rng.uniform(-8, 8, 6)[slot // 288]
    casing, frame = np.empty(len(slot)), np.empty(len(slot))
    c, f = 24 * rpm[0] / 96, 0.0
    for i, r in enumerate(rpm):
        c += (24 * r / 96 - c) * (1 - math.exp(-10 / 35))
        f += (17 * r / 96 - f) * (1 - math.exp(-10 / 140))
        casing[i], frame[i] = 32 + c, 32 + f
    lag = 0.4 + 8e-5 * slot / 6 + 0.002 * (rpm - 85) + 0.01 * (casing - frame) + 0.001 * rng.standard_normal(len(slot))
    columns = [np.asarray(x, float).tolist() for x in (slot, rpm, casing, frame, lag)]
    return [
        Median(1.7e9 + 600 * s, 5_000 + s / 6, 850, y, 0.01, None, None, r, c, f if frame_known else None, None)
        for s, r, c, f, y in zip(*columns, strict=True)
    ]


def test_the_frame_that_warms_for_hours_is_no_drift():
    """Pins that casing less frame explains the warming: the slope comes out ten times nearer than by the casing."""
    both, casing = fed(warming(30))[0], fed(warming(30, frame_known=False))[0]
    assert (both.warmth, casing.warmth) == ("difference", "casing")
    told, plain = both.drift(), casing.drift()
    warmth = next((v, e) for name, v, e in told.coefficients if name == "warmth")
    assert abs(warmth[0] - 0.01) < 4 * warmth[1]
    assert abs(told.b - 8e-5) < 3 * math.sqrt(told.cov[1][1])
    assert 10 * abs(told.b - 8e-5) < abs(plain.b - 8e-5)


def test_what_warmth_is_stays_for_as_long_as_the_fit_goes_on():
    """Pins that a frame sensor that fails leaves the warmth unknown, over a restart too, and not the casing's."""
    rows = warming(31)
    fit, _ = fed(rows[:1_000])
    fit = DriftFit.restore(json.loads(json.dumps(fit.state())))
    for m in warming(31, frame_known=False)[1_000:]:
        fit.add(m)
    assert fit.warmth == "difference"
    told = fit.drift()
    assert abs(told.b - 8e-5) < 4 * math.sqrt(told.cov[1][1])
    assert told.operating_point.warmth_c == pytest.approx(
        np.mean([m.casing_c - m.frame_c for m in rows[:1_000]]), abs=0.2
    )
