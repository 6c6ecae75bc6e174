"""Running hours: from what was seen, and from the head's count of turns for what was not."""

import math

import pytest
from firmware_sim_voyages import hours_of_voyage
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.measure.hours import HoursMeter


class Played:
    """An hours meter and an engine that plays to it; `turns` as the head counts them."""

    def __init__(self, meter: HoursMeter, fitted: bool = True) -> None:
        self.meter, self.fitted = meter, fitted
        self.turns = 0.0
        self.t_us = 0
        self.boot = 1

    def run(self, rpm: float, seconds: int) -> None:
        """Seen second by second, a health frame each."""
        for _ in range(seconds):
            self.turns += abs(rpm) / 60
            self.t_us += 1_000_000
            self.meter.second(rpm, 1_000_000, abs(rpm) / 60)
            self.health()

    def unseen(self, *pieces: tuple[float, float]) -> None:
        """A gap in which the engine ran at these (rpm, seconds)."""
        self.turns += sum(abs(rpm) / 60 * s for rpm, s in pieces)
        self.gap(sum(s for _, s in pieces))
        self.health()

    def gap(self, seconds: float) -> None:
        """A gap in the samples."""
        self.t_us += round(1e6 * seconds)
        self.meter.gap(round(1e6 * seconds))

    def restart(self) -> None:
        """A new meter goes on from the old one's checkpoint."""
        kept = self.meter.checkpoint()
        self.meter = HoursMeter(0.0, 2.0)
        self.meter.restore(kept)

    def health(self) -> None:
        """The head's count, whole turns."""
        turns = math.floor(self.turns) % 2**32 if self.fitted else None
        self.meter.health(self.boot, turns, self.t_us)


def test_seen_running_counts_whole_ahead_and_astern_but_not_on_the_turning_gear() -> None:
    """An hour ahead and half an hour astern count; stopped and turning gear do not."""
    p = Played(HoursMeter(100.0, 2.0))
    p.run(96.0, 3_600)
    p.run(0.12, 1_800)
    p.run(0.0, 1_800)
    p.run(-60.0, 1_800)
    assert p.meter.hours == pytest.approx(101.5, abs=1e-9)


@pytest.mark.parametrize("fitted", [True, False])
def test_a_gap_in_steady_running_counts_whole(fitted: bool) -> None:
    """With the turns that fit, or without a count of turns where the engine ran before and after."""
    p = Played(HoursMeter(0.0, 2.0), fitted)
    p.run(96.0, 60)
    p.unseen((96.0, 7_200.0))
    p.run(96.0, 60)
    assert p.meter.hours == pytest.approx((7_200 + 120) / 3_600, abs=1e-6)


def test_bursts_lose_no_hours() -> None:
    """Six seconds seen in ten minutes, for ten days: within 0.1 %."""
    p = Played(HoursMeter(0.0, 2.0))
    for _ in range(1_440):
        p.run(96.0, 6)
        p.unseen((96.0, 594.0))
    p.run(96.0, 1)
    assert p.meter.hours == pytest.approx(240.0, rel=1e-3)


def test_a_stop_within_the_gap_is_taken_off() -> None:
    """Half the turns that the speed would give: half the gap."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.unseen((96.0, 1_800.0), (0.0, 1_800.0))
    p.run(96.0, 60)
    assert p.meter.hours == pytest.approx((1_800 + 120) / 3_600, rel=2e-3)


def test_slower_after_the_gap_counts_whole() -> None:
    """The engine was never stopped, only slowed: turns that fit the slower speed fill the gap."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.unseen((96.0, 600.0), (60.0, 3_000.0))
    p.run(60.0, 60)
    assert p.meter.hours == pytest.approx((3_600 + 120) / 3_600, abs=1e-6)


