"""Rows of six running hours: what they average, where they end, what the gate lets pass, and exact restarts."""

import json

import numpy as np
import pytest
from sea_noise import make_sea

from gateway.wear.rows import ROW_HOURS, ROWS_FORGOTTEN, ROWS_MAX, Point, Rows

UTC0 = 1.75e9


def feed(rows: Rows, figure, *, every_h: float = 1 / 6, revolutions: int = 850, first: int = 0, clock_h: float = 0.0):
    """A median each `every_h` running hours: level, hours, figure. The clock is ahead by `clock_h`."""
    for i, y in enumerate(figure, start=first):
        hours = (i + 0.5) * every_h
        row = np.array((1.0, hours / 1000, y))
        rows.add(Point(i, UTC0 + 3600 * (hours + clock_h), hours, row, revolutions))


def noise(n: int, seed: int = 1) -> np.ndarray:
    """White noise of 0.02°."""
    return np.random.default_rng(seed).normal(0.5, 0.02, n)


def test_row_is_the_mean_of_six_hours():
    """Pins the means against numpy, 36 medians a row, the last six hours still gathered."""
    rows, y = Rows(3), noise(36 * 5)
    feed(rows, y)
    assert [r.values[rows.figure] for r in rows.rows] == pytest.approx(y.reshape(5, 36).mean(axis=1)[:4], abs=1e-8)
    assert [r.hours for r in rows.rows] == pytest.approx([3, 9, 15, 21])
    assert rows.hours == pytest.approx(4 * ROW_HOURS)


def test_short_bursts_fill_a_row_before_it_ends():
    """Pins that bursts of nine revolutions each three hours make rows of 18 h, with 54 revolutions."""
    rows = Rows(3)
    feed(rows, noise(40), every_h=3.0, revolutions=9)
    assert len(rows.rows) > 0
    assert np.diff([r.hours for r in rows.rows]) == pytest.approx(18.0)


def test_stop_ends_a_row():
    """Pins that medians before and after a stop do not meet in a row, and that the stop's hours decorrelate."""
    rows = Rows(3)
    feed(rows, noise(56))
    feed(rows, noise(60), first=56, clock_h=48)
    before, after = rows.rows[1], rows.rows[2]
    assert before.number == 55
    assert rows._elapsed_h(after) == 0.1  # the newest row filtered is a later one
    assert after.utc_s - before.utc_s > 48 * 3600


def test_lone_outlier_is_dropped_and_a_change_passes():
    """Pins that one row of 1° is not used, and that of a lasting change of 1° every row is."""
    quiet = noise(36 * 60)
    rows = Rows(3)
    spiked = quiet.copy()
    spiked[36 * 50 : 36 * 51] += 1.0
    feed(rows, spiked)
    assert [r.number // 36 for r in rows.rows if not r.used] == [50]
    rows, stepped = Rows(3), quiet.copy()
    stepped[36 * 50 :] += 1.0
    feed(rows, stepped)
    assert all(r.used for r in rows.rows)


def test_outlier_has_no_influence():
    """Pins that the slope with an outlier of 5° is that without this row, to the bit."""
    rows, without = Rows(3), Rows(3)
    y = noise(36 * 60)
    spiked = y.copy()
    spiked[36 * 50 : 36 * 51] += 5.0
    feed(rows, spiked)
    feed(without, y[: 36 * 50])
    feed(without, y[36 * 51 :], first=36 * 51)
    assert rows.fit().quantiles(np.eye(4)[1]) == without.fit().quantiles(np.eye(4)[1])


def test_split_keeps_the_slope():
    """Pins that a step of 0.4° that is split leaves a slope near the truth; unsplit the range is useless."""
    n, slope = 36 * 160, 0.1
    y = noise(n) + slope * (np.arange(n) + 0.5) / 6000
    y[36 * 90 :] += 0.4
    found = []
    for split in (True, False):
        rows = Rows(3)
        feed(rows, y[: 36 * 90 + 6])
        if split:
            rows.take_out(36 * 90)
            rows.new_level()
            feed(rows, y[36 * 90 : 36 * 90 + 6], first=36 * 90)
        feed(rows, y[36 * 90 + 6 :], first=36 * 90 + 6)
        low, _, high = rows.fit().quantiles(np.eye(4)[1])
        found.append((low, high))
    assert found[0][0] < slope < found[0][1]
    assert found[0][1] - found[0][0] < 0.05
    assert found[1][1] - found[1][0] > 5 * (found[0][1] - found[0][0])


def test_new_level_without_a_row_stands_on_what_is_gathered():
    """Pins that level and slope are known minutes after a split, and that without any median they are not."""
    rows = Rows(3)
    feed(rows, noise(36 * 40))
    rows.new_level()
    assert not rows.level_known
    feed(rows, noise(3) + 1.0, first=36 * 40)
    assert rows.level_known
    fit = rows.fit()
    hours = 40 * 6 / 1000
    assert float(fit.weight @ (fit.coef @ (1.0, hours, 0.0, 0.0))) == pytest.approx(1.5, abs=0.05)


def test_taken_out_is_as_never_fed():
    """Pins that rows taken out leave the same fit, to the bit, as if they had never come."""
    rows, never = Rows(3), Rows(3)
    y = noise(36 * 50)
    feed(rows, y)
    rows.take_out(36 * 44)
    feed(never, y[: 36 * 44])
    never.new_level()
    rows.new_level()
    assert rows.fit().coef.tolist() == never.fit().coef.tolist()


def test_restart_is_exact():
    """Pins that a state through JSON goes on to the bit, an outlier held and a split behind it included."""
    y = make_sea("SEA", 400, np.random.default_rng(3)).noise
    y[36 * 55 :] += 1.0
    whole, first = Rows(3, 0.015), Rows(3, 0.015)
    feed(whole, y[:1000])
    whole.new_level()
    feed(first, y[:1000])
    first.new_level()
    feed(whole, y[1000 : 36 * 56 + 3], first=1000)
    feed(first, y[1000 : 36 * 56 + 3], first=1000)
    again = Rows(3, 0.015)
    again.load(json.loads(json.dumps(first.state())))
    feed(whole, y[36 * 56 + 3 :], first=36 * 56 + 3)
    feed(again, y[36 * 56 + 3 :], first=36 * 56 + 3)
    assert again.state() == whole.state()
    assert again.fit().coef.tolist() == whole.fit().coef.tolist()


@pytest.mark.slow
def test_oldest_rows_are_forgotten():
    """Pins the bound on rows, and that what is left is fitted as if it were all there had been."""
    rows = Rows(3)
    feed(rows, noise(ROWS_MAX + 3), every_h=6.0)
    assert len(rows.rows) == ROWS_MAX - ROWS_FORGOTTEN + 2
    assert rows.fit().dof == len(rows.rows) - 2
