"""What is due now: the decision alone, with a clock of its own. Nothing is sent here."""

from dataclasses import replace
from datetime import UTC as ZONE
from datetime import datetime
from itertools import pairwise

import pytest

from gateway.model.settings_file import checked_section
from gateway.model.shore_settings import ShoreSettings
from gateway.model.validate import faults
from gateway.shore.habit import noted, silent_after_s
from gateway.shore.notices.decide import decide
from gateway.shore.notices.records import Delivery, Notice, Reached, Situation
from gateway.shore.notices.rules import digest_day, local, on_duty, rule_for, uncovered
from gateway.shore.notices.texts import SHOWN_MAX, body_of, title_of

MONDAY = datetime(2026, 11, 30, 3, 0, tzinfo=ZONE).timestamp()
MIN = 60.0


def settings(*rules: dict[str, object], **notices: object) -> ShoreSettings:
    return checked_section(
        ShoreSettings,
        {
            "person": [{"name": n, "addresses": [f"json://127.0.0.1/{n}"]} for n in ("anna", "ben", "chris")],
            "duty": [{"name": "duty", "people": ["anna", "ben"], "first_day": "2026-11-23", "days_each": 7}],
            "rule": list(rules) or [{"notify": ["anna", "ben"]}],
            "notices": notices,
        },
    )


def lag(vessel: str = "tern-passage", priority: str = "alarm", tag: str = "lag-limit") -> Situation:
    text = "Camshaft 2.31° late (limit 2.00°)."
    return Situation(f"alarm:{vessel}/main/{tag}", vessel, "main", tag, priority, text, "Check the pressures.", "03:00")


class Shore:
    """Applies decisions as the store does; every delivery succeeds at once, but for `lost`."""

    def __init__(self, s: ShoreSettings, now_s: float = MONDAY) -> None:
        self.s, self.now_s = s, now_s
        self.notices: dict[int, Notice] = {}
        self.made: list[tuple[float, Delivery]] = []
        self.lost: dict[str, str] = {}

    def look(self, *standing: Situation, after_s: float = 0.0) -> list[Delivery]:
        self.now_s += after_s
        times: dict[str, list[float]] = {}
        for at, d in self.made:
            times.setdefault(d.person, []).append(at)
        reached = {
            p: Reached(max(t), sum(self.now_s - x < 3_600 for x in t), self.lost.get(p, "")) for p, t in times.items()
        }
        found = decide(self.now_s, standing, [n for n in self.notices.values() if not n.over], reached, self.s)
        for n in found.notices:
            key = n.id or len(self.notices) + 1
            self.notices[key] = replace(n, id=key)
        self.made += [(self.now_s, d) for d in found.deliveries]
        return list(found.deliveries)

    def run(self, *standing: Situation, minutes: float) -> list[tuple[float, str]]:
        """Look every half minute; gives (minutes since the beginning, person)."""
        for _ in range(round(minutes * 2)):
            self.look(*standing, after_s=30)
        return [(round((at - MONDAY) / MIN, 1), d.person) for at, d in self.made]


def test_repeated_and_escalated_round_and_round_until_seen() -> None:
    """Pins one notice for one situation, to each person twice, and that a second round takes twice as long."""
    shore = Shore(settings(repeat_min=10.0, times_each=2, gather_s=0.0))
    sent = shore.run(lag(), minutes=100)
    assert sent == [(0.5, "anna"), (10.5, "anna"), (20.5, "ben"), (30.5, "ben"), (40.5, "anna"), (60.5, "anna"),
                    (80.5, "ben")]  # fmt: skip
    shore.notices[1] = replace(shore.notices[1], seen_by="ben")
    assert shore.run(lag(), minutes=600)[7:] == []


def test_over_is_mentioned_once_to_whom_it_was_sent_and_a_return_soon_is_the_same_situation() -> None:
    shore = Shore(settings(gather_s=0.0, settle_min=10.0, repeat_min=60.0))
    shore.look(lag())
    assert shore.look(after_s=5 * MIN) == [] and shore.look(lag(), after_s=MIN) == []
    assert len(shore.notices) == 1
    assert shore.look(after_s=MIN) == []
    (over,) = shore.look(after_s=11 * MIN)
    assert (over.person, over.due, len(over.over)) == ("anna", (), 1)
    assert "Over (it stands no more)" in body_of(over, linked=True)
    assert shore.run(minutes=60)[2:] == []
    shore.look(lag())
    assert len(shore.notices) == 2


