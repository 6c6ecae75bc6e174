"""The load on people: what counts as an announcement, and the figures against slow, plain counting."""

from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.load import AlarmMoved, Flood, load_on_people
from gateway.model.enums import AlarmState, Priority

DAY = 86_400.0
NORMAL, CALLS, SEEN, BACK = (
    AlarmState.NORMAL,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
)


def moved(
    at_s: float,
    tag: str = "lag-near",
    came_from: AlarmState = NORMAL,
    to: AlarmState = CALLS,
    engine: str | None = "main",
    priority: Priority = Priority.WARNING,
) -> AlarmMoved:
    return AlarmMoved(at_s, engine, tag, priority, came_from, to)


def test_only_coming_to_call_is_an_announcement() -> None:
    """Raising, raising anew and coming back from the shelf call; repeats, accepting, returning and reminders do not."""
    calling = [moved(1.0), moved(2.0, came_from=BACK), moved(3.0, came_from=AlarmState.SHELVED)]
    silent = [
        moved(4.0, came_from=CALLS),
        moved(5.0, came_from=CALLS, to=SEEN),
        moved(6.0, came_from=SEEN, to=NORMAL),
        moved(7.0, came_from=CALLS, to=BACK),
        moved(8.0, came_from=AlarmState.OUT_OF_SERVICE, to=AlarmState.OUT_OF_SERVICE),
    ]
    assert load_on_people(calling + silent, 0.0, DAY).announcements == len(calling)
    assert load_on_people(silent, 0.0, DAY).announcements == 0


def test_figures_of_a_plain_month() -> None:
    """Thirty days with one announcement at noon of each: one a day, none standing, each figure by hand."""
    events = []
    for day in range(30):
        noon = day * DAY + 43_200
        events += [moved(noon), moved(noon + 60, came_from=CALLS, to=SEEN), moved(noon + 90, came_from=SEEN, to=NORMAL)]
    load = load_on_people(events, 0.0, 30 * DAY)
    assert (load.announcements, load.per_day_mean, load.per_day_max, load.per_ten_min_max) == (30, 1.0, 1, 1)
    assert load.per_ten_min_mean == pytest.approx(30 / (30 * 144))
    assert (load.floods, load.flood_percent, load.chattering, load.standing) == ((), 0.0, (), ())
    assert load.frequent == (("main/lag-near", 30),)
    assert load.by_priority == {"emergency-alarm": 0, "alarm": 0, "warning": 30, "caution": 0}


def test_engines_and_the_gateway_are_told_apart() -> None:
    """The same tag of two engines is two alarms, and the gateway's own stands without an engine's name."""
    events = [moved(1.0), moved(2.0, engine="aux"), moved(3.0, engine="aux"), moved(4.0, "storage-fault", engine=None)]
    assert load_on_people(events, 0.0, DAY).frequent == (
        ("aux/lag-near", 2),
        ("main/lag-near", 1),
        ("storage-fault", 1),
    )


def test_most_frequent_are_five() -> None:
    """Of seven tags the five that came most are named, most first, equals by name."""
    events = [moved(float(n), f"tag-{k}") for k in range(7) for n in range(k + 1)]
    assert [name for name, _ in load_on_people(events, 0.0, DAY).frequent] == [f"main/tag-{k}" for k in (6, 5, 4, 3, 2)]


def test_standing_is_what_stays_active_beyond_a_day() -> None:
    """Active more than 24 h stands, acknowledged or not; what returned, was put away, or is younger does not."""
    events = [
        moved(0.0, "old"),
        moved(5.0, "old", came_from=CALLS, to=SEEN),
        moved(10.0, "back"),
        moved(20.0, "back", came_from=CALLS, to=BACK),
        moved(10.0, "away"),
        moved(20.0, "away", came_from=CALLS, to=AlarmState.SHELVED),
        moved(DAY, "young"),
    ]
    assert load_on_people(events, DAY, 2 * DAY).standing == ("main/old",)
    assert load_on_people(events, 0.0, DAY).standing == ()


def test_figures_are_plain_data_and_text() -> None:
    """Trend, report and status get the same figures, as plain data and as one line of text each."""
    load = load_on_people([moved(1.0)], 0.0, DAY)
    assert load.as_dict()["announcements"] == 1
    assert dict(load.lines())["announcements"] == "1 in 1.0 days, by priority: 1 warning"
    assert dict(load.lines())["chattering"] == "none"


def test_no_time_is_refused() -> None:
    """A span without time has no rates."""
    with pytest.raises(ValueError, match=r"^the end is not after the start$"):
        load_on_people([], 5.0, 5.0)


def plain_floods(times: list[int], end: int) -> list[tuple[int, int]]:
    """Second by second: begins when the last ten minutes hold more than ten, ends when fewer than five."""
    found, began = [], None
    for second in range(end + 1):
        held = sum(second - 600 < t <= second for t in times)
        if began is None and held > 10:
            began = second
        elif began is not None and held < 5:
            found.append((began, second))
            began = None
    return found if began is None else [*found, (began, end)]


