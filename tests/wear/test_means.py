"""The rows that the drift is told from: medians of bursts are averaged, those over minutes stand by themselves."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from gateway.model.records import Median
from gateway.wear.ar1_sums import GAPS, gap_place
from gateway.wear.drift import HOURS_A_PAUSE, DriftFit
from gateway.wear.means import REVOLUTIONS, Means, Point, Q
from gateway.wear.regression import solve
from gateway.wear.student import quantile

BURST = 9
PER_ROW = math.ceil(REVOLUTIONS / BURST)


def points(seed, n, revolutions=BURST, every=3, level=0.0):
    """Points half an hour apart (`every` ten minutes), all columns known, the figure noise about `level`."""
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((n, Q))
    rows[:, 0], rows[:, 5:7] = 1.0, 0.0
    rows[:, -1] += level
    steps = every * np.arange(1, n + 1)
    return [
        Point(i + 1, 1.7e9 + 600.0 * s, float(s) / 6, row, revolutions)
        for i, (s, row) in enumerate(zip(steps.tolist(), rows, strict=True))
    ]


def given(these, leaps=()):
    means = Means()
    for p in these:
        means.add(p, used=p.number not in leaps)
    return means


def bursts(seed, n=500, noise_c=0.1, revolutions=BURST, phi=0.0, sigma=0.0005, slope=8e-5):
    """Medians of bursts each half an hour: the warmth wanders over days, each reading of it is off by `noise_c`."""
    rng = np.random.default_rng(seed)
    hours = np.arange(1, n + 1) / 2
    rpm = 88 + 6.0 * np.sign(np.sin(hours / 11)) + 0.05 * rng.standard_normal(n)
    load = 0.6 + 0.02 * (rpm - 88) + 0.02 * np.sin(hours / 0.7)
    warmth = 7 + 0.6 * np.sin(hours / 4 + rng.uniform(0, 6)) + 0.5 * np.sin(hours / 30 + rng.uniform(0, 6))
    shocks = rng.standard_normal(n)
    rest = np.empty(n)
    rest[0] = sigma * shocks[0]
    for i in range(1, n):
        rest[i] = phi * rest[i - 1] + sigma * math.sqrt(1 - phi * phi) * shocks[i]
    lag = 0.4 + slope * hours + 0.002 * (rpm - 88) + 0.01 * warmth + 0.12 * (load - 0.6) + rest
    casing = 50 + warmth + noise_c * rng.standard_normal(n)
    return [
        Median(1.7e9 + 3600 * h, 5_000 + h, revolutions, y, 0.001, None, None, r, c, 50.0, w)
        for h, y, r, c, w in zip(*(x.tolist() for x in (hours, lag, rpm, casing, load)), strict=True)
    ]


def fed(rows):
    fit = DriftFit()
    for m in rows:
        fit.add(m)
    return fit


def test_medians_over_minutes_are_rows_as_they_are():
    """Pins that with enough revolutions in each median the sums are those of the medians, to the bit, leaps and all."""
    fit = fed(bursts(1, revolutions=REVOLUTIONS))
    fit.split(400, 0.1)
    chain = fit._chain
    assert len(chain.segments) == len(chain.means.segments) == 2
    for ours, singles in zip(chain.means.segments, chain.segments, strict=True):
        assert np.array_equal(ours.sums, singles.sums) and np.array_equal(ours.counts, singles.counts)


def test_rows_of_bursts_are_their_means():
    """Pins coefficients and variance at a given φ to statsmodels' GLS of the plain means of six bursts each."""
    these = points(2, 40 * PER_ROW)
    means = given(these)
    assert [s.rows for s in means.segments] == [40]
    plain = np.array([p.row for p in these]).reshape(40, PER_ROW, Q).mean(axis=1)
    at = 3 * PER_ROW * np.arange(40)
    keep = [0, 1, 2, 3, 4]
    steps = GAPS[gap_place(3 * PER_ROW)]
    sigma = 0.9 ** (steps * np.abs(at[:, None] - at) / (3 * PER_ROW))
    theirs = sm.GLS(plain[:, -1], plain[:, keep], sigma=sigma).fit()
    ours = solve(means.segments[0].grams(np.array([0.9]))[0], [True] * 5 + [False] * 2)
    assert ours.coef[0, keep] == pytest.approx(theirs.params, rel=1e-8)
    assert np.sqrt(np.diag(ours.inverse[0])[keep] * ours.rss[0] / 35) == pytest.approx(theirs.bse, rel=1e-8)


def test_what_is_gathered_waits():
    """Pins that bursts make no row before their revolutions are enough, and then make one."""
    these = points(3, PER_ROW)
    means = given(these[:-1])
    assert means.segments[0].rows == 0
    means.add(these[-1])
    assert means.segments[0].rows == 1


def test_what_is_gathered_is_bounded():
    """Pins that medians that tell no revolutions still make rows, each of so many as revolutions are wanted."""
    assert given(points(12, 3 * REVOLUTIONS, revolutions=0)).segments[0].rows == 3


def test_no_row_lies_across_a_leap():
    """Pins that a leap ends what was gathered, and that its own row only carries on: sums as if fed from behind it."""
    these = points(4, 10 * PER_ROW + 2)
    leap = 4 * PER_ROW + 3
    means = given(these, leaps={leap})
    # Two bursts are lost; of the six rows from the leap on the first is only what the next is linked to.
    assert means.segments[0].rows == 4 + 5
    rest = given(these[leap - 1 :])
    whole, before = means.segments[0].sums, given(these[: 4 * PER_ROW]).segments[0].sums
    after = rest.segments[0].sums.copy()
    after[-1] = 0.0  # the first row there is a stranger
    assert whole == pytest.approx(before + after)


