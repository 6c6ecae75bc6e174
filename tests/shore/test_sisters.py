"""The prior from sister engines on simulated fleets: narrower for a young chain, and still covering the truth."""

import random
import statistics

import pytest

from gateway.encode.shapes import Range
from gateway.shore.sisters import Sister, forecast, prior, since_new

LIMIT = 1.0
Z = 1.645


def spread(middle: float, sd: float) -> Range:
    return Range(p05=middle - Z * sd, p50=middle, p95=middle + Z * sd)


def test_fewer_than_three_sisters_with_a_history_are_no_prior() -> None:
    old, young, unknown = spread(0.03, 0.002), spread(0.03, 0.06), Range(p05=None, p50=None, p95=None)
    some = [Sister("a", old, 9_000), Sister("b", old, 9_000), Sister("c", young, 300), Sister("d", unknown, 9_000)]
    assert prior(some) is None
    found = forecast(spread(0.1, 0.01), young, LIMIT, some)
    assert found.sisters == 0 and found.hours_to.p50 is None and "fewer than 3" in found.words
    assert (
        "range uses 3 sister engines" in forecast(spread(0.1, 0.01), young, LIMIT, [*some, Sister("e", old, 9e3)]).words
    )


def test_an_old_chain_is_hardly_moved_by_its_sisters_and_a_reached_limit_is_reached() -> None:
    """The ship's own narrow rate outweighs sisters that wear otherwise."""
    sisters = [Sister(str(i), spread(0.02 + 0.005 * i, 0.001), 20_000) for i in range(5)]
    own = forecast(spread(0.5, 0.005), spread(0.06, 0.0005), LIMIT, sisters).hours_to
    assert own.p50 == pytest.approx(500 / 0.06, rel=0.02)
    reached = forecast(spread(1.2, 0.01), spread(0.06, 0.001), LIMIT, sisters)
    assert reached.hours_to.p50 == 0 and reached.words.startswith("reached")


@pytest.mark.slow
@pytest.mark.parametrize("count", [3, 4, 8])
def test_on_simulated_fleets_it_is_narrower_at_300_h_and_covers_the_truth(count: int) -> None:
    """Fleets with a mean and a spread of their own, gamma rates (not the model's lognormal), sisters with histories of
    2,000 to 20,000 h, and one chain at 300 h whose own rate is known to some 0.05 % per 1000 h. 5 to 95 % must hold 85
    to 95 % of the truths, and be at most half as wide as the own figure alone, up to the horizon."""
    rng = random.Random(count)
    covered, widths, without = 0, [], []
    fleets = 1_500
    for _ in range(fleets):
        mean, between = rng.uniform(0.02, 0.06), rng.uniform(0.05, 0.3)
        rates = [rng.gammavariate(1 / between**2, mean * between**2) for _ in range(count + 1)]
        sisters = []
        for i, rate in enumerate(rates[1:]):
            hours = rng.uniform(2_000, 20_000)
            sd = 0.01 / (hours / 1_000)
            sisters.append(Sister(str(i), spread(rng.gauss(rate, sd), sd), hours))
        level = rng.gauss(0.05, 0.02)
        own_level, own_rate = spread(rng.gauss(level, 0.01), 0.01), spread(rng.gauss(rates[0], 0.05), 0.05)
        truth = 1_000 * (LIMIT - level) / rates[0]
        found = forecast(own_level, own_rate, LIMIT, sisters).hours_to
        assert found.p05 is not None and found.p50 is not None
        late = found.p95 if found.p95 is not None else 100_000.0
        covered += found.p05 <= truth <= late
        widths.append(late - found.p05)
        low, high = own_rate.p95, own_rate.p05
        assert low is not None and high is not None
        early = 1_000 * (LIMIT - 0.05) / low if low > 0 else 100_000.0
        end = 1_000 * (LIMIT - 0.05) / high if high > 0 else 100_000.0
        without.append(min(end, 100_000.0) - min(early, 100_000.0))
    assert 0.85 <= covered / fleets <= 0.95
    assert statistics.median(widths) < 0.5 * statistics.median(without)


def test_hours_of_a_chain_count_from_its_last_renewal() -> None:
    work = [(1.0, "retightened", 500.0, ""), (2.0, "chain-renewed", 9_000.0, ""), (3.0, "camshaft-set", 9_500.0, "")]
    assert since_new(work) == 9_000.0 and since_new(work[:1]) == 0.0
