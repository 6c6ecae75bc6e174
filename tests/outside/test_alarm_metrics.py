"""The load on people against the published measures of alarm systems.

Source: ISA-18.2 Table 7 / IEC 62682 and the EEMUA 191 grid, as quoted in public (not the bought texts):
one alarm in ten minutes is 144 a day; a flood starts with more than 10 in ten minutes and ends with fewer than 5;
chattering is 3 or more in one minute; stale is more than 24 h (1,440 min); the priority split is 80/15/5.
"""

import pytest

from gateway.alarm.load import AlarmMoved, load_on_people
from gateway.model.enums import AlarmState, Priority

DAY = 86_400.0
NORMAL, CALLS = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED


def calls(times: list[float], tag: str = "", priority: Priority = Priority.WARNING) -> list[AlarmMoved]:
    """An announcement at each time; each of another alarm unless `tag` is given."""
    return [AlarmMoved(t, "main", tag or f"t{n}", priority, NORMAL, CALLS) for n, t in enumerate(times)]


def test_one_in_ten_minutes_is_144_a_day() -> None:
    """ISA-18.2 Table 7: about 1 in ten minutes, 6 an hour and 144 (~150) a day are the same rate."""
    load = load_on_people(calls([600.0 * n for n in range(144)]), 0.0, DAY)
    assert (load.per_day_mean, load.per_day_max, load.per_ten_min_mean) == (144.0, 144, pytest.approx(1.0))
    assert load.floods == ()


@pytest.mark.parametrize(("number", "floods"), [(10, 0), (11, 1)])
def test_a_flood_starts_above_ten_in_ten_minutes(number: int, floods: int) -> None:
    """EEMUA 191 / ISA-18.2: ten in ten minutes are none, eleven are."""
    assert len(load_on_people(calls([30.0 * n for n in range(number)]), 0.0, DAY).floods) == floods


def test_a_flood_ends_below_five_in_ten_minutes() -> None:
    """ISA-18.2: while five or more come in ten minutes it is the same flood; with fewer it is over."""
    burst = [1.0 * n for n in range(11)]
    five_each = burst + [120.0 * n for n in range(1, 30)]
    four_each = burst + [150.0 * n for n in range(1, 30)]
    (long,) = load_on_people(calls(sorted(five_each)), 0.0, DAY).floods
    (short,) = load_on_people(calls(sorted(four_each)), 0.0, DAY).floods
    assert long.seconds > 3_480.0
    assert short.seconds < 620.0


@pytest.mark.parametrize(("times", "chatters"), [([0.0, 20.0, 59.0], True), ([0.0, 30.0, 61.0], False)])
def test_three_in_a_minute_chatter(times: list[float], chatters: bool) -> None:
    """ISA-18.2: three or more of one alarm within a minute."""
    assert bool(load_on_people(calls(times, "slap-high"), 0.0, DAY).chattering) is chatters


@pytest.mark.parametrize(("minutes", "stands"), [(1_440, False), (1_441, True)])
def test_stale_beyond_1440_minutes(minutes: int, stands: bool) -> None:
    """ISA-18.2: an alarm that stands for more than 24 h = 1,440 min."""
    assert bool(load_on_people(calls([0.0]), 0.0, minutes * 60.0).standing) is stands


def test_priority_split() -> None:
    """EEMUA 191: 80/15/5 per cent of low, medium and high read as such."""
    events = (
        calls([float(n) for n in range(80)], priority=Priority.CAUTION)
        + calls([100.0 + n for n in range(15)], priority=Priority.WARNING)
        + calls([200.0 + n for n in range(5)], priority=Priority.ALARM)
    )
    split = load_on_people(events, 0.0, DAY).by_priority
    assert (split["caution"], split["warning"], split["alarm"]) == (80, 15, 5)
