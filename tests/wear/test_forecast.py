"""Forecast from level and slope: what `gateway.wear.forecast` says, and what it refuses to say."""

import math

import numpy as np
import pytest

from gateway.wear.drift import Drift
from gateway.wear.forecast import (
    UNKNOWN,
    Line,
    Range,
    dates,
    hours_per_day,
    hours_to,
    interval_left,
    level,
    line_of,
    slope_per_1000h,
)

LINE = Line(hours_ref=10_000.0, a=1.2, b=8e-5, var_a=4e-4, cov_ab=3e-8, var_b=9e-11, dof=40.0)


def test_range_agrees_with_drawn_lines():
    """Pins early end, median and late end to the quantiles of 400,000 lines drawn from the joint distribution."""
    rng = np.random.default_rng(5)
    cov = [[LINE.var_a, LINE.cov_ab], [LINE.cov_ab, LINE.var_b]]
    stretch = np.sqrt(LINE.dof / rng.chisquare(LINE.dof, 400_000))[:, None]
    a, b = (np.array([LINE.a, LINE.b]) + stretch * rng.multivariate_normal([0, 0], cov, 400_000)).T
    ahead = 500.0
    level_then = a + b * ahead
    drawn = np.where(b > 0, (2.0 - level_then) / b, np.inf)
    found = hours_to(LINE, 2.0, LINE.hours_ref + ahead)
    assert (found.p05, found.p50, found.p95) == pytest.approx(np.quantile(drawn, [0.05, 0.5, 0.95]), rel=5e-3)


def test_falling_line_and_lower_limit_mirror_the_rising_one():
    """Pins that a lower limit is treated as the mirror image of an upper one."""
    up = hours_to(LINE, 2.0, 10_100.0)
    down = hours_to(LINE.scaled(-1.0), -2.0, 10_100.0, rising=False)
    assert (down.p05, down.p50, down.p95) == pytest.approx((up.p05, up.p50, up.p95))


def test_limit_long_past():
    """Pins that a limit that is surely past is 0 hours away at all three."""
    assert hours_to(LINE, 1.0, 10_000.0) == Range(0.0, 0.0, 0.0)


def test_limit_perhaps_past():
    """Pins that near the limit the early end is 0 while the late one is still ahead."""
    found = hours_to(LINE, 1.21, 10_000.0)
    assert found.p05 == 0.0
    assert found.p50 == pytest.approx(125.0)
    assert found.p95 is not None and found.p95 > found.p50


def test_slope_not_distinguishable_from_zero():
    """Pins that a doubtful slope leaves median and late end unsaid, but not what cannot be ruled out."""
    doubtful = Line(10_000.0, 1.2, 1e-5, 4e-4, 0.0, 1e-10, 40.0)
    found = hours_to(doubtful, 2.0, 10_000.0)
    assert (found.p50, found.p95) == (None, None)
    assert found.p05 is not None and found.p05 > 10_000


def test_slope_away_from_the_limit():
    """Pins that a trend that surely leads away from the limit tells no hours at all."""
    assert hours_to(LINE.scaled(-1.0), 2.0, 10_000.0) == UNKNOWN


def test_doubt_of_the_limit_widens_the_range():
    """Pins that the standard error of the zero enters, and leaves the median where it was."""
    sharp, blunt = hours_to(LINE, 2.0, 10_000.0), hours_to(LINE, 2.0, 10_000.0, limit_sd=0.1)
    assert blunt.p50 == sharp.p50
    assert blunt.p05 < sharp.p05 and blunt.p95 > sharp.p95


def test_hours_to_is_the_same_in_other_units():
    """Pins that degrees of lag and per cent of elongation reach the same limit at the same hour."""
    one = hours_to(LINE, 2.0, 10_300.0)
    other = hours_to(LINE.scaled(1 / 3.68, 0.05), 2.0 / 3.68 + 0.05, 10_300.0)
    assert (one.p05, one.p50, one.p95) == pytest.approx((other.p05, other.p50, other.p95))


def test_level_and_slope_ranges():
    """Pins the 5–95 % ranges of level and slope: symmetric, t with the line's degrees of freedom."""
    here, slope = level(LINE, 10_000.0), slope_per_1000h(LINE)
    assert here.p95 - here.p50 == pytest.approx(1.683851 * 0.02, rel=1e-5)  # t, 40 degrees of freedom, 95 %
    assert slope.p50 == pytest.approx(0.08)
    assert slope.p50 - slope.p05 == pytest.approx(1.683851 * 1000 * math.sqrt(9e-11), rel=1e-5)


def test_too_little_data_gives_no_figure():
    """Pins that a fit with too little to tell yields unknown ranges everywhere, never a made-up figure."""
    line = line_of(Drift(False, "only 3 medians"))
    assert line is None
    assert hours_to(line, 2.0, 0.0) == level(line, 0.0) == slope_per_1000h(line) == UNKNOWN


def test_interval_is_known_exactly():
    """Pins the retightening interval: hours left, 0 when it has passed."""
    assert interval_left(4_000, 1_600) == Range(2_400, 2_400, 2_400)
    assert interval_left(4_000, 4_100) == Range(0, 0, 0)


DAY = 86_400.0


def test_dates_from_the_last_thirty_days():
    """Pins that only the running hours of the last 30 days count towards dates."""
    history = [(d * DAY, 20.0 * min(d, 70)) for d in range(101)]  # laid up since day 70
    assert hours_per_day(history[:61]) == pytest.approx(20.0)
    assert hours_per_day(history) == 0.0
    assert hours_per_day(history[:86]) == pytest.approx(10.0)


def test_dates_of_a_range():
    """Pins dates to hours over hours per day; what is not in sight has no date, nor has a ship laid up."""
    ahead = Range(100.0, 200.0, None)
    assert dates(ahead, 5 * DAY, 20.0) == Range(10 * DAY, 15 * DAY, None)
    assert dates(ahead, 5 * DAY, 0.0) == dates(ahead, 5 * DAY, None) == UNKNOWN
    assert dates(Range(0.0, 50.0, None), 5 * DAY, None).p05 == 5 * DAY


def test_hours_per_day_needs_a_day():
    """Pins that less than a day of history gives no rate."""
    assert hours_per_day([]) is None
    assert hours_per_day([(0.0, 100.0), (0.9 * DAY, 120.0)]) is None
