"""One engine's wear at sea: no disagreement from ride-out, no step from legs or quick wear; the loading is booked."""

import json
from dataclasses import replace

import numpy as np
import pytest
from drive_engines import tern

from gateway.model.records import Median
from gateway.wear import geometry
from gateway.wear.datum import from_settings
from gateway.wear.forecast import Range
from gateway.wear.ride_out import mesh_share
from gateway.wear.segments import Segments
from gateway.wear.trend import EngineWear

UTC0, H0, SLOPE = 1.75e9, 20_000.0, 1e-4
DEG, MM = geometry.deg_per_percent(tern()), geometry.spring_mm_per_percent(tern())


def medians(hours: float, kappa: float = 0.0, seed: int = 3) -> list[Median]:
    """Steady running: the lag grows by 0.1° in 1,000 h, the spring by what ride-out leaves of it."""
    rng = np.random.default_rng(seed)
    n = round(hours * 6)
    lag_noise, spring_noise, rpm = rng.normal(0, 0.006, n), rng.normal(0, 0.03, n), 88 + rng.normal(0, 0.5, n)
    seen = (1 - kappa * mesh_share(tern())) * MM / DEG
    out = []
    for k in range(n):
        worn = SLOPE * k / 6
        lag, spring = 0.5 + worn + float(lag_noise[k]), 180.4 + worn * seen + float(spring_noise[k])
        out.append(Median(UTC0 + 600.0 * k, H0 + k / 6, 850, lag, 0.01, spring, 0.02, float(rpm[k]), 45.0, 40.0, 0.6))
    return out


def fed(rows: list[Median], stops: tuple[int, ...] = ()) -> tuple[EngineWear, list[float]]:
    """The engine's wear, and the steps of the lag that it reported; before the medians in `stops` the engine stood."""
    wear, found = EngineWear(tern(), from_settings(tern())), []
    for k, row in enumerate(rows):
        if k in stops:
            wear.stopped(row.hours)
        found += [step.size for series, step in wear.add(row) if series == "lag"]
    return wear, found


def reach(r: Range) -> float:
    """Width of a range that is known."""
    assert r.p05 is not None and r.p95 is not None
    return r.p95 - r.p05


@pytest.mark.slow
@pytest.mark.parametrize("kappa", [pytest.param(0.0, marks=pytest.mark.slow), 1.0])
def test_ride_out_is_no_disagreement(kappa: float) -> None:
    """Pins that lag and tightener do not part, whether the chain rides out fully or not, and that the elongation by
    both holds the truth."""
    rows = medians(1_200, kappa)
    trend = fed(rows)[0].trend(rows[-1].utc_s, rows[-1].hours, rows[-1].lag_deg, rows[-1].spring_mm)
    assert trend.agreement.state != "part"
    rate = trend.elongation_percent_per_1000h
    assert rate.p05 is not None and rate.p95 is not None
    assert rate.p05 < 1000 * SLOPE / DEG < rate.p95


@pytest.mark.slow
@pytest.mark.parametrize(("size", "reported"), [(0.06, 0), (0.4, 1)])
def test_shift_over_a_stop(size: float, reported: int) -> None:
    """Pins that 0.06° over a stop, as a ballast leg makes it, is no step, that 0.4° is one, and that neither turns
    into wear."""
    rows = medians(600)
    at = 300 * 6
    rows = [replace(m, lag_deg=(m.lag_deg or 0.0) + (size if k >= at else 0.0)) for k, m in enumerate(rows)]
    rows = [replace(m, utc_s=m.utc_s + (86_400.0 if k >= at else 0.0)) for k, m in enumerate(rows)]
    wear, found = fed(rows, stops=(at,))
    assert len(found) == reported
    assert (wear.standing_step("lag") is not None) == bool(reported)
    slope = wear.trend(rows[-1].utc_s, rows[-1].hours, None, None).lag_deg_per_1000h
    assert slope.p05 is not None and slope.p95 is not None
    assert slope.p05 < 1000 * SLOPE < slope.p95


@pytest.mark.slow
def test_quick_wear_is_no_step() -> None:
    """Pins that for a chain that begins to wear twenty times faster nobody is called to a step of the lag."""
    rows = medians(900)
    at = 500 * 6
    fast = [replace(m, lag_deg=(m.lag_deg or 0.0) + 2e-3 * max(k - at, 0) / 6) for k, m in enumerate(rows)]
    assert fed(fast)[0].standing_step("lag") is None


@pytest.mark.slow
def test_booked_loading_narrows_the_range() -> None:
    """Pins that with laden and ballast legs booked, also after the fact, the slope's range is at most half as wide."""
    rows = medians(1_000)
    legs = [(H0 + 240.0 * i, float(i % 2)) for i in range(5)]
    shifted = [replace(m, lag_deg=(m.lag_deg or 0.0) + 0.03 * (k // (240 * 6) % 2)) for k, m in enumerate(rows)]
    series = Segments("lag")
    for m in shifted:
        series.fit.add(m)
    plain = series.drift()
    series.book_loadings(tuple(legs))
    booked = series.drift()
    assert booked.cov[1][1] < 0.25 * plain.cov[1][1]
    assert {name: round(value, 2) for name, value, _ in booked.coefficients}["loading"] == 0.03


def test_state_of_version_0_1_goes_on() -> None:
    """Pins that a state without rows, ride-out, shifts and loadings is read."""
    rows = medians(300)
    state = json.loads(json.dumps(fed(rows[:1_000])[0].state()))
    for key in ("ride_out", "over_stops", "loadings"):
        del state[key]
    for series in ("lag", "spring"):
        del state[series]["fit"]["rows"]
    wear = EngineWear(tern(), from_settings(tern()))
    wear.load(state)
    for m in rows[1_000:]:
        wear.add(m)
    assert wear.lag.drift().n > 1_000
    assert not wear.ride_out.learned
