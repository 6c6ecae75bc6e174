"""The three estimates, their uncertainties, and their mean."""

import math

import numpy as np
import pytest
from drive_engines import tern

from gateway.wear import elongation as el
from gateway.wear.elongation import Change, Estimate, Source

START = Estimate(0.05, 0.03, Source.SETTINGS)
LOCKED = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})


def test_lag_and_tightener_tell_of_the_same_wear() -> None:
    """One degree of lag and 8.24 mm of spring travel are the same 0.27 % on top of the start."""
    by_lag = el.from_lag(tern(), START, Change(1.0, 0.02))
    by_spring = el.from_tightener(tern(), START, Change(8.2427, 0.2), 2000)
    assert by_lag is not None and by_spring is not None
    assert by_lag.percent == pytest.approx(0.05 + 1 / 3.677, abs=1e-4)
    assert by_spring.percent == pytest.approx(by_lag.percent, abs=1e-4)


@pytest.mark.parametrize(
    "estimate",
    [
        el.from_lag(tern(), START, None),
        el.from_lag(tern(), None, Change(1.0, 0.1)),
        el.from_tightener(tern(), None, Change(1.0, 0.1), 10),
        el.from_tightener(tern(), START, None, 10),
        el.from_tightener(LOCKED, START, Change(1.0, 0.1), 10),
    ],
)
def test_what_was_never_measured_is_not_known(estimate: Estimate | None) -> None:
    """No zero, no start, no spring length or a locked tightener: no figure."""
    assert estimate is None


def test_the_uncertainty_of_the_lag_estimate_covers_its_parts() -> None:
    """Drawn errors of the lag, the pin gauge, the strand's links and the start scatter as the estimate says."""
    rng = np.random.default_rng(5)
    n, lag, k = 20_000, 1.5, 3.677
    grown = (lag + rng.normal(0, 0.04, n) + rng.normal(0, 0.05, n)) / (k * (1 + rng.normal(0, 0.5 / 46, n)))
    scatter = np.std(grown + rng.normal(0.05, 0.03, n))
    told = el.from_lag(tern(), START, Change(lag, 0.04))
    assert told is not None and told.se_percent == pytest.approx(scatter, rel=0.03)


def test_the_uncertainty_of_the_spring_grows_with_the_hours() -> None:
    """A spring that may have taken a set is believed less after 20,000 h than after 100 h."""
    fresh, old = (el.growth_from_spring(tern(), Change(5.0, 0.1), h) for h in (100, 20_000))
    assert fresh is not None and old is not None
    assert old.se > 1.5 * fresh.se and old.value == fresh.value


def test_an_old_measurement_by_hand_goes_stale_or_is_carried_forward() -> None:
    """Without a trend the figure stays and its uncertainty grows; with one it moves and gains the trend's own."""
    fresh = el.from_links(114.3, 10, 1148.0)
    stale = el.from_links(114.3, 10, 1148.0, since_h=10_000)
    carried = el.from_links(114.3, 10, 1148.0, since_h=10_000, growth=Change(0.2, 0.02))
    assert stale.percent == fresh.percent and stale.se_percent > 3 * fresh.se_percent
    assert carried.percent == pytest.approx(fresh.percent + 0.2)
    assert carried.se_percent == pytest.approx(math.hypot(fresh.se_percent, 0.02))


def test_no_links_no_estimate() -> None:
    """A length over no links is refused, not divided."""
    with pytest.raises(ValueError, match="above 0"):
        el.from_links(114.3, 0, 1148.0)


def test_the_mean_is_drawn_to_the_surer_estimate_and_is_surer_than_either() -> None:
    """Inverse variance: 1 and 4 times the variance weigh 4 : 1."""
    c = el.combine([Estimate(0.40, 0.02, Source.LAG), None, Estimate(0.45, 0.04, Source.LINKS)])
    assert c is not None and c.estimate.percent == pytest.approx(0.41)
    assert c.estimate.se_percent == pytest.approx(1 / math.sqrt(1 / 0.02**2 + 1 / 0.04**2) * max(c.misfit, 1))


def test_estimates_that_scatter_too_much_make_the_mean_less_sure() -> None:
    """0.4 against 0.8 with 0.02 each: the mean's uncertainty is their half distance, not 0.014."""
    c = el.combine([Estimate(0.4, 0.02, Source.LAG), Estimate(0.8, 0.02, Source.LINKS)])
    assert c is not None and c.misfit > 10
    assert c.estimate.se_percent == pytest.approx(0.2)


def test_a_shared_start_is_not_averaged_away() -> None:
    """Lag and tightener counted from one start of ±0.03 %: their mean is never surer than that start."""
    pair = [el.from_lag(tern(), START, Change(1.0, 0.001)), el.from_tightener(tern(), START, Change(8.24, 0.001), 0)]
    c = el.combine(pair)
    assert c is not None and 0.03 <= c.estimate.se_percent < 0.035


def test_nothing_known_nothing_said() -> None:
    """No estimate gives no mean; one alone is its own."""
    assert el.combine([None, None]) is None
    one = el.combine([START])
    assert one is not None and one.estimate == START