def test_what_passes_before_anybody_was_notified_is_never_sent() -> None:
    shore = Shore(settings(gather_s=30.0))
    shore.look(lag())
    assert shore.run(minutes=60) == []


def test_what_is_due_together_is_one_delivery_worst_first() -> None:
    """Over more situations than one delivery names; its length stays bounded."""
    shore = Shore(settings(gather_s=10.0))
    many = [lag(f"ship-{n}", "warning", "lag-near") for n in range(40)] + [lag()]
    assert shore.look(*many) == []
    (one,) = shore.look(*many, after_s=10)
    assert len(one.due) == 41 and one.due[0].situation.priority == "alarm"
    assert title_of(one).startswith("ALARM tern-passage/main: Camshaft 2.31° late") and title_of(one).endswith(
        "(and 40 more)"
    )
    assert f"And {41 - SHOWN_MAX} more" in body_of(one, linked=True) and len(title_of(one)) <= 150


def test_nobody_gets_more_than_the_rate_and_nothing_is_lost_by_it() -> None:
    """Pins bounds for one person while new situations come each half minute; at the end all were sent."""
    shore = Shore(settings({"notify": ["anna"]}, gather_s=0.0, spacing_s=60.0, per_hour_max=6, repeat_min=600.0))
    standing: list[Situation] = []
    for n in range(120):
        standing.append(lag(f"ship-{n}"))
        shore.look(*standing, after_s=30)
    shore.run(*standing, minutes=30)
    at = [t for t, _ in shore.made]
    assert len([t for t in at if t - at[0] < 3_600]) <= 12
    assert all(b - a >= 60 for a, b in pairwise(at))
    assert {n.situation.vessel for _, d in shore.made for n in d.due} == {s.vessel for s in standing}


def test_who_cannot_be_reached_is_passed_over_at_once_and_the_next_one_is_informed_of_it() -> None:
    shore = Shore(settings(gather_s=0.0, repeat_min=60.0))
    assert [d.person for d in shore.look(lag())] == ["anna"]
    shore.lost["anna"] = "mail: connection refused"
    (next_one,) = shore.look(lag(), after_s=30)
    assert next_one.person == "ben"
    assert "anna could not be reached: mail: connection refused" in body_of(next_one, linked=True)
    shore.lost["ben"] = "no answer"
    assert shore.look(lag(), after_s=30) == [], "nobody can be reached: no faster than the usual repeat"
    assert shore.run(lag(), minutes=61)[2:] != []


def test_rules_by_vessel_engine_tag_priority_and_time_of_day() -> None:
    """The first that fits counts; a caution that no rule names is not sent; at the hour of a rule a warning is."""
    day = {"notify": ["chris"], "since": "08:00", "until": "17:00", "priorities": ["warning"]}
    s = settings(
        {"notify": ["ben"], "vessels": ["tern-*"], "engines": ["aux*"]},
        {"notify": ["anna"], "tags": ["lag-*"], "priorities": ["alarm"]},
        day,
        gather_s=0.0,
    )
    shore = Shore(s)
    assert [d.person for d in shore.look(lag(), lag(priority="warning", tag="slap-high"))] == ["anna"]
    assert shore.look(lag("other", "caution", "link-poor"), after_s=MIN) == []
    sent = shore.run(lag(priority="warning", tag="slap-high"), minutes=5.2 * 60)
    assert next(t for t, who in sent if who == "chris") == pytest.approx(300, abs=1.1)


def test_a_span_over_midnight_belongs_to_the_day_on_which_it_began() -> None:
    s = settings({"notify": ["anna"], "since": "22:00", "until": "06:00", "days": ["sun"]}, gather_s=0.0)
    assert Shore(s).look(lag()) != [], "Monday 03:00 is Sunday's night"
    assert Shore(s, MONDAY + 20 * 3_600).look(lag()) == [], "Monday 23:00 is Monday's"
    assert Shore(s, MONDAY - 4 * 3_600).look(lag()) != []


def test_the_duty_changes_at_the_hand_over_and_daylight_saving_moves_no_hour() -> None:
    """`Europe/Berlin` went to summer time on 2026-03-29 and back on 2026-10-25 (source: IANA time zone database)."""
    s = settings(timezone="Europe/Berlin", digest_at="07:00", digest_days=["mon"])
    (duty,) = s.duty
    before, after = (datetime(2026, 11, 30, 6, m, tzinfo=ZONE).timestamp() for m in (59, 0))
    assert on_duty(duty, local(s, after)) == "anna", "07:00 in Berlin"
    assert on_duty(duty, local(s, before + 3_600)) == "ben", "08:59 in Berlin, after the hand-over at 08:00"
    for month, day, utc_hour in ((3, 30, 5), (10, 26, 6)):
        at = datetime(2026, month, day, utc_hour, tzinfo=ZONE).timestamp()
        assert digest_day(s, at) == f"2026-{month:02d}-{day}" and digest_day(s, at - 60) is None


