"""Running hours of a head that sends bursts, whose first health frame comes before the samples that show the pause."""

import json

import pytest
from firmware_sim_voyages import fed, pipeline, tern_settings

from firmware_sim import Head, parse_scenario
from gateway.measure.hours import HoursMeter

TURNS_PER_S = 96 / 60


def count(meter: HoursMeter, t_s: float) -> None:
    """A health frame at that time, of an engine that never stopped."""
    meter.health(1, int(t_s * TURNS_PER_S), round(t_s * 1e6))


def burst(meter: HoursMeter, begin_s: float, *, gap_s: float, health_first_s: tuple[float, ...]) -> None:
    """Three seconds of samples; the counts sent before its first samples come before the gap is told."""
    for at in health_first_s:
        count(meter, begin_s + at)
    if gap_s:
        meter.gap(round(gap_s * 1e6))
    for k in range(1, 4):
        meter.second(96.0, 1_000_000, TURNS_PER_S)
        count(meter, begin_s + k)


@pytest.mark.parametrize("early", [(0.0,), (0.0, 1.0)])
def test_hours_of_the_pause_count(early: tuple[float, ...]) -> None:
    """The pause between two bursts is told by the head's count of turns, also where that count came first."""
    meter = HoursMeter(100.0, 2.0)
    burst(meter, 0.0, gap_s=0.0, health_first_s=(0.0,))
    for n in range(1, 11):
        burst(meter, 1800.0 * n, gap_s=1797.0, health_first_s=early)
    assert meter.hours == pytest.approx(100 + (10 * 1800 + 3) / 3600, abs=1e-3)


def test_a_stop_in_the_pause_is_told_by_the_count_that_came_first() -> None:
    """The first health frame of the burst comes before its samples: half the pause's turns are wanting in it."""
    meter = HoursMeter(0.0, 2.0)
    burst(meter, 0.0, gap_s=0.0, health_first_s=(0.0,))
    before = meter.hours
    meter.health(1, int(900 * TURNS_PER_S), 1_800_000_000)
    meter.gap(1_797_000_000)
    meter.second(96.0, 1_000_000, TURNS_PER_S)
    assert meter.hours - before == pytest.approx((900 - 3 + 1) / 3_600, abs=3 / 3_600)


def test_a_count_ahead_without_a_gap_is_let_go() -> None:
    """A count that no gap explains does not add hours to a later gap in which the engine stood."""
    meter = HoursMeter(0.0, 2.0)
    burst(meter, 0.0, gap_s=0.0, health_first_s=(0.0,))
    before = meter.hours
    for turns in (500, 502, 504):
        meter.health(1, turns, 3_000_000)
        meter.second(96.0, 1_000_000, TURNS_PER_S)
    meter.gap(600_000_000)
    meter.health(1, 506, 606_000_000)
    meter.second(96.0, 1_000_000, TURNS_PER_S)
    assert meter.hours - before == pytest.approx(4 / 3600, abs=3 / 3600)


@pytest.mark.parametrize("after_s", [0.0, 0.2, 0.6, 3.0])
def test_a_restart_within_a_burst_loses_no_pause(after_s: float) -> None:
    """A burst's health frame comes before the samples that tell of the pause: a daemon killed between the two (found by
    a voyage, a power cut in the first tenth of a burst) counted the hours of that pause nowhere."""
    text = "[head]\nrate_hz = 100\nburst_s = 6\nevery_s = 600\n"
    frames = list(Head(parse_scenario(text)).frames(5 * 600.0 + 6))
    settings = tern_settings(head={"burst_pause_s": 594.0})
    first = pipeline(settings)
    fed(first, [data for data, due_us in frames if due_us <= (1_200 + after_s) * 1e6])
    second = pipeline(settings)
    second.restore(json.loads(json.dumps(first.checkpoint())))
    fed(second, [data for data, due_us in frames if due_us > (1_200 + after_s) * 1e6])
    assert second.meter.hours.hours - 21_400 == pytest.approx((5 * 600 + 6) / 3_600, rel=1e-3)


