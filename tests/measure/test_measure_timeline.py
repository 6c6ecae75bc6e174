"""Pipeline time never steps; UTC follows the system clock slowly, learns a step anew, or is counted from a start."""

import pytest

from gateway.measure.timeline import STEP_FRAMES, Now, Timeline

UTC = 1_700_000_000.0


def run(t: Timeline, seconds: int, head_s: float, mono_s: float, utc_s: float, boot: int = 1) -> float:
    """So many seconds of frames; returns the pipeline time of the last, s."""
    for k in range(seconds):
        now = Now(mono_s + k, utc_s + k)
        head_us = round((head_s + k) * 1e6)
        t.reached(head_us + t.frame(boot, head_us, now), now)
    return t.t_us / 1e6


def test_from_a_given_start_utc_is_head_time_alone() -> None:
    """Source `head`: whatever the system clock says, UTC is the start plus what the head counted."""
    t = Timeline("head", UTC)
    end_s = run(t, 100, 5_000.0, 1.0, 12.0)
    assert end_s == pytest.approx(99.0)
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 99.0)


def test_from_the_system_clock_utc_is_learnt_at_once() -> None:
    """The first frame's arrival fixes the offset."""
    t = Timeline("system")
    run(t, 100, 5_000.0, 1.0, UTC)
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 99.0)


def test_small_drift_is_followed_slowly() -> None:
    """A second off: no step is told, and after an hour it is mostly gone, never faster than a 600th a frame."""
    t = Timeline("system")
    run(t, 10, 0.0, 0.0, UTC)
    before = t.utc_s(t.t_us)
    run(t, 1, 10.0, 10.0, UTC + 11.0)
    assert t.utc_s(t.t_us) - before == pytest.approx(1.0, abs=0.01)
    run(t, 3_600, 11.0, 11.0, UTC + 12.0)
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 12.0 + 3_599, abs=0.01)
    assert t.steps == 0


@pytest.mark.parametrize("step_s", [3_600.0, -3_600.0])
def test_a_step_of_the_system_clock_moves_utc_and_no_duration(step_s: float) -> None:
    """Learnt anew after five frames, counted once; pipeline time goes on second by second."""
    t = Timeline("system")
    run(t, 10, 0.0, 0.0, UTC)
    begin_us = t.t_us
    run(t, STEP_FRAMES - 1, 10.0, 10.0, UTC + 10 + step_s)
    assert t.steps == 0
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 9 + STEP_FRAMES - 1, abs=0.1)
    run(t, 1, 10.0 + STEP_FRAMES - 1, 10.0 + STEP_FRAMES - 1, UTC + 10 + STEP_FRAMES - 1 + step_s)
    assert t.steps == 1
    run(t, 19, 10.0 + STEP_FRAMES, 10.0 + STEP_FRAMES, UTC + 10 + STEP_FRAMES + step_s)
    assert t.steps == 1
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 9 + STEP_FRAMES - 1 + 20 + step_s, abs=0.1)
    assert t.t_us - begin_us == (STEP_FRAMES - 1 + 20) * 1_000_000


def test_a_restart_of_the_head_goes_on_from_where_we_were() -> None:
    """Its clock begins at nought: by the system clock the time away counts; from a start it cannot be known."""
    for source, away_s in (("system", 30.0), ("head", 0.0)):
        t = Timeline(source, UTC)
        run(t, 100, 7_000.0, 0.0, UTC)
        end_s = run(t, 10, 0.0, 99.0 + 30.0, UTC + 99.0 + 30.0, boot=2)
        assert end_s == pytest.approx(99.0 + away_s + 9.0)
        assert t.utc_s(t.t_us) == pytest.approx(UTC + end_s, abs=0.1)


def test_a_head_clock_that_steps_back_does_not_turn_time_back() -> None:
    """Time goes on from where it was, then at the head's pace."""
    t = Timeline("head", UTC)
    run(t, 100, 500.0, 0.0, UTC)
    assert run(t, 10, 200.0, 100.0, UTC) == pytest.approx(99.0 + 9.0)


def test_rounding_back_by_less_than_a_frame_is_no_step() -> None:
    """A tenth of a second earlier than already reached: the same offset, and time does not turn back."""
    t = Timeline("head", UTC)
    run(t, 10, 0.0, 0.0, UTC)
    offset = t.frame(1, 8_950_000, Now(10.0, UTC))
    t.reached(8_950_000 + offset, Now(10.0, UTC))
    assert (offset, t.t_us) == (0, 9_000_000)


def test_silence_is_counted_by_the_gateways_clock_only_where_there_is_one() -> None:
    """`idle` moves time by the monotonic clock, once; with source `head` time stands."""
    t = Timeline("system")
    run(t, 10, 0.0, 0.0, UTC)
    assert t.idle(Now(15.0, UTC + 15.0)) == 9_000_000 + 6_000_000
    assert t.idle(Now(16.0, UTC + 16.0)) == 16_000_000
    h = Timeline("head", UTC)
    run(h, 10, 0.0, 0.0, UTC)
    assert h.idle(Now(500.0, UTC + 500.0)) == 9_000_000


def test_a_restart_of_the_gateway_goes_on_in_the_same_time() -> None:
    """The same boot of the head: its own clock tells how long we were away, to the µs, whatever ours says."""
    t = Timeline("head", UTC)
    run(t, 100, 500.0, 0.0, UTC)
    new = Timeline("head", UTC)
    new.restore(t.checkpoint())
    assert run(new, 10, 1_000.0, 0.0, UTC) == pytest.approx(500.0 + 9.0)
    assert new.utc_s(new.t_us) == pytest.approx(UTC + 509.0)


def test_a_restart_of_both_counts_what_passed_by_utc() -> None:
    """Gateway and head restarted: the system clock tells how long, and shelvings and delays have gone on."""
    t = Timeline("system")
    run(t, 100, 500.0, 0.0, UTC)
    new = Timeline("system")
    new.restore(t.checkpoint())
    end_s = run(new, 10, 0.0, 3.0, UTC + 99.0 + 3_600.0, boot=2)
    assert end_s == pytest.approx(99.0 + 3_600.0 + 9.0, abs=0.5)


def test_a_restart_of_both_after_months() -> None:
    """The more time has been counted, the more a small error in it would weigh."""
    t = Timeline("system")
    t.restore({"t_us": 10_000_000_000_000, "boot": 1, "offset_us": 0, "utc_offset_s": UTC - 10_000_000.0})
    assert run(t, 1, 0.0, 3.0, UTC + 60.0, boot=2) == pytest.approx(10_000_060.0, abs=1e-3)


def test_utc_is_learnt_in_silence_too() -> None:
    """Begun anew from a checkpoint that knew no UTC, and no head is heard."""
    t = Timeline("system")
    t.restore({"t_us": 5_000_000, "boot": 1, "offset_us": 0, "utc_offset_s": None})
    assert t.utc_s(t.idle(Now(1.0, UTC))) == UTC


def test_a_given_start_is_not_overruled_by_what_was_kept() -> None:
    """Nor is anything learnt from a checkpoint that knew no UTC."""
    kept = {"t_us": 5_000_000, "boot": 1, "offset_us": 0, "utc_offset_s": 12.0}
    given = Timeline("head", UTC)
    given.restore(kept)
    assert given.utc_s(5_000_000) == UTC + 5.0
    for made, utc_s in ((Timeline("head", UTC), UTC + 5.0), (Timeline("system"), 5.0)):
        made.restore(kept | {"utc_offset_s": None})
        assert made.utc_s(5_000_000) == utc_s
