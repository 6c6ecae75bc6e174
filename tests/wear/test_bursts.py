"""The drift of a head in bursts: noisy temperatures, stops that are not seen, restarts between bursts."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from gateway.model.records import Median
from gateway.wear.drift import HOURS_A_PAUSE, DriftFit
from gateway.wear.rows import REVOLUTIONS
from gateway.wear.student import quantile

BURST = 9


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


def test_new_level_stands_on_what_is_gathered():
    """Pins that a level is known from its first bursts on, not only with the first whole row."""
    fit = fed(bursts(6))
    fit.split(fit._count - 3, 0.05)
    assert not fit._rows.level_has_row
    assert fit.drift().enough


@pytest.mark.slow
def test_range_of_bursts_holds():
    """Pins, on 20 series with noisy temperatures, that the slope's 90 % range holds the truth (15 of 20 or more: 1 in
    90 by the binomial)."""
    held = 0
    for seed in range(20):
        told = fed(bursts(100 + seed)).drift()
        held += abs(told.b - 8e-5) < quantile(0.95, told.dof) * math.sqrt(told.cov[1][1])
    assert held >= 15


def with_stops(rows, at, days=1.5):
    """The same bursts with the engine stopped for so many days before each of those in `at`."""
    lost = np.cumsum(np.isin(np.arange(len(rows)), at)) * 86_400.0 * days
    return [replace(m, utc_s=m.utc_s + s) for m, s in zip(rows, lost.tolist(), strict=True)]


@pytest.mark.parametrize(("revolutions", "counted"), [(BURST, 3), (REVOLUTIONS, 0)])
def test_hours_themselves_may_be_wrong(revolutions, counted):
    """Pins that the slope's variance holds what three stops that bursts did not see may have been miscounted by, on top
    of the fit's own; and that nothing is added where the head never pauses."""
    fit = fed(with_stops(bursts(7, slope=0.01, revolutions=revolutions), [100, 200, 203]))
    told, slope = fit.drift(), np.eye(fit._rows.figure)[1] / 1000.0
    own = fit._rows.fit().line(slope, slope)[1][1, 1]
    assert fit._rows.pauses == counted
    share = HOURS_A_PAUSE * math.sqrt(counted) / fit._rows.hours
    assert told.cov[1][1] == pytest.approx(own + (share * told.b) ** 2, rel=1e-6)


@pytest.mark.slow
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


def test_state_of_version_0_1_is_read():
    """Pins that a state without rows begins them with its newest medians, two days of them, and goes on."""
    rows = bursts(9, n=900, revolutions=REVOLUTIONS)
    state = fed(rows[:600]).state()
    del state["rows"]
    fit = DriftFit.restore(json.loads(json.dumps(state)))
    assert fit._rows.rows[0].hours == pytest.approx(rows[600 - 288].hours, abs=6)
    for m in rows[600:]:
        fit.add(m)
    told, whole = fit.drift(), fed(rows).drift()
    assert told.enough
    assert abs(told.b - whole.b) < 3 * math.sqrt(told.cov[1][1])
