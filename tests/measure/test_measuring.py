"""Measuring as one stage: what it gives to the stages after it, of minutes, of breaks and of the turning gear."""

from firmware_sim_voyages import START_UTC_S, tern_settings

from gateway.link.breaks import StreamBreak
from gateway.measure.measuring import Measuring, SlowMeans
from gateway.measure.medians import REVOLUTIONS_MIN, WINDOW_US
from gateway.measure.slow_turn import WholeTurn
from gateway.model.enums import Running
from gateway.model.records import Cycle

ENGINE = tern_settings().engine[0]
MIN_US = 60_000_000


def measuring() -> Measuring:
    """Of the invented vessel."""
    return Measuring(ENGINE, burst_pause_s=0.0, stale_us=5_000_000, reading_every_us=10_000_000)


def utc_s(t_us: int) -> float:
    """Pipeline time begins with the voyage."""
    return START_UTC_S + t_us / 1e6


def revolution(t_us: int, lag_deg: float) -> Cycle:
    """A steady one."""
    return Cycle(t_us, 0.7, 85.0, lag_deg, lag_deg, 0.2, 180.0, 1.0, (0.1,), True, ())


def test_ten_minutes_close_once_and_name_their_last_revolution() -> None:
    """Before they are over there is nothing; after that they are gone."""
    m = measuring()
    for n in range(REVOLUTIONS_MIN):
        m.gather(revolution(MIN_US * n, 0.5 + n))
    assert m.close(WINDOW_US - 1, utc_s) is None
    closed = m.close(WINDOW_US, utc_s)
    assert closed is not None and closed.window is not None
    assert closed.t_us == MIN_US * (REVOLUTIONS_MIN - 1) and not closed.warm
    assert closed.window.median.lag_deg == 0.5 + (REVOLUTIONS_MIN - 1) / 2
    assert m.close(2 * WINDOW_US, utc_s) is None


def test_too_few_revolutions_close_without_a_median() -> None:
    """What goes with them is closed all the same."""
    m = measuring()
    m.gather(revolution(0, 0.5))
    closed = m.close(WINDOW_US, utc_s)
    assert closed is not None and closed.window is None


def test_a_break_lets_the_time_pass() -> None:
    """Without a second that was begun there is none to close; time that is not known does not pass."""
    m = measuring()
    assert m.broke(StreamBreak("pause", 1, 0, 1, 4_000_000)) is None
    assert m.meter.seen_us == 4_000_000
    m.broke(StreamBreak("time-step", 1, 0, 1, -9_000_000))
    assert m.meter.seen_us == 4_000_000


def test_a_turn_each_way_on_the_turning_gear_is_one_pair() -> None:
    """Asked each second: the same turn counts once, and only while the engine stands or is turned."""
    m = measuring()
    m.meter._slow.turn = WholeTurn(0.0, MIN_US)
    assert m.meter.running.state is Running.UNKNOWN and m.turned(utc_s) is None
    m.meter.running.state = Running.TURNING
    assert m.turned(utc_s) is None
    m.meter._slow.turn = WholeTurn(-182.0, 3 * MIN_US, -1)
    pair = m.turned(utc_s)
    assert pair is not None and pair.turning and pair.utc_s == utc_s(3 * MIN_US)
    assert abs(pair.deg - (182.0 * 360 / 65_536 - ENGINE.lost_motion.coupling_play_deg)) < 1e-9
    assert m.turned(utc_s) is None


def test_the_slow_means_are_those_of_the_meter() -> None:
    """Not known before a revolution."""
    m = measuring()
    assert m.slow_means(5.0) == SlowMeans(5.0, ENGINE.service.hours_at_start, None, None)
    m.jumped("lag", 1.5)
    m.jumped("spring", 180.0)
    assert m.slow_means(5.0) == SlowMeans(5.0, ENGINE.service.hours_at_start, 1.5, 180.0)


def test_work_under_way_keeps_the_mean_of_the_lag() -> None:
    """Entered while the engine runs, nothing was moved; at standstill what the mean holds is of before the work."""
    for state, kept in ((Running.AHEAD, 1.5), (Running.STOPPED, None)):
        m = measuring()
        m.jumped("lag", 1.5)
        m.meter.running.state = state
        m.rebase(0.25, 200.0, lag=True, spring=False)
        assert (m.meter.zero_deg, m.meter.free_length_mm) == (0.25, 200.0)
        assert m.slow_means(0.0).raw_deg == kept
