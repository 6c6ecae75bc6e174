"""Faults of the sensors, each told in words, from single seconds."""

from dataclasses import replace
from typing import Any

import pytest

from gateway.measure.seconds import Second
from gateway.measure.sensors import SensorFaults, SensorWatch
from gateway.model.records import Health
from gateway.model.settings import Transducer

T = Transducer(at_4ma_mm=150.0, at_20ma_mm=230.0)
SOUND = SensorFaults()


def second(**changes: Any) -> Second:
    """A second at 96 rpm with a live loop."""
    s = Second(
        t_us=1_000_000, span_ns=1_000_000_000, covered_us=1_000_000, frames=10, n=500, crank_travel=104_858,
        cam_travel=104_858, spring_nm=1.8e8, loop_min_ua=9_900, loop_max_ua=10_300, loop_step_ua=9.0,
    )  # fmt: skip
    return replace(s, **changes)


def health(crank: int | None, cam: int | None) -> Health:
    """A health frame with these counts of slips."""
    return Health(0, 1, 0, 38.0, 55.0, 48.0, 24_000, 12_000, crank, cam, 0, 100)


def test_a_sound_second_has_no_fault() -> None:
    """Running, stopped, and with only one sample frame."""
    w = SensorWatch(T)
    assert w.second(second(), under_way=True) == SOUND
    assert w.second(second(crank_travel=0, cam_travel=3), under_way=False) == SOUND


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"loop_valid": False}, "not valid"),
        (
            {"spring_bad_share": 1.0, "loop_min_ua": 20, "loop_max_ua": 20},
            "0.02 mA is a failed loop (NE 43): wire broken",
        ),
        ({"spring_bad_share": 0.6, "loop_min_ua": 3_700}, "3.70 mA is doubtful (NE 43): wire broken"),
        ({"spring_bad_share": 0.6, "loop_max_ua": 20_700}, "20.70 mA is doubtful (NE 43): short circuit"),
        ({"spring_bad_share": 0.6, "loop_max_ua": 21_600}, "21.60 mA is a failed loop (NE 43): short circuit"),
        ({"loop_step_ua": 151.0}, "noise"),
    ],
)
def test_each_transducer_fault_is_told(changes: dict[str, Any], words: str) -> None:
    """What is seen, and where to look first; the encoders are not blamed for it."""
    faults = SensorWatch(T).second(second(**changes), under_way=True)
    assert words in faults.transducer
    assert (faults.crank, faults.cam) == ("", "")


def test_limits_of_the_transducer_faults() -> None:
    """Half of the samples without a length, and noise at its setting, are still borne."""
    faults = SensorWatch(T).second(second(spring_bad_share=0.5, loop_min_ua=3_700, loop_step_ua=150.0), under_way=True)
    assert faults == SOUND


def test_a_frozen_loop_is_told_after_its_time_under_way_only() -> None:
    """Two minutes of one current with the engine running; standing still in port is no fault."""
    still = second(loop_min_ua=10_000, loop_max_ua=10_001)
    w = SensorWatch(T)
    told = [bool(w.second(still, under_way=True).transducer) for _ in range(125)]
    assert told.index(True) == 119 and all(told[119:])
    assert not w.second(second(), under_way=True).transducer
    w = SensorWatch(T)
    assert not any(w.second(still, under_way=False).transducer for _ in range(500))


def test_a_frozen_loop_is_told_to_the_second() -> None:
    """From the first second without a movement on, each counts once."""
    w, told = SensorWatch(T), []
    w.second(second(), under_way=True)
    for k in range(1, round(T.frozen_after_s) + 2):
        faults = w.second(second(loop_min_ua=10_000, loop_max_ua=10_000), under_way=True)
        told += [k] if "frozen" in faults.transducer else []
    assert told[0] == round(T.frozen_after_s)


def test_a_slowly_moving_loop_is_not_frozen() -> None:
    """Still within each second, but elsewhere a minute later."""
    w = SensorWatch(T)
    for k in range(300):
        ua = 10_000 + k // 50 * 3
        assert not w.second(second(loop_min_ua=ua, loop_max_ua=ua), under_way=True).transducer