def test_stopped_before_and_after_but_ran_between() -> None:
    """Nobody saw it run: the turns say that it did, at whatever speed; counted whole where they say under way."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(0.0, 60)
    p.unseen((96.0, 3_600.0))
    p.run(0.0, 60)
    assert p.meter.hours == pytest.approx(1.0, abs=1e-6)
    p.unseen((0.12, 3_600.0))
    p.run(0.0, 60)
    assert p.meter.hours == pytest.approx(1.0, abs=1e-6)


def test_without_turns_a_gap_next_to_a_stop_does_not_count() -> None:
    """Not known is not made up."""
    p = Played(HoursMeter(0.0, 2.0), fitted=False)
    p.run(96.0, 60)
    p.unseen((96.0, 3_600.0))
    p.run(0.0, 60)
    assert p.meter.hours == pytest.approx(60 / 3_600, abs=1e-9)


@pytest.mark.parametrize(("stopped_s", "counted_s"), [(340.0, 3_600.0), (380.0, 3_220.0)])
def test_a_tenth_of_the_turns_may_be_wanting_before_a_stop_is_seen_in_them(stopped_s: float, counted_s: float) -> None:
    """Waves and the speed's wander make as much of a difference; beyond it the turns made count and no more."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.unseen((96.0, 3_600.0 - stopped_s), (0.0, stopped_s))
    p.run(96.0, 60)
    assert p.meter.hours * 3_600 == pytest.approx(counted_s + 120, abs=2.0)


def test_the_count_of_turns_may_wrap() -> None:
    """2³² turns come round within a gap in which the engine stopped for half the time."""
    p = Played(HoursMeter(0.0, 2.0))
    p.turns = 2.0**32 - 100
    p.run(96.0, 10)
    p.unseen((96.0, 1_800.0), (0.0, 1_800.0))
    p.run(96.0, 10)
    assert p.meter.hours == pytest.approx(1_820 / 3_600, rel=2e-3)


def test_a_stop_in_a_gap_with_another_speed_after_it_counts_by_the_faster() -> None:
    """Ten minutes at sea speed, then stopped, then slow: the turns made at the faster speed, never too many hours."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.unseen((96.0, 600.0), (0.0, 3_000.0))
    p.run(60.0, 60)
    assert p.meter.hours == pytest.approx(720 / 3_600, rel=2e-3)


def test_a_restart_catches_up_what_nobody_saw() -> None:
    """From a checkpoint, with the gap told: turns made while the gateway was down are hours."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.restart()
    p.unseen((96.0, 3_600.0))
    p.run(96.0, 60)
    assert p.meter.hours == pytest.approx((3_600 + 120) / 3_600, abs=1e-6)


def test_a_restart_keeps_the_count_it_had_seen() -> None:
    """The engine stopped for most of what nobody saw: the turns since the last count seen tell it, not those since the
    gateway came up."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.restart()
    p.unseen((96.0, 600.0), (0.0, 3_000.0))
    p.run(96.0, 60)
    assert p.meter.hours == pytest.approx((600 + 120) / 3_600, abs=2 / 3_600)


def test_a_gap_stays_open_until_the_head_has_told_its_turns() -> None:
    """Seen again, but without a count yet: no hours are made up, and it is known that some are wanting."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    before = p.meter.hours
    p.turns += 96.0 / 60 * 600
    p.gap(3_600.0)
    assert p.meter.behind
    p.turns += 96.0 / 60
    p.t_us += 1_000_000
    p.meter.second(96.0, 1_000_000, 96.0 / 60)
    assert p.meter.behind and p.meter.hours - before == pytest.approx(1 / 3_600)
    p.run(96.0, 2)
    assert not p.meter.behind
    assert p.meter.hours - before == pytest.approx((600 + 3) / 3_600, abs=2 / 3_600)


