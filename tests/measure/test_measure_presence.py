"""Whether the head is heard, and whether the engine ran on while it was not."""

import json
from dataclasses import replace

import pytest
from firmware_sim_voyages import tern_settings

from gateway.measure.hours import HoursMeter
from gateway.measure.presence import SILENT_S, Presence
from gateway.measure.running import RunningState
from gateway.measure.steadiness import CATCH_UP_US, GLANCE_S, Interruption, Steadiness
from gateway.measure.timeline import Now
from gateway.model.enums import Running
from gateway.model.records import Cycle, Identity

SETTINGS = tern_settings()
HEAD, RUNNING = SETTINGS.head[0], SETTINGS.engine[0].running
WHO = Identity(0, 1, 0, 7, (1, 0), 2_000_000, 14_400, 14_400, HEAD.name or "port-head")
SECOND_US = 1_000_000


def test_a_head_is_silent_after_five_seconds_or_three_pauses() -> None:
    """Interface, section 3."""
    assert Presence(HEAD, head_clock=False).silent_after_s == SILENT_S == 5.0
    assert Presence(replace(HEAD, burst_pause_s=600.0), head_clock=False).silent_after_s == 1_800.0


def test_silence_is_counted_from_the_last_frame_and_ends_with_the_next() -> None:
    """By the gateway's own clock; before the first frame from the first call."""
    p = Presence(HEAD, head_clock=False)
    assert p.quiet_s(Now(100.0, 0.0)) == 0.0 and p.quiet_s(Now(104.0, 0.0)) == 4.0
    assert not p.is_heard
    p.identify(WHO)
    p.heard(Now(105.0, 0.0))
    assert p.is_heard and p.quiet_s(Now(111.0, 0.0)) == 6.0
    assert p.silent(6.0) and not p.silent(7.0)
    assert (p.silent_s, p.is_heard) == (7.0, False)
    p.heard(Now(113.0, 0.0))
    assert p.is_heard and p.silent(5.0)


def test_another_head_is_noticed_once_until_it_goes() -> None:
    """It is not measured meanwhile."""
    p = Presence(replace(HEAD, name="port-head"), head_clock=True)
    other, own = replace(WHO, name="starboard-head"), replace(WHO, name="port-head")
    assert [p.identify(x) for x in (own, other, other, own, other)] == [False, True, False, False, True]
    assert p.is_wrong and not p.is_heard


def test_a_gap_is_a_silence_where_the_head_alone_counts_time() -> None:
    """With the system's clock the gateway has waited through it already."""
    assert [Presence(HEAD, head_clock=by_head).is_silence(5_000_000) for by_head in (True, False)] == [True, False]
    assert not Presence(HEAD, head_clock=True).is_silence(4_999_999)


def at(rpm: float = 90.0) -> Cycle:
    """A steady revolution."""
    return Cycle(0, 0.66, rpm, 1.0, 1.0, 0.1, 180.0, 0.5, (), True)


def steadiness(warm: bool = True) -> tuple[Steadiness, RunningState, HoursMeter]:
    """With the state and the hours that it looks at."""
    running = RunningState(RUNNING)
    running.under_way_s = 1e9 if warm else 0.0
    return Steadiness(RUNNING, 0.0), running, HoursMeter(0.0, RUNNING.turning_rpm)


@pytest.mark.parametrize(
    ("since_s", "warm", "rpm", "ran_on"),
    [(59.0, True, 90.0, True), (61.0, True, 90.0, False), (5.0, False, 90.0, False), (5.0, True, 30.0, False)],
)
def test_an_interruption_is_of_a_warm_drive_that_only_changed_its_speed(
    since_s: float, warm: bool, rpm: float, ran_on: bool
) -> None:
    """Near, warm and at a speed of normal running; and it is told of once."""
    s, running, hours = steadiness(warm)
    assert s.revolution(at(), 1.0, running, hours) is None
    s.second(SECOND_US, Running.CHANGING)
    s.second(2 * SECOND_US, Running.AHEAD)
    assert s.revolution(at(rpm), since_s, running, hours) == Interruption(ran_on, slow=rpm < 60)
    assert s.revolution(at(), 1.0, running, hours) is None


@pytest.mark.parametrize(("rpm", "stood"), [(90.0, True), (30.0, False)])
def test_an_engine_that_stood_and_is_back_at_a_normal_speed(rpm: float, stood: bool) -> None:
    """Hands may have been on the drive; creeping out of port is told apart, and at a normal speed it counts once."""
    s, running, hours = steadiness(warm=False)
    s.second(SECOND_US, Running.STOPPED)
    assert s.revolution(at(rpm), 3_600.0, running, hours) == Interruption(False, stood, slow=not stood)
    s.second(2 * SECOND_US, Running.CHANGING)
    assert s.revolution(at(), 5.0, running, hours) == Interruption(False, not stood)


def test_a_short_restart_leaves_steady_running_uninterrupted() -> None:
    """The speed must be seen again first; that takes a while, and not for ever."""
    for unseen_s, wait_us, interrupted in (
        (GLANCE_S, CATCH_UP_US, False), (GLANCE_S + 1, CATCH_UP_US, True), (GLANCE_S, CATCH_UP_US + 1, True),
    ):  # fmt: skip
        s, running, hours = steadiness()
        s.restore({"steady": True})
        s.resumed(0, round(unseen_s * 1e6))
        s.second(wait_us, Running.CHANGING)
        assert (s.revolution(at(), 1.0, running, hours) is not None) is interrupted


def test_a_standstill_is_remembered_over_a_restart() -> None:
    """The box restarts while the engine lies still: back at a normal speed, hands may have been on the drive."""
    before, _, _ = steadiness()
    before.second(SECOND_US, Running.STOPPED)
    s, running, hours = steadiness()
    s.restore(json.loads(json.dumps(before.state(Running.STOPPED))))
    s.second(2 * SECOND_US, Running.CHANGING)
    assert s.revolution(at(), 3_600.0, running, hours) == Interruption(warm=False, stood=True)


def test_that_the_engine_stood_is_known_until_it_runs_at_a_normal_speed() -> None:
    """On the way out of port it runs steadily at a low speed first."""
    s, running, hours = steadiness()
    s.second(SECOND_US, Running.STOPPED)
    assert s.revolution(at(50.0), 60.0, running, hours) == Interruption(False, slow=True)
    s.second(2 * SECOND_US, Running.CHANGING)
    back = s.revolution(at(), 60.0, running, hours)
    assert back is not None and back.stood and not back.slow
    s.second(3 * SECOND_US, Running.CHANGING)
    again = s.revolution(at(), 60.0, running, hours)
    assert again is not None and not again.stood


def test_a_head_that_is_not_heard_has_no_present() -> None:
    """Asked for later than any figure of its last frame may be old; whatever clock counts the time."""
    p = Presence(HEAD, head_clock=True)
    assert p.present_us(SECOND_US) == SECOND_US + 10 * SECOND_US
    p.identify(WHO)
    p.heard(Now(1.0, 0.0))
    assert p.present_us(SECOND_US) == SECOND_US
    p.silent(SILENT_S)
    assert p.present_us(SECOND_US) == 11 * SECOND_US
