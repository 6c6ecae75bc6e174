"""The lag on the turning gear: mounting cancelled after one whole turn, followed while it moves, forgotten when due."""

import math
from collections.abc import Iterable

import pytest

from gateway.measure.slow_turn import NOW_US, SAME_COUNTS, TURN, WIDTH, SlowTurn

LAG = 120.0
FRAME_US = 100_000


def mounting(crank: float, ratio: int = 1) -> float:
    """Eccentric encoders: the crank's once a turn, the cam's once in `ratio` turns; its mean over a cycle is nought."""
    angle = 2 * math.pi * crank / TURN
    return 40.0 * math.sin(angle + 0.4) + 25.0 * math.cos(angle / ratio - 1.0)


def angles(begin: float, end: float, step: float = 173.0) -> list[float]:
    """From begin towards end in even steps."""
    count = int(abs(end - begin) / step)
    return [begin + math.copysign(step, end - begin) * n for n in range(count + 1)]


class Gear:
    """A drive that is turned: keeps the time, feeds the frames."""

    def __init__(self, ratio: int = 1) -> None:
        self.slow, self.ratio, self.t_us = SlowTurn(ratio), ratio, 0

    def turn(self, cranks: Iterable[float], lag: float = LAG) -> None:
        for crank in cranks:
            self.t_us += FRAME_US
            self.slow.add(self.t_us, crank, lag + mounting(crank, self.ratio))

    def shown(self) -> float | None:
        return self.slow.lag_now()


@pytest.mark.parametrize("ratio", [1, 2])
@pytest.mark.parametrize("begin", [0.0, 500.0, -3.3 * TURN, 1e6])
@pytest.mark.parametrize("way", [1, -1])
def test_a_whole_turn_cancels_the_mounting(ratio: int, begin: float, way: int) -> None:
    """Ahead or astern, from anywhere: known after a cycle and two steps, its mean and each instant's lag to 0.1."""
    gear = Gear(ratio)
    cycle = ratio * TURN
    gear.turn(angles(begin, begin + way * (cycle - 2 * WIDTH)))
    assert gear.slow.turn is None and gear.shown() is None
    gear.turn(angles(begin + way * (cycle - 2 * WIDTH), begin + way * (cycle + 3 * WIDTH)))
    assert gear.slow.turn is not None
    assert gear.slow.turn.lag == pytest.approx(LAG, abs=0.1)
    assert gear.shown() == pytest.approx(LAG, abs=0.1)


def test_the_turn_is_dated_when_its_last_step_ended() -> None:
    """And dated anew with each further step, while nothing moves."""
    gear = Gear()
    gear.turn(angles(0.0, TURN + 2.5 * WIDTH))
    first = gear.slow.turn
    assert first is not None and gear.t_us - 12 * FRAME_US < first.t_us <= gear.t_us
    gear.turn(angles(TURN + 2.5 * WIDTH, TURN + 4.5 * WIDTH))
    later = gear.slow.turn
    assert later is not None and later.t_us > first.t_us


def test_uneven_speed_does_not_weigh_on_the_mean() -> None:
    """Steps of angle are equal: slow through one half of the turn and fast through the other gives the same."""
    gear = Gear()
    gear.turn([*angles(0.0, TURN / 2, 40.0), *angles(TURN / 2, TURN + 3 * WIDTH, 900.0)])
    assert gear.slow.turn is not None
    assert gear.slow.turn.lag == pytest.approx(LAG, abs=0.3)


