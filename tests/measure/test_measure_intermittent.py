"""Drop-outs that come again and again, and slips that a zero alone mends."""

import json

import pytest

from gateway.measure.intermittent import OFTEN, WINDOW_S, Intermittent
from gateway.measure.seconds import Second
from gateway.measure.sensors import SensorWatch
from gateway.model.records import Health
from gateway.model.settings import Transducer

TRANSDUCER = Transducer(at_4ma_mm=150.0, at_20ma_mm=230.0)


def test_a_fault_stands_once_drop_outs_come_often_and_until_none_is_left() -> None:
    """The fifth within five minutes raises it; it ends when the last one is five minutes old."""
    drops = Intermittent()
    states = [drops.second(1.0, k % 10 == 0) for k in range(100)]
    assert states.index(True) == 10 * (OFTEN - 1)
    after = [drops.second(1.0, False) for _ in range(400)]
    assert after.index(False) == pytest.approx(WINDOW_S - 9, abs=1)
    assert not any(after[after.index(False) :])


def test_a_break_and_its_repair_are_no_intermittent_fault() -> None:
    """Two drop-outs, or one every two minutes."""
    drops = Intermittent()
    assert not any(drops.second(1.0, k in (3, 40)) for k in range(1_000))
    assert not any(drops.second(1.0, k % 120 == 0) for k in range(1_000))


def test_a_restart_keeps_what_was_seen() -> None:
    """By way of JSON: the fault stands, or comes with the fifth drop-out, as if nothing had happened."""
    for before in (OFTEN - 1, OFTEN):
        drops, again = Intermittent(), Intermittent()
        for k in range(before * 10):
            drops.second(1.0, k % 10 == 0)
        again.restore(json.loads(json.dumps(drops.checkpoint())))
        assert again.stands is drops.stands is (before == OFTEN)
        assert again.second(1.0, True)


def second(**changed: float | bool) -> Second:
    figures = {"span_ns": 1_000_000_000, "covered_us": 1_000_000, "n": 500, "crank_travel": 100_000}
    return Second(**(figures | {"cam_travel": 100_000, "loop_min_ua": 9_900, "loop_max_ua": 10_100} | changed))  # type: ignore[arg-type]


def health(slips: int) -> Health:
    return Health(0, 1, 0, None, None, None, None, None, 0, slips, None, None)


def test_a_loop_that_drops_out_is_named() -> None:
    """A tenth of each second without a current: after five seconds the wire is to be looked at."""
    watch = SensorWatch(TRANSDUCER)
    faults = [watch.second(second(spring_bad_share=0.1), under_way=True).transducer for _ in range(OFTEN)]
    assert faults[:-1] == [""] * (OFTEN - 1)
    assert "loose wire" in faults[-1]


@pytest.mark.parametrize("which", ["crank", "cam"])
def test_a_bit_that_flickers_is_named(which: str) -> None:
    """Valid and not valid in turn: intermittent, in the valid seconds as well."""
    watch = SensorWatch(TRANSDUCER)
    for k in range(2 * OFTEN + 1):
        watch.second(second(**{f"{which}_valid": k % 2 == 0}), under_way=True)
    assert "intermittent" in getattr(watch.now, which)


def test_a_slip_leaves_the_lag_in_doubt_until_the_zero_is_taken() -> None:
    """Long after its alarm is over, over a restart too."""
    watch = SensorWatch(TRANSDUCER)
    watch.health(health(0))
    watch.health(health(1))
    for _ in range(2_000):
        watch.second(second(), under_way=True)
    assert watch.now.cam == ""
    again = SensorWatch(TRANSDUCER)
    again.restore(json.loads(json.dumps(watch.checkpoint())))
    for w in (watch, again):
        assert "cam encoder slipped" in w.lag_doubt
        w.zeroed()
        assert w.lag_doubt == ""