@pytest.mark.parametrize(("rpm", "gap_s", "behind"), [(96.0, 59.0, False), (96.0, 60.0, True), (0.0, 3_600.0, False)])
def test_hours_are_behind_only_after_a_minute_and_while_she_runs(rpm: float, gap_s: float, behind: bool) -> None:
    """A short gap is worth no waiting, and at a standstill there is nothing to wait for."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(rpm, 60)
    p.gap(gap_s)
    assert p.meter.behind is behind


@pytest.mark.parametrize(("gap_s", "through"), [(7_200.0, True), (7_201.0, False)])
def test_over_two_hours_nobody_says_that_she_ran_through(gap_s: float, through: bool) -> None:
    """By the count of turns she did; a short stop could hide in it."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.unseen((96.0, gap_s))
    p.run(96.0, 2)
    assert p.meter.ran_through is through


def test_a_head_that_started_anew_in_the_gap_counts_by_the_speed_on_either_side() -> None:
    """Its turns begin at nought and say nothing of the gap."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 60)
    p.boot, p.turns = 2, -96.0 / 60 * 600
    p.unseen((96.0, 600.0))
    p.run(96.0, 60)
    assert p.meter.hours == pytest.approx(720 / 3_600, abs=1e-6)


def test_a_restart_at_the_very_end_of_a_burst_loses_no_pause() -> None:
    """Of that burst one health frame is seen and half a second, which is closed by the pause; the next burst's first
    health frame comes before the samples that show it."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(96.0, 6)
    p.restart()
    p.unseen((96.0, 1_200.0))
    p.turns += 96.0 / 60 * 1_194
    p.t_us += 1_194_500_000
    p.health()
    p.meter.second(96.0, 500_000, 0.8)
    p.meter.gap(1_194_000_000)
    p.health()
    p.run(96.0, 6)
    assert p.meter.hours == pytest.approx((6 + 1_200 + 0.5 + 1_194 + 6) / 3_600, abs=1e-6)


SPEEDS = st.sampled_from([96.0, 80.0, 60.0, 40.0, -40.0, 0.0])


@settings(max_examples=60)
@given(st.lists(st.tuples(SPEEDS, st.integers(120, 3_000), st.floats(0.2, 3.0)), min_size=3, max_size=12))
def test_short_losses_cost_nothing(voyage: list[tuple[float, int, float]]) -> None:
    """Frames lost at random while the speed holds: within 0.1 % of the hours, whatever the speeds."""
    p, true_s = Played(HoursMeter(0.0, 2.0)), 0.0
    for rpm, seconds, gap_s in voyage:
        p.run(rpm, seconds // 2)
        p.unseen((rpm, gap_s))
        p.run(rpm, seconds - seconds // 2)
        true_s += (seconds + gap_s) * (abs(rpm) >= 2.0)
    assert p.meter.hours * 3_600 == pytest.approx(true_s, rel=1e-3, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1])
def test_a_simulated_voyage_keeps_its_hours(seed: int) -> None:
    """A random voyage of the simulated head with stops, astern, lost frames and pauses: within 0.1 % of the truth."""
    counted, true = hours_of_voyage(seed)
    assert counted == pytest.approx(true, rel=1e-3)


def test_mean_speed_over_a_pause_is_the_heads_count() -> None:
    """Within what whole turns leave; not known where the pause was short, the engine stopped, or nobody counted."""
    p = Played(HoursMeter(0.0, 2.0))
    p.run(91.0, 10)
    p.unseen((90.0, 600.0))
    p.run(89.0, 10)
    assert p.meter.pause_rpm == pytest.approx(90.0, abs=0.2)
    p.unseen((90.0, 60.0))
    p.run(89.0, 10)
    assert p.meter.pause_rpm is None
    p.unseen((90.0, 300.0), (0.0, 300.0))
    p.run(90.0, 10)
    assert p.meter.pause_rpm is None
    p = Played(HoursMeter(0.0, 2.0), fitted=False)
    p.run(91.0, 10)
    p.unseen((90.0, 600.0))
    p.run(89.0, 10)
    assert p.meter.pause_rpm is None