@pytest.mark.parametrize("moved", [30.0, -30.0])
def test_a_camshaft_that_is_moved_is_followed_at_once(moved: float) -> None:
    """At a standstill after the turn the lag shows the movement now; the old turn stands until another is whole."""
    gear = Gear()
    gear.turn(angles(0.0, TURN + 3 * WIDTH))
    rest = TURN + 3 * WIDTH
    gear.turn([rest] * 15, LAG + moved)
    assert gear.shown() == pytest.approx(LAG + moved, abs=0.1)
    assert gear.slow.turn is not None and gear.slow.turn.lag == pytest.approx(LAG, abs=0.1)
    gear.turn(angles(rest, rest + 0.5 * TURN), LAG + moved)
    assert gear.slow.turn.lag == pytest.approx(LAG, abs=0.1)
    gear.turn(angles(rest + 0.5 * TURN, rest + TURN + 4 * WIDTH), LAG + moved)
    assert gear.slow.turn.lag == pytest.approx(LAG + moved, abs=0.1)
    assert gear.shown() == pytest.approx(LAG + moved, abs=0.1)


def test_what_creeps_within_the_step_s_bound_is_taken_into_the_mean() -> None:
    """Less than 0.04° from turn to turn is warmth or noise: the turn follows it without beginning anew."""
    gear = Gear()
    gear.turn(angles(0.0, TURN + 3 * WIDTH))
    small = 0.8 * SAME_COUNTS
    gear.turn(angles(TURN + 3 * WIDTH, 2 * TURN + 5 * WIDTH), LAG + small)
    assert gear.slow.turn is not None
    assert gear.slow.turn.lag == pytest.approx(LAG + small, abs=0.3)


def test_rocking_within_a_step_is_no_way() -> None:
    """Backlash of the gear, by less than a step to and fro at every stop, costs neither the turn nor its mean."""
    gear = Gear()
    cranks: list[float] = []
    for n in range(70):
        at = 700.0 + n * WIDTH
        cranks += [
            *angles(at, at + WIDTH),
            *angles(at + WIDTH, at + 0.6 * WIDTH),
            *angles(at + 0.6 * WIDTH, at + WIDTH),
        ]
    gear.turn(cranks)
    assert gear.slow.turn is not None
    assert gear.slow.turn.lag == pytest.approx(LAG, abs=0.3)


def test_turning_back_by_more_begins_the_turn_anew() -> None:
    """Half a turn ahead and half astern is no whole turn."""
    gear = Gear()
    gear.turn([*angles(0.0, 0.7 * TURN), *angles(0.7 * TURN, 0.0), *angles(0.0, 0.9 * TURN)])
    assert gear.slow.turn is None
    gear.turn(angles(0.9 * TURN, 1.1 * TURN))
    assert gear.slow.turn is not None


def test_missing_samples_break_the_turn_but_not_what_is_known() -> None:
    """A two-stroke keeps its mounting over a gap, a four-stroke cannot tell which turn comes next; no turn spans it."""
    for ratio, keeps in ((1, True), (2, False)):
        gear = Gear(ratio)
        end = ratio * TURN + 3 * WIDTH
        gear.turn(angles(0.0, end))
        gear.slow.broke()
        assert gear.shown() is None
        gear.turn([end] * 3)
        assert (gear.shown() is not None) is keeps
        assert gear.slow.turn is not None
        gear = Gear(ratio)
        gear.turn(angles(0.0, 0.6 * end))
        gear.slow.broke()
        gear.turn(angles(0.6 * end, 1.2 * end))
        assert gear.slow.turn is None


def test_running_forgets_all() -> None:
    """After the engine has run, the turn is of another standstill."""
    gear = Gear()
    gear.turn(angles(0.0, TURN + 3 * WIDTH))
    gear.slow.forget()
    assert gear.slow.turn is None and gear.shown() is None
    gear.turn([0.0] * 5)
    assert gear.shown() is None


def test_now_is_the_last_second() -> None:
    """The mean of what came within one second, no older: a movement is shown whole a second later."""
    gear = Gear()
    end = TURN + 3 * WIDTH
    gear.turn(angles(0.0, end))
    gear.turn([end] * 20)
    frames = NOW_US // FRAME_US
    gear.turn([end] * 5, LAG + 50.0)
    assert gear.shown() == pytest.approx(LAG + 50.0 * 5 / (frames + 1), abs=0.1)
    gear.turn([end] * (frames - 4), LAG + 50.0)
    assert gear.shown() == pytest.approx(LAG + 50.0, abs=0.1)
