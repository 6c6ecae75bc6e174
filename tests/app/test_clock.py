"""The system clock as the kernel tells it, and its steps."""

import time
from pathlib import Path

import daemon_rig as rig
import pytest

from gateway.app import clock
from gateway.app.clock import STANDS_S, STEP_S, ClockSteps, clock_synchronised, utc_less_boot_s
from gateway.app.daemon import Daemon
from gateway.model.settings_file import checked_settings, fingerprint


@pytest.mark.parametrize(("kernel", "said"), [*((n, True) for n in range(5)), (5, False), (-1, None)])
def test_what_the_kernel_says_is_taken_as_it_means_it(
    monkeypatch: pytest.MonkeyPatch, kernel: int, said: bool | None
) -> None:
    """adjtimex(2): 0 to 4 are states of a clock that is kept (with leap seconds), 5 is not; a refusal says nothing."""
    monkeypatch.setattr(clock, "_adjtimex", lambda _: kernel)
    assert clock_synchronised() is said


def test_a_system_without_the_call_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """No alarm is made of not knowing."""
    monkeypatch.setattr(clock, "_adjtimex", None)
    assert clock_synchronised() is None


def test_the_true_kernel_answers() -> None:
    """The call is found and its structure is large enough: an answer, or `None` where a sandbox forbids it."""
    assert clock_synchronised() in (True, False, None)
    apart_s = utc_less_boot_s()
    assert apart_s is None or time.time() - apart_s >= 0.0


def test_a_step_is_told_for_ten_minutes_and_slewing_is_not() -> None:
    """Half a second at once in either direction is a step; a fast time daemon's half millisecond a second never is."""
    steps = ClockSteps()
    apart_s = 1_000.0
    for second in range(3_600):
        apart_s += 0.0005
        assert steps.look(apart_s, float(second)) is None
    for sign, words in ((1.0, "+0.6 s"), (-1.0, "-0.6 s")):
        at_s = second + 1_000.0 * (2 + sign)
        apart_s += sign * (STEP_S + 0.1)
        assert words in (steps.look(apart_s, at_s) or "")
        assert words in (steps.look(apart_s, at_s + STANDS_S) or "")
        assert steps.look(apart_s, at_s + STANDS_S + 1.0) is None


def test_a_look_that_was_held_up_is_no_step() -> None:
    """Where the two clocks could not be read in one moment nothing is compared, and the next look goes on."""
    steps = ClockSteps()
    assert [steps.look(a, float(n)) for n, a in enumerate((5.0, None, 5.0, None, 5.1))] == [None] * 5


def test_reading_of_both_clocks_gives_up_when_held_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that was put aside between the two readings does not take that for a difference."""
    readings = iter((100.0, 100.2, 200.0, 200.01))
    monkeypatch.setattr(clock.time, "clock_gettime", lambda _: next(readings))
    monkeypatch.setattr(clock.time, "time", lambda: 1_000.0)
    assert [utc_less_boot_s(), utc_less_boot_s()] == [None, 800.0]


def test_the_daemon_doubts_a_clock_that_is_not_kept_or_steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the whole daemon: `clock-doubtful` for both reasons, and not where head time leads."""
    data = rig.example(tmp_path, None)
    data["page"] = {"enabled": False}
    data["alarms"]["clock-doubtful"] = {"on_delay_s": 0, "off_delay_s": 0}
    settings = checked_settings(data)
    daemon = Daemon(settings, fingerprint(settings))
    alarm = daemon.own.alarms["clock-doubtful"]
    kept: list[bool | None] = [True]
    apart = [1_000.0]
    monkeypatch.setattr("gateway.app.health.clock_synchronised", lambda: kept[0])
    monkeypatch.setattr("gateway.app.health.utc_less_boot_s", lambda: apart[0])
    daemon.start()
    try:
        assert alarm.state == "normal"
        kept[0] = False
        daemon.watch()
        assert alarm.state == "unacknowledged" and "kept in time by nothing" in alarm.facts.text
        kept[0] = None
        daemon.watch()
        assert alarm.state == "returned"
        apart[0] += 3_600.0
        daemon.watch()
        assert alarm.state == "unacknowledged" and "stepped by +3,600.0 s" in alarm.facts.text
    finally:
        daemon.stop()
    data["time"] = {"source": "head", "start": "2031-01-01T00:00:00Z"}
    settings = checked_settings(data)
    daemon = Daemon(settings, fingerprint(settings), data_dir=tmp_path / "other")
    kept[0] = False
    daemon.start()
    try:
        assert all(a.state == "normal" for a in daemon.own.alarms.alarms.values())
    finally:
        daemon.stop()
