"""Time while no head is heard, before the first frame and after a restart of the gateway."""

import pytest
from firmware_sim_voyages import pipeline, tern_settings

from gateway.alarm.acts import TRIAL, Act
from gateway.measure.timeline import Now, Timeline

UTC = 1_790_000_000.0


def test_utc_is_known_before_any_frame() -> None:
    """A gateway whose head never came still dates what it says by the system clock."""
    timeline = Timeline("system")
    timeline.idle(Now(100.0, UTC))
    assert timeline.utc_s(timeline.idle(Now(105.0, UTC + 5))) == UTC + 5


@pytest.mark.parametrize(("away_s", "reached_s"), [(3_600.0, 3_600.0), (-50.0, 1.0)])
def test_what_passed_while_the_gateway_was_down_counts(away_s: float, reached_s: float) -> None:
    """After a restart without a head, time goes on from the present, not from the checkpoint; and never back."""
    first = Timeline("system")
    first.frame(1, 0, Now(0.0, UTC))
    first.reached(1_000_000, Now(1.0, UTC + 1))
    again = Timeline("system")
    again.restore(first.checkpoint())
    assert again.idle(Now(7.0, UTC + away_s)) / 1e6 == pytest.approx(reached_s, abs=0.01)


def test_head_clock_waits_for_the_head() -> None:
    """Where the head's clock counts the time, nothing arriving moves nothing."""
    timeline = Timeline("head", UTC)
    assert timeline.idle(Now(0.0, 0.0)) == timeline.idle(Now(9.0, 9.0)) == 0
    assert timeline.utc_s(0) == UTC


def test_an_act_before_the_head_was_heard_bears_the_true_time() -> None:
    """A trial alarm in the first second of a gateway's life is no event of 1970."""
    p = pipeline(tern_settings(source="system"))
    p.idle(Now(100.0, UTC))
    assert p.act(Act("try-alarm", TRIAL, "second engineer"))
    assert p.timeline.utc_s(p.timeline.t_us) == UTC


def test_a_clock_that_is_set_while_no_head_is_heard_is_followed() -> None:
    """A box without a battery starts in 1970; the network sets its clock, and the head is still silent: what is
    reported from then on bears the true date, and pipeline time does not jump."""
    t = Timeline("system")
    for n in range(8):
        t.idle(Now(n / 4, 60.0 + n / 4))
    before_us = t.t_us
    for n in range(8, 16):
        t.idle(Now(n / 4, UTC + n / 4))
    assert t.utc_s(t.t_us) == pytest.approx(UTC + 15 / 4)
    assert t.t_us - before_us == 2_000_000