@pytest.mark.parametrize(
    ("changes", "which", "words"),
    [
        ({"crank_valid": False, "crank_travel": 0}, "crank", "not valid"),
        ({"cam_valid": False, "cam_travel": 0}, "cam", "not valid"),
        ({"crank_travel": 2}, "crank", "stands still"),
        ({"cam_travel": -2}, "cam", "stands still"),
    ],
)
@pytest.mark.parametrize("way", [1, -1])
def test_each_encoder_fault_is_told(changes: dict[str, Any], which: str, words: str, way: int) -> None:
    """Of the one that is at fault and not of the other, ahead and astern; a dead crank says so."""
    base = second(crank_travel=way * 104_858, cam_travel=way * 104_858)
    faults = SensorWatch(T).second(replace(base, **changes), under_way=True)
    assert words in getattr(faults, which)
    assert getattr(faults, "cam" if which == "crank" else "crank") == ""
    assert faults.crank_dead == (which == "crank")


def test_on_the_turning_gear_a_still_encoder_is_not_yet_told() -> None:
    """At a tenth of a turn a second nothing can be said of the other."""
    assert SensorWatch(T).second(second(crank_travel=6_000, cam_travel=0), under_way=False) == SOUND


@pytest.mark.parametrize("which", ["crank", "cam"])
def test_a_slip_seen_by_the_head_stands_ten_minutes(which: str) -> None:
    """One more index slip than before is told for ten minutes, and then no longer."""
    w = SensorWatch(T)
    counts = {"crank": 3, "cam": 3}
    w.health(health(**counts))
    assert w.second(second(), under_way=True) == SOUND
    counts[which] += 1
    w.health(health(**counts))
    told = [getattr(w.second(second(), under_way=True), which) for _ in range(700)]
    assert "slips on its shaft" in told[0]
    assert sum(map(bool, told)) == 599
    assert not any(getattr(w.now, x) for x in ("crank", "cam", "transducer"))


def test_between_bursts_time_goes_on_for_slips_and_a_frozen_loop() -> None:
    """A slip is told for three pauses of twenty minutes, not for as many as give ten minutes of samples; a loop that is
    the same before a pause and after it is frozen, one that has moved is not."""
    w = SensorWatch(T, slip_shown_s=3_600.0)
    w.health(health(3, 3))
    w.health(health(3, 4))
    told = []
    for _ in range(5):
        told.append(sum(bool(w.second(second(), under_way=True).cam) for _ in range(6)) > 0)
        w.gap(1_194.0)
    assert told == [True, True, True, False, False]
    still = second(loop_min_ua=10_000, loop_max_ua=10_000)
    assert not w.second(still, under_way=True).transducer
    w.gap(1_194.0)
    assert "frozen" in w.second(still, under_way=True).transducer
    w.gap(1_194.0)
    assert not w.second(second(), under_way=True).transducer


def test_first_count_and_a_restarted_head_are_no_slips() -> None:
    """What was counted before us, a count not fitted, and a count begun anew at nought."""
    w = SensorWatch(T)
    for counts in ((7, 7), (7, None), (None, 7), (0, 0)):
        w.health(health(*counts))
        assert w.second(second(), under_way=True) == SOUND


def test_a_restart_forgets_neither_frozen_time_nor_slips() -> None:
    """A fault that needs minutes to show must not look mended after a restart."""
    w = SensorWatch(T)
    still = second(loop_min_ua=10_000, loop_max_ua=10_000)
    w.health(health(1, 1))
    w.health(health(1, 2))
    for _ in range(130):
        w.second(still, under_way=True)
    new = SensorWatch(T)
    new.restore(w.checkpoint())
    assert new.second(still, under_way=True) == w.second(still, under_way=True)
    assert new.now.transducer and new.now.cam
    new.health(health(2, 2))
    assert new.second(still, under_way=True).crank