def test_a_step_is_taken_out_with_its_whole_row():
    """Pins that a step dated into the middle of a row takes that row out, and leaves those before it."""
    these = points(5, 10 * PER_ROW)
    means = given(these)
    means.take_out(6 * PER_ROW + 3)
    assert means.segments[0].rows == 6
    assert means.segments[0].sums == pytest.approx(given(these[: 6 * PER_ROW]).segments[0].sums, abs=1e-9)


def test_a_new_level_stands_on_what_is_gathered():
    """Pins that a level is told from its first bursts on, not only with the first whole row."""
    rows = bursts(6)
    fit = fed(rows)
    fit.split(fit._count - 3, 0.05)
    assert fit._chain.means.segments[-1].rows == 0
    assert fit.drift().enough and fit.drift().levels == 2


@pytest.mark.parametrize(("series", "least"), [(6, 3), pytest.param(20, 15, marks=pytest.mark.slow)])
def test_interval_of_bursts_is_narrow_and_holds(series, least):
    """Pins, on series with noisy temperatures, that the means make the slope's interval at least five times as narrow
    as single medians do, and that it still holds the truth (15 of 20 or more: 1 in 90 by the binomial; 3 of 6 or more:
    1 in 790)."""
    held, narrower = 0, []
    for seed in range(series):
        told = fed(bursts(100 + seed)).drift()
        singles = fed(bursts(100 + seed, revolutions=REVOLUTIONS)).drift()
        error = math.sqrt(told.cov[1][1])
        held += abs(told.b - 8e-5) < quantile(0.95, told.dof) * error
        narrower.append(math.sqrt(singles.cov[1][1]) / error)
    assert held >= least
    assert np.median(narrower) > 5


def with_stops(rows, at, days=1.5):
    """The same bursts with the engine stopped for so many days before each of those in `at`."""
    lost = np.cumsum(np.isin(np.arange(len(rows)), at)) * 86_400.0 * days
    return [replace(m, utc_s=m.utc_s + s) for m, s in zip(rows, lost.tolist(), strict=True)]


@pytest.mark.parametrize(("revolutions", "counted"), [(BURST, 3), (REVOLUTIONS, 0)])
def test_hours_themselves_may_be_wrong(revolutions, counted):
    """Pins that the slope's variance holds what three stops that bursts did not see may have been miscounted by, on top
    of the fit's own; and that nothing is added where the head never pauses."""
    fit = fed(with_stops(bursts(7, slope=0.01, revolutions=revolutions), [100, 200, 203]))
    told, plain = fit.drift(), fit._chain.fit()
    own = plain.mixture(np.eye(Q - 1)[1:2] / 1000.0)[1][0, 0]
    assert fit._chain.means.pauses == counted
    share = HOURS_A_PAUSE * math.sqrt(counted) / fit._chain.hours
    assert told.cov[1][1] == pytest.approx(own + (share * told.b) ** 2, rel=1e-9)


@pytest.mark.parametrize("cut", [10, 36, 301, 302, 303, 499])
def test_restart_between_bursts(cut):
    """Pins that a fit of bursts restored from its JSON goes on to the bit, wherever within a row it was cut."""
    rows = bursts(8)
    whole, first = fed(rows), fed(rows[:cut])
    second = DriftFit.restore(json.loads(json.dumps(first.state())))
    for m in rows[cut:]:
        second.add(m)
    assert second.drift() == whole.drift()
    assert json.dumps(second.state()) == json.dumps(whole.state())


def without_means(state):
    """The same state as it was kept before there were means: points without revolutions, no rows of their own."""
    chain = dict(state["chain"])
    del chain["means"]
    chain["recent"] = [[point[:4], *rest] for point, *rest in chain["recent"]]
    chain["last"] = chain["last"][:4] if chain["last"] else None
    chain["held"] = [point[:4] for point in chain["held"]]
    return {**state, "chain": chain, "start": [row[:3] for row in state["start"]]}


@pytest.mark.parametrize("cut", [20, 300])
def test_a_state_of_before_is_read(cut):
    """Pins that a state without means goes on, in a series without pauses to the bit as one that had them."""
    rows = bursts(9, revolutions=REVOLUTIONS)
    whole, first = fed(rows), fed(rows[:cut])
    second = DriftFit.restore(json.loads(json.dumps(without_means(first.state()))))
    for m in rows[cut:]:
        second.add(m)
    assert second.drift() == whole.drift()
    chains = [f.state()["chain"] for f in (second, whole)]
    assert [len(c.pop("means")["pauses"]) for c in chains] == [2, 2]
    assert chains[0] == chains[1]


def test_what_is_the_same_is_not_kept_twice():
    """Pins that in a series without pauses the state holds no second copy of the sums."""
    kept = fed(bursts(11, revolutions=REVOLUTIONS)).state()["chain"]
    assert set(kept["means"]) == {"gathered", "leapt", "pauses"}


def test_state_of_bursts_does_not_grow():
    """Pins that what is kept after 8,000 bursts is no more than after 2,500."""
    fit, sizes = DriftFit(), []
    for i, m in enumerate(bursts(10, n=8_000), 1):
        fit.add(m)
        if i in (2_500, 8_000):
            sizes.append(json.dumps(fit.state()).count(","))
    assert sizes[1] <= sizes[0] * 1.02