def test_a_burst_whose_last_samples_are_lost_loses_no_pause() -> None:
    """The health frame behind the lost one tells of half a second; the pause after it is time as well (found by a
    voyage with frames swapped)."""
    text = "[head]\nrate_hz = 100\nburst_s = 6\nevery_s = 600\n"
    frames = list(Head(parse_scenario(text)).frames(5 * 600.0 + 6))
    lost = max(k for k, (data, due_us) in enumerate(frames) if due_us <= 1_206e6 and len(data) > 200)
    p = pipeline(tern_settings(head={"burst_pause_s": 594.0}))
    fed(p, [data for k, (data, _) in enumerate(frames) if k != lost])
    assert p.meter.hours.hours - 21_400 == pytest.approx((5 * 600 + 6) / 3_600, rel=1e-3)


@pytest.mark.parametrize("heard", [True, False])
def test_a_gap_that_ends_a_burst_leaves_the_pause_its_count(heard: bool) -> None:
    """A frame lost just before a pause opens a short gap, and the next burst's first count of turns belongs to the
    pause, not to that gap (found by a voyage with frames lost: half an hour was counted nowhere)."""
    meter = HoursMeter(100.0, 2.0)
    burst(meter, 0.0, gap_s=0.0, health_first_s=(0.0,))
    meter.gap(500_000)
    if heard:
        count(meter, 3.6)
    count(meter, 1_800)
    meter.second(96.0, 500_000, 0.5 * TURNS_PER_S)
    meter.gap(1_795_500_000)
    for k in range(1, 4):
        meter.second(96.0, 1_000_000, TURNS_PER_S)
        count(meter, 1_800 + k)
    assert meter.hours == pytest.approx(100 + 1_803 / 3600, abs=1e-3)


def test_a_bit_that_flickers_at_the_beginning_of_a_burst_holds_up_no_pause() -> None:
    """Not valid for two tenths of a second before the first second of each burst is over: the hours of the pause are in
    this burst's readings, not in those of a later one (a voyage's hours were an hour behind)."""
    meter = HoursMeter(0.0, 2.0)
    burst(meter, 0.0, gap_s=0.0, health_first_s=(0.0,))
    for n in range(1, 5):
        count(meter, 1800.0 * n)
        meter.gap(1_797_000_000 if n == 1 else 1_797_800_000)
        meter.gap(200_000)
        for _ in range(2):
            meter.second(96.0, 1_000_000, TURNS_PER_S)
        assert meter.hours == pytest.approx((1800 * n + 2) / 3_600, abs=2 / 3_600)


def test_a_bit_that_flickers_at_the_end_of_a_burst_takes_no_pause_its_count() -> None:
    """The next burst's count comes first, then the half second that was not valid, then the pause that it belongs to
    (found by a voyage: a quarter of the hours were lost while the bit flickered)."""
    meter = HoursMeter(0.0, 2.0)
    for n in range(11):
        begin_s = 600.0 * n
        count(meter, begin_s)
        if n:
            meter.gap(500_000)
            meter.gap(596_500_000)
        for k in range(1, 4):
            meter.second(96.0, 1_000_000, TURNS_PER_S)
            count(meter, begin_s + k)
    assert meter.hours == pytest.approx(6_003 / 3_600, abs=2 / 3_600)


@pytest.mark.parametrize("untold_s", [8.0, 40.0])
def test_time_that_no_gap_tells_stops_no_count(untold_s: float) -> None:
    """The head's clock steps, or the first samples are missed, and the gap shown is too short: the pauses count on."""
    meter = HoursMeter(0.0, 2.0)
    count(meter, 0.0)
    for n in range(1, 11):
        burst(
            meter, 600.0 * n, gap_s=(600.0 if n == 1 else 597.0) - (untold_s if n == 1 else 0.0), health_first_s=(0.0,)
        )
    assert meter.hours == pytest.approx(6_003 / 3_600, abs=(untold_s + 5) / 3_600)


def test_short_gaps_after_a_clock_that_stepped_still_count() -> None:
    """A head without pause whose clock has stepped by 40 s without a word, and whose bit flickers afterwards."""
    meter = HoursMeter(0.0, 2.0)
    count(meter, 0.0)
    for k in range(1, 601):
        meter.gap(1_000_000) if k % 3 == 0 else meter.second(96.0, 1_000_000, TURNS_PER_S)
        meter.health(1, int(k * TURNS_PER_S), (k + 40) * 1_000_000)
    assert meter.hours == pytest.approx(600 / 3_600, abs=3 / 3_600)