@given(st.lists(st.integers(0, 50), max_size=60).map(lambda found: [60 * n for n in found]))
def test_floods_and_most_in_ten_minutes_against_counting_by_the_second(times: list[int]) -> None:
    """Whatever the times, floods begin and end at the second at which plain counting says so, and so does the most."""
    end = 4_000
    load = load_on_people([moved(float(t), f"t-{n}") for n, t in zip(count(), times, strict=False)], 0.0, float(end))
    assert [(f.utc_s, f.utc_s + f.seconds) for f in load.floods] == plain_floods(times, end)
    assert load.per_ten_min_max == max(
        (sum(t - 600 < other <= t for other in times) for t in times),
        default=0,
    )
    assert load.flood_percent == pytest.approx(100 * sum(f.seconds for f in load.floods) / end)


def test_a_flood_counts_all_its_announcements() -> None:
    """A flood's count is from the first of its eleven to its end."""
    times = [*range(0, 110, 10), 200, 300]
    (flood,) = load_on_people([moved(float(t), f"t-{t}") for t in times], 0.0, DAY).floods
    # At 100 s the eleventh comes; the fifth last, of 80 s, leaves the ten minutes at 680 s.
    assert flood == Flood(100.0, 580.0, 13)


def test_a_flood_ends_when_one_comes_too_late_to_hold_five() -> None:
    """Eleven at once leave the ten minutes together: the flood ends there, and one that comes just then is outside."""
    times = [50.0] * 11 + [650.0]
    (flood,) = load_on_people([moved(t, f"t-{n}") for n, t in enumerate(times)], 0.0, DAY).floods
    assert flood == Flood(50.0, 600.0, 11)


def test_a_second_flood_is_counted_on_its_own() -> None:
    """After the end of one flood another is found with its own start, length and count."""
    times = [float(t) for start in (0, 5_000) for t in range(start, start + 12)]
    floods = load_on_people([moved(t, f"t-{t}") for t in times], 0.0, DAY).floods
    # The fifth last of twelve leaves the ten minutes 607 s after the first; the eleventh came after 10 s.
    assert floods == (Flood(10.0, 597.0, 12), Flood(5_010.0, 597.0, 12))


def test_rates_hold_wherever_the_span_lies() -> None:
    """Ten days far from the epoch with a flood of 600 s in them: days, means and the flood's share by hand."""
    start = 20_000 * DAY
    load = load_on_people([moved(start + 50.0, f"t-{n}") for n in range(11)], start, start + 10 * DAY)
    assert (load.days, load.per_day_mean, load.per_ten_min_mean) == (10.0, 1.1, pytest.approx(11 / 1_440))
    assert load.flood_percent == pytest.approx(600 / (10 * DAY) * 100)


def test_the_end_of_the_span_is_outside_it() -> None:
    """[from, to): an announcement at the start counts, one at the end does not, and none at all has nought at most."""
    assert load_on_people([moved(DAY), moved(2 * DAY)], DAY, 2 * DAY).announcements == 1
    none = load_on_people([], DAY, 2 * DAY)
    assert (none.announcements, none.per_day_max, none.per_ten_min_max) == (0, 0, 0)


def test_equally_frequent_ones_stand_in_the_order_of_their_names() -> None:
    """Whatever came first."""
    events = [moved(1.0, "z"), moved(2.0, "a"), moved(3.0, "m")]
    assert load_on_people(events, 0.0, DAY).frequent == (("main/a", 1), ("main/m", 1), ("main/z", 1))


def test_every_line_for_people() -> None:
    """Report and status: the texts of a busy day and of an empty one, word for word."""
    burst = [moved(10.0 + n, f"b-{n}", priority=Priority.ALARM) for n in range(9)]
    chat = [moved(20.0 + n, tag) for tag in ("lag-near", "lag-far") for n in range(3)]
    old = [moved(-1.0 - n, tag) for n, tag in enumerate(("x", "y"))]
    assert load_on_people([*burst, *chat, *old], 0.0, DAY).lines() == [
        ("announcements", "15 in 1.0 days, by priority: 9 alarm, 6 warning"),
        ("a day", "15.00 on average, at most 15"),
        ("in ten minutes", "0.1042 on average, at most 15"),
        ("floods", "1, 0.69 % of the time"),
        ("chattering", "main/lag-far, main/lag-near"),
        ("standing over 24 h", "main/x, main/y"),
        ("most frequent", "main/lag-far 3, main/lag-near 3, main/b-0 1, main/b-1 1, main/b-2 1"),
    ]
    assert load_on_people([], 0.0, DAY).lines() == [
        ("announcements", "0 in 1.0 days, by priority: none"),
        ("a day", "0.00 on average, at most 0"),
        ("in ten minutes", "0.0000 on average, at most 0"),
        ("floods", "0, 0.00 % of the time"),
        ("chattering", "none"),
        ("standing over 24 h", "none"),
        ("most frequent", "none"),
    ]
