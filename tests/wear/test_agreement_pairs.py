"""Agreement where the tightener is locked, and where lag and spring stepped together: which causes, in which order."""

import pytest
from drive_engines import tern

from gateway.wear import geometry
from gateway.wear.agreement import PART_Z, SAME_TIME_H, Agreement, Evidence, StepSeen, agreement
from gateway.wear.causes import Cause
from gateway.wear.elongation import Change, growth_from_lag

LOCKED = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
LAG = Change(0.3, 0.03)
STILL = Change(0.1, 0.05)


def lag_step(size: float, hours: float = 2_000, stopped: bool = False) -> StepSeen:
    return StepSeen("lag", size, 0.02, hours, stopped)


def spring_step(size: float, hours: float = 2_000, stopped: bool = False) -> StepSeen:
    return StepSeen("spring", size, 0.1, hours, stopped)


def named(found: Agreement) -> tuple[str, ...]:
    assert found.state == "part"
    return found.causes


def test_a_locked_tightener_that_stepped_is_loose_wherever_it_stands_now() -> None:
    """It may have come back: that it moved at all is what is told, and the transducer is the other thing to look at."""
    found = agreement(LOCKED, Evidence(4_000, LAG, STILL, (spring_step(0.3),)))
    assert named(found) == (Cause.LOCK_LOOSE.value, Cause.TRANSDUCER.value)


def test_a_locked_tightener_is_not_called_loose_within_what_is_not_known() -> None:
    """Beyond its bound, but by less than the length's own uncertainty explains."""
    moved = LOCKED.tightener.moved_mm
    se = 0.4
    assert agreement(LOCKED, Evidence(4_000, LAG, Change(moved + 0.9 * PART_Z * se, se))).state == "unknown"
    for sign in (1, -1):
        found = agreement(LOCKED, Evidence(4_000, LAG, Change(sign * (moved + 1.1 * PART_Z * se), se)))
        assert named(found)[0] == Cause.LOCK_LOOSE


def test_a_lag_that_stepped_beside_a_locked_tightener_is_no_loose_lock() -> None:
    """The lag's own causes, and no word of the tightener that has stood still."""
    causes = named(agreement(LOCKED, Evidence(4_000, Change(0.7, 0.03), STILL, (lag_step(0.4),))))
    assert causes[0] == Cause.COUPLING
    assert Cause.LOCK_LOOSE not in causes


def test_a_locked_tightener_and_a_lag_that_both_moved_are_both_named() -> None:
    """Neither finding takes the other's place."""
    steps = (lag_step(0.4, 1_000), spring_step(1.5, 2_500))
    causes = named(agreement(LOCKED, Evidence(4_000, Change(0.7, 0.03), Change(1.5, 0.05), steps)))
    assert {Cause.COUPLING.value, Cause.LOCK_LOOSE.value} <= set(causes)


def test_beside_a_locked_tightener_lag_and_rule_are_compared() -> None:
    """Together they agree, apart they part by so many uncertainties, and the rule itself is a suspect."""
    grown = growth_from_lag(LOCKED, LAG)
    near = agreement(LOCKED, Evidence(4_000, LAG, STILL, hand_growth=Change(grown.value + 0.002, 0.01)))
    assert near.state == "agree" and near.z == pytest.approx(0.002 / (grown.se**2 + 0.01**2) ** 0.5)
    far = agreement(LOCKED, Evidence(4_000, LAG, STILL, hand_growth=Change(grown.value + 0.3, 0.01)))
    assert far.z == pytest.approx(0.3 / (grown.se**2 + 0.01**2) ** 0.5)
    causes = named(far)
    assert Cause.LOCK_LOOSE not in causes and Cause.HAND_MEASURE in causes


def test_a_loose_lock_is_named_beside_a_lag_that_parts_from_the_rule() -> None:
    """Both of them, with the distance of the two that could be compared."""
    grown = growth_from_lag(LOCKED, LAG)
    found = agreement(LOCKED, Evidence(4_000, LAG, Change(2.0, 0.05), hand_growth=Change(grown.value + 0.3, 0.01)))
    causes = named(found)
    assert Cause.LOCK_LOOSE in causes
    assert found.z == pytest.approx(0.3 / (grown.se**2 + 0.01**2) ** 0.5)


def both(
    lag_deg: float, spring_mm: float, apart_h: float = 0.0, stopped: tuple[bool, bool] = (False, False)
) -> Agreement:
    steps = (lag_step(lag_deg, 2_000, stopped[0]), spring_step(spring_mm, 2_000 + apart_h, stopped[1]))
    return agreement(tern(), Evidence(4_000, Change(0.3 + lag_deg, 0.03), Change(2.47 + spring_mm, 0.2), steps))


def in_ratio(lag_deg: float) -> float:
    """The spring's step that the same growth of the chain makes."""
    percent = geometry.elongation_from_lag_deg(tern(), lag_deg)
    return percent * geometry.spring_mm_per_percent(tern())


def test_both_at_once_under_way_in_wear_s_ratio_is_the_chain() -> None:
    """A link that gave way; work that was not booked needs a stop, so it is not named."""
    assert named(both(0.4, in_ratio(0.4))) == (Cause.CHAIN_DAMAGED.value,)


@pytest.mark.parametrize("stopped", [(True, False), (False, True), (True, True)])
def test_both_at_once_over_a_stop_is_first_of_all_work(stopped: tuple[bool, bool]) -> None:
    """In wear's ratio the chain is named second, in another it is not; either series may have seen the stop."""
    assert named(both(0.4, in_ratio(0.4), stopped=stopped)) == (
        Cause.WORK_NOT_BOOKED.value, Cause.CHAIN_DAMAGED.value,
    )  # fmt: skip
    assert named(both(0.4, -3.0, stopped=stopped)) == (Cause.WORK_NOT_BOOKED.value,)


@pytest.mark.parametrize(("spring_mm", "cause"), [(-3.0, Cause.SPRING), (9.0, Cause.NUT)])
def test_both_at_once_out_of_ratio_are_two_things(spring_mm: float, cause: Cause) -> None:
    """The coupling first; then the chain, and spring or nut by the way the length went."""
    causes = named(both(0.4, spring_mm))
    assert causes[0] == Cause.COUPLING
    assert {Cause.CHAIN_DAMAGED.value, cause.value} == set(causes[1:])


def test_a_jump_of_a_tooth_with_the_spring_is_a_jump() -> None:
    """Whole teeth in the lag: the chain comes second, however the spring went."""
    assert named(both(8.0, 4.0))[0] == Cause.TOOTH_JUMP


def test_steps_are_of_one_event_up_to_the_hour() -> None:
    """At the bound they are one, beyond it two: then each has its own causes."""
    together = both(0.4, in_ratio(0.4), apart_h=SAME_TIME_H)
    assert named(together) == (Cause.CHAIN_DAMAGED.value,)
    apart = both(0.4, in_ratio(0.4), apart_h=SAME_TIME_H + 1)
    assert {Cause.COUPLING.value, Cause.NUT.value} <= set(named(apart))


def test_a_step_and_a_slow_parting_are_both_told() -> None:
    """The nut backed off in a step, and the lag strays from the spring besides: both, with the distance."""
    found = agreement(tern(), Evidence(4_000, Change(1.2, 0.03), Change(2.5 + 4.0, 0.2), (spring_step(4.0),)))
    assert found.z is not None and found.z > PART_Z
    assert {Cause.NUT.value, Cause.COUPLING.value} <= set(named(found))
