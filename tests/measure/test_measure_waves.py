"""Steady in heavy weather by the mean over whole waves, and never while the speed is being changed."""

import math

import pytest

from gateway.measure.running import RunningState
from gateway.model.enums import Running
from gateway.model.settings import RunningSettings

S = RunningSettings()
SEAS = [(4.0, 12.0), (6.0, 10.0), (8.0, 8.0), (8.0, 20.0), (5.0, 6.0)]


def hunting(
    r: RunningState, mean_rpm: float, rpm: float, period_s: float, seconds: int, begin: int = 0
) -> list[Running]:
    """A state a second while the speed swings about its mean."""
    waves = (rpm * math.sin(2 * math.pi * t / period_s) for t in range(begin, begin + seconds))
    return [r.second(mean_rpm + wave, 1.0) for wave in waves]


@pytest.mark.parametrize(("rpm", "period_s"), SEAS)
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_hunting_is_steady_after_two_minutes(rpm: float, period_s: float, way: float) -> None:
    """From the start in heavy weather, and then throughout."""
    states = hunting(RunningState(S), 90.0 * way, rpm, period_s, 600)
    assert set(states[125:]) == {Running.AHEAD if way > 0 else Running.ASTERN}


@pytest.mark.parametrize(("rpm", "period_s"), SEAS)
def test_the_sea_may_rise_without_a_break(rpm: float, period_s: float) -> None:
    """Calm, then the sea gets up: the engine is steady throughout."""
    r = RunningState(S)
    hunting(r, 90.0, 0.3, 9.0, 300)
    assert set(hunting(r, 90.0, rpm, period_s, 600)) == {Running.AHEAD}


@pytest.mark.parametrize(("rpm", "period_s"), SEAS)
def test_another_speed_in_heavy_weather_is_a_change(rpm: float, period_s: float) -> None:
    """From 92 to 78 within a minute: changing for a while, then steady at the new mean."""
    r = RunningState(S)
    hunting(r, 92.0, rpm, period_s, 300)
    down = [r.second(92 - 14 * t / 60 + rpm * math.sin(2 * math.pi * t / period_s), 1.0) for t in range(60)]
    after = hunting(r, 78.0, rpm, period_s, 300, begin=60)
    assert Running.CHANGING in down + after[:60]
    assert set(after[140:]) == {Running.AHEAD}


def test_manoeuvres_are_no_waves() -> None:
    """Half ahead, slow, half ahead, a minute each: never steady in between but at each speed's own end."""
    r = RunningState(S)
    states = [r.second(60.0 if t // 20 % 2 else 40.0, 1.0) for t in range(600)]
    assert Running.AHEAD not in states


def test_bursts_need_three_like_them() -> None:
    """A burst that swings is steady where three before it had its mean; at another mean it is changing."""
    r = RunningState(S, bursts=True)
    wave = (-10.0, -6.0, -2.0, 2.0, 6.0, 10.0)
    for k in range(5):
        states = [r.second(90.0 + x, 1.0) for x in wave]
        assert (states[-1] is Running.AHEAD) == (k >= 3)
        r.gap(594.0)
    assert [r.second(70.0 + x, 1.0) for x in wave][-1] is Running.CHANGING


def test_a_stop_forgets_the_waves() -> None:
    """After standing, two minutes of waves are needed again."""
    r = RunningState(S)
    hunting(r, 90.0, 7.0, 9.0, 300)
    for _ in range(30):
        r.second(0.0, 1.0)
    assert Running.AHEAD not in hunting(r, 90.0, 7.0, 9.0, 110)
