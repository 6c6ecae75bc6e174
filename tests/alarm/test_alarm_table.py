"""The table of alarms is the one promised to panel and shore."""

import pytest
from drive_engines import tern

from gateway.alarm.judge import _RULES
from gateway.alarm.machine import Alarm
from gateway.alarm.table import BY_TAG, ENGINE_TAGS, GATEWAY_TAGS, ROWS
from gateway.model.enums import Priority
from gateway.model.limits import ALARMS_PER_ENGINE
from gateway.model.settings import AlarmTuning

PROMISED = """
0 lag-near warning | 1 lag-limit alarm | 2 lag-step alarm | 3 tension-low alarm | 4 tension-high warning
5 tightener-moved alarm | 6 tension-step alarm | 7 slap-high warning | 8 elongation-near warning
9 elongation-limit alarm | 10 wear-disagree warning | 11 limit-in-sight caution | 12 retighten-due caution
13 transducer-fault warning | 14 crank-encoder-fault warning | 15 cam-encoder-fault warning | 16 head-silent warning
17 link-poor caution | 18 clock-doubtful caution | 19 delivery-stalled caution | 20 storage-fault warning
21 certificate-expiry caution | 22 head-timing warning | 23 trial warning | 24 shape-changed caution
"""
"""No., tag and default priority, copied from the published interface of this program (its alarm table); 21 and those
behind it were added at the end."""


def promised() -> list[tuple[int, str, str]]:
    """The rows above."""
    parts = [row.split() for line in PROMISED.strip().splitlines() for row in line.split(" | ")]
    return [(int(no), tag, priority) for no, tag, priority in parts]


def test_numbers_tags_and_priorities_are_those_promised() -> None:
    """A panel maps alarm numbers once, at commissioning: none may ever move."""
    made = [(row.no, row.tag, row.priority.value) for row in ROWS]
    assert made[: len(promised())] == promised()
    assert len(promised()) == ALARMS_PER_ENGINE
    assert [row.no for row in ROWS] == list(range(len(ROWS)))


def test_every_row_is_fit_for_its_outlets() -> None:
    """Titles fit 16 characters of IEC 61162-1's ALF, are all different, and are plain ASCII capitals."""
    titles = [row.title for row in ROWS]
    assert len(set(titles)) == len(titles)
    assert all(len(t) <= 16 and t.isascii() and t == t.upper() for t in titles)


def test_every_engine_alarm_has_its_rule_and_refers_to_alarms_that_are() -> None:
    """No row without judgement, no rule without a row, no reference to a tag that is not there."""
    assert set(_RULES) == set(ENGINE_TAGS)
    assert set(ENGINE_TAGS) | set(GATEWAY_TAGS) == set(BY_TAG)
    for row in ROWS:
        assert set(row.held_by) | set(row.suppressed_by) <= set(BY_TAG)
        assert row.on_delay_s >= 0 and row.off_delay_s >= 0 and row.deadband >= 0


def test_a_higher_one_of_a_pair_outranks_the_lower() -> None:
    """One alert for one situation: what stands for another must not be of lesser priority."""
    rank = [Priority.CAUTION, Priority.WARNING, Priority.ALARM, Priority.EMERGENCY_ALARM]
    pairs = [(row.tag, high) for row in ROWS for high in row.suppressed_by]
    assert pairs == [("lag-near", "lag-limit"), ("elongation-near", "elongation-limit")]
    for low, high in pairs:
        assert rank.index(BY_TAG[high].priority) > rank.index(BY_TAG[low].priority)


def test_faults_of_sensors_are_judged_whatever_the_engine_does() -> None:
    """A wire that breaks in port is told in port."""
    for tag in (
        "transducer-fault",
        "crank-encoder-fault",
        "cam-encoder-fault",
        "head-silent",
        "link-poor",
        "head-timing",
    ):
        assert BY_TAG[tag].states == BY_TAG["head-silent"].states
        assert not BY_TAG[tag].settled


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.tag)
def test_settings_override_each_figure_and_nothing_else(row) -> None:  # type: ignore[no-untyped-def]
    """Priority, delays and dead band of any alarm may be set; what is left out keeps the table's value."""
    plain = Alarm(row)
    assert (plain.priority, plain.deadband) == (row.priority, row.deadband)
    tuned = Alarm(row, AlarmTuning(priority=Priority.EMERGENCY_ALARM, on_delay_s=7.5, off_delay_s=0.0, deadband=0.0))
    assert (tuned.priority, tuned.on_delay_us) == (Priority.EMERGENCY_ALARM, 7_500_000)
    assert (tuned.off_delay_us, tuned.deadband) == (0, 0.0)
    part = Alarm(row, AlarmTuning(on_delay_s=1.0))
    assert (part.on_delay_us, part.off_delay_us) == (1_000_000, round(row.off_delay_s * 1e6))


def test_the_shipped_settings_name_only_alarms_of_the_table() -> None:
    """A tuning of an alarm that does not exist would be without effect."""
    assert set(tern().alarms) <= set(ENGINE_TAGS)