def test_a_decision_made_twice_from_the_same_state_is_the_same() -> None:
    shore = Shore(settings(gather_s=0.0))
    shore.look(lag())
    state = list(shore.notices.values())
    args = (shore.now_s + 1_000, [lag(), lag("b")], state, {}, shore.s)
    assert decide(*args) == decide(*args)


def test_a_habit_is_what_happened_twice() -> None:
    """Pins that one outage is no habit, that a ship quiet each night is not reported each night, and the bounds."""
    nights: list[float] = []
    for _ in range(30):
        nights = noted(nights, 9 * 3_600.0)
    assert len(nights) == 20
    assert silent_after_s(nights, 10_800.0) == 13.5 * 3_600
    assert silent_after_s([7 * 86_400.0, 4_000.0], 10_800.0) == 10_800.0
    assert silent_after_s([7 * 86_400.0] * 2, 10_800.0) == 4 * 86_400
    assert noted([], 60.0) == []


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        ({"rule": [{"notify": ["nobody"]}]}, "nobody is called nobody"),
        ({"rule": [{"notify": ["anna"], "since": "7"}]}, "a time of day such as 07:30"),
        ({"notices": {"timezone": "Mars/Olympus"}}, "no known time zone"),
        ({"person": [{"name": "anna"}]}, "give addresses or addresses_file"),
        ({"group": [{"name": n, "engines": ["a/main"]} for n in "ab"]}, "in two groups: a/main"),
        ({"notices": {"repeat": 3}}, "repeat"),
    ],
)  # fmt: skip
def test_settings_that_would_reach_nobody_are_refused_with_the_reason(broken: dict[str, object], words: str) -> None:
    from pydantic import ValidationError

    with pytest.raises(ValidationError) as e:
        checked_section(ShoreSettings, broken)
    assert words in " ".join(faults(e.value, whole="(whole file)", toml=ShoreSettings))


ALWAYS, NONE = [("mon 00:00", "mon 00:00")], list[tuple[str, str]]()


@pytest.mark.parametrize(
    ("rules", "gaps"),
    [
        ([{"notify": ["anna"]}], NONE),
        ([{"notify": ["anna"], "priorities": ["warning"]}], ALWAYS),
        ([{"notify": ["anna"], "vessels": ["tern-*"]}], ALWAYS),
        ([{"notify": ["anna"], "since": "07:00", "until": "20:00"}],
         [(f"{a} 20:00", f"{b} 07:00") for a, b in pairwise(["mon", "tue", "wed", "thu", "fri", "sat", "sun", "mon"])]),
        ([{"notify": ["anna"], "days": ["mon", "tue", "wed", "thu", "fri"]}], [("sat 00:00", "mon 00:00")]),
        ([{"notify": ["anna"], "since": "06:30", "until": "22:00"},
          {"notify": ["ben"], "since": "22:00", "until": "06:00", "days": ["mon", "tue", "wed", "thu", "fri", "sat"]}],
         [*((f"{d} 06:00", f"{d} 06:30") for d in ("tue", "wed", "thu", "fri", "sat")), ("sun 06:00", "sun 06:30"),
          ("sun 22:00", "mon 06:30")]),
        ([{"notify": ["anna"], "since": "20:00", "until": "20:00"}], NONE),
    ],
)  # fmt: skip
def test_hours_at_which_an_alarm_reaches_nobody_are_named(rules: list[dict[str, object]], gaps: object) -> None:
    """Beside the rules asked for each minute of a week."""
    s = settings(*rules)
    assert sorted(uncovered(s)) == sorted(gaps)  # type: ignore[call-overload]
    midnight = MONDAY - 180 * MIN
    silent = [n for n in range(7 * 1_440) if rule_for(s, lag("other-ship"), midnight + n * MIN) is None]
    days = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

    def minute(name: str) -> int:
        return days.index(name[:3]) * 1_440 + int(name[4:6]) * 60 + int(name[7:])

    lengths = [(minute(until) - minute(since)) % (7 * 1_440) or 7 * 1_440 for since, until in uncovered(s)]
    assert sum(lengths) == len(silent)
