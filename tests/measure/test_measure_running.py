"""Running state from seconds of speed."""

import pytest

from gateway.measure.running import STANDSTILL_RPM, RunningState
from gateway.model.enums import Running
from gateway.model.settings import RunningSettings

S = RunningSettings()


def play(r: RunningState, *pieces: tuple[float, int]) -> list[Running]:
    """(rpm, seconds) pieces, one state a second."""
    return [r.second(rpm, 1.0) for rpm, n in pieces for _ in range(n)]


def test_unknown_until_heard() -> None:
    """Before the first second nothing is claimed."""
    r = RunningState(S)
    assert (r.state, r.rpm) == (Running.UNKNOWN, None)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_steady_after_the_set_time_in_either_direction(way: float) -> None:
    """Changing for `steady_s`, then steady ahead or astern, with the sign of the speed shown."""
    r = RunningState(S)
    states = play(r, (96.0 * way, 60))
    wanted = Running.AHEAD if way > 0 else Running.ASTERN
    assert states.index(wanted) == int(S.steady_s) - 1
    assert set(states[: int(S.steady_s) - 1]) == {Running.CHANGING}
    assert set(states[int(S.steady_s) :]) == {wanted}
    assert r.rpm == pytest.approx(96.0 * way)
    assert r.under_way_s == pytest.approx(60.0)


def test_standing_and_turning_gear() -> None:
    """A crank that stands, or dithers by one count, is stopped; the turning gear either way is turning."""
    assert set(play(RunningState(S), (0.0, 5))) == {Running.STOPPED}
    r = RunningState(S)
    dither = [r.second(60 * c / 14_400, 1.0) for c in (1, -1, 1, -1, 1, -1)]
    assert set(dither[1:]) == {Running.STOPPED}
    assert play(RunningState(S), (0.12, 5))[-1] is Running.TURNING
    assert play(RunningState(S), (-0.12, 5))[-1] is Running.TURNING
    assert STANDSTILL_RPM < 0.12


def test_speed_may_wander_within_the_band_and_half_again_once_steady() -> None:
    """A swing of `steady_rpm` becomes steady; once steady, one and a half of it is borne; twice of it is a change."""
    r = RunningState(S)
    play(r, (96.0, 40))
    assert play(r, (96.0 + 1.4 * S.steady_rpm, 20))[-1] is Running.AHEAD
    r = RunningState(S)
    play(r, (96.0, 40))
    assert Running.CHANGING in play(r, (96.0 + 2 * S.steady_rpm, 20))
    r = RunningState(S)
    swing = [(96.0 + (S.steady_rpm if k % 2 else 0.0) * 1.6, 5) for k in range(20)]
    assert Running.AHEAD not in play(r, *swing)


def test_a_change_of_speed_becomes_steady_again() -> None:
    """Down to half ahead: changing for `steady_s` and the averaging, then steady; the time under way goes on."""
    r = RunningState(S)
    play(r, (96.0, 60))
    states = play(r, (60.0, 60))
    assert states[5] is Running.CHANGING and states[-1] is Running.AHEAD
    assert states.index(Running.AHEAD) <= S.steady_s + 4
    assert r.under_way_s == pytest.approx(120.0)


def test_stop_and_astern_begin_the_time_under_way_anew() -> None:
    """What warms the drive starts over at each stop and each reversal."""
    r = RunningState(S)
    play(r, (96.0, 60), (0.0, 10))
    assert (r.state, r.under_way_s) == (Running.STOPPED, 0.0)
    play(r, (40.0, 40), (-40.0, 20))
    assert r.state is Running.CHANGING and r.under_way_s <= 20.0


def test_lost_is_unknown_and_steady_only_after_the_whole_time() -> None:
    """After silence nothing is known; steadiness must be shown anew."""
    r = RunningState(S)
    play(r, (96.0, 60))
    r.lost()
    assert (r.state, r.rpm) == (Running.UNKNOWN, None)
    assert play(r, (96.0, 20))[-1] is Running.CHANGING
    assert play(r, (96.0, 15))[-1] is Running.AHEAD


def test_a_short_gap_keeps_the_state() -> None:
    """A lost frame or two in a steady voyage is no change of speed."""
    r = RunningState(S)
    play(r, (96.0, 60))
    for gap_s in (0.1, 2.0, 4.0):
        r.gap(gap_s)
        assert set(play(r, (96.0, 10))) == {Running.AHEAD}


def test_bursts_are_steady_within_seconds_and_the_pauses_count() -> None:
    """Six seconds in ten minutes: steady after three, still steady at the next burst, time under way is head time."""
    r = RunningState(S, bursts=True)
    assert play(r, (96.0, 6))[-1] is Running.AHEAD
    for _ in range(3):
        r.gap(594.0)
        assert set(play(r, (96.0, 6))) == {Running.AHEAD}
    assert r.under_way_s == pytest.approx(3 * 594 + 4 * 6)


@pytest.mark.parametrize(("then", "wanted"), [(-60.0, Running.ASTERN), (60.0, Running.AHEAD), (0.0, Running.STOPPED)])
def test_what_has_changed_in_a_pause_between_bursts_is_seen(then: float, wanted: Running) -> None:
    """Ahead before the pause; astern, slower or stopped after it: never called steady ahead at the old speed."""
    r = RunningState(S, bursts=True)
    play(r, (96.0, 6))
    r.gap(594.0)
    states = play(r, (then, 6))
    assert states[-1] is wanted
    assert Running.AHEAD not in states[:2]


def test_checkpoint_keeps_the_time_under_way_and_nothing_that_must_be_seen_anew() -> None:
    """After a restart the state is unknown until judged; the drive is as warm as before."""
    r = RunningState(S)
    play(r, (96.0, 100))
    new = RunningState(S)
    new.restore(r.checkpoint())
    assert new.state is Running.UNKNOWN
    assert new.under_way_s == pytest.approx(100.0)
    play(new, (0.0, 3))
    assert new.under_way_s == 0.0
