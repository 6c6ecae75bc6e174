"""What people may do to alarms: done, refused with nothing changed, on record; and what is told again."""

from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.acts import Act, ActKind, perform
from gateway.alarm.machine import HOUR_US, REPEATS_MAX, WATCH_US, AlarmSet, Finding
from gateway.alarm.table import ENGINE_TAGS, ROWS
from gateway.model.errors import Refused
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.settings import AlarmTuning
from gateway.model.words import AlarmState, Priority

MIN_US = 60_000_000
TAG = "slap-high"
AT_ONCE = {TAG: AlarmTuning(on_delay_s=0, off_delay_s=0), "link-poor": AlarmTuning(on_delay_s=0, off_delay_s=0)}


def alarms(repeat_min: float = 5.0) -> AlarmSet:
    return AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), AT_ONCE, "main", repeat_min=repeat_min)


def raised(tag: str = TAG, repeat_min: float = 5.0) -> AlarmSet:
    made = alarms(repeat_min)
    list(made.judge(0, {tag: Finding(True, 4.0, 3.0, "Chain slaps 4.0 mm")}))
    assert made[tag].state is AlarmState.UNACKNOWLEDGED
    return made


def act(kind: ActKind, tag: str | None = TAG, why: str = "work", minutes: float | None = 30.0) -> Act:
    return Act(kind, tag, "Second", why, minutes)


REFUSED: list[tuple[str, Act, str]] = [
    ("normal", act("acknowledge"), "nothing to acknowledge"),
    ("normal", act("unshelve"), "not shelved"),
    ("normal", act("in-service"), "not out of service"),
    ("normal", act("shelve", why="  "), "wants a reason"),
    ("normal", act("shelve", minutes=None), "no time given"),
    ("normal", act("shelve", minutes=0.0), "at most 1440"),
    ("normal", act("shelve", minutes=-5.0), "at most 1440"),
    ("normal", act("shelve", minutes=SHELVE_HOURS_MAX * 60 + 0.1), "at most 1440"),
    ("normal", act("shelve", minutes=float("nan")), "at most 1440"),
    ("normal", act("out-of-service", why=""), "wants a reason"),
    ("normal", act("shelve", tag="no-such"), "there is no alarm"),
    ("normal", act("shelve", tag=None), "wants the tag of one"),
    ("normal", Act("acknowledge", TAG, " "), "give a name"),
    ("out", act("out-of-service"), "already"),
    ("out", act("shelve"), "out of service"),
    ("out", act("acknowledge"), "nothing to acknowledge"),
    ("shelved", act("acknowledge"), "nothing to acknowledge"),
]


@pytest.mark.parametrize(("before", "asked", "why"), REFUSED)
def test_refused_with_its_reason_and_nothing_changed(before: str, asked: Act, why: str) -> None:
    """What cannot be done is refused in words, and every alarm's facts are as before."""
    made = alarms()
    if before != "normal":
        list(perform(made, act("shelve" if before == "shelved" else "out-of-service"), 0))
    facts = {tag: asdict(a.facts) for tag, a in made.alarms.items()}
    with pytest.raises(Refused, match=why):
        list(perform(made, asked, 1))
    assert {tag: asdict(a.facts) for tag, a in made.alarms.items()} == facts


STATES = st.sampled_from(["acknowledge", "shelve", "unshelve", "out-of-service", "in-service"])


@given(st.lists(st.tuples(STATES, st.booleans()), max_size=20))
def test_every_act_done_gives_one_record_with_who(acts: list[tuple[ActKind, bool]]) -> None:
    """Whatever the order of acts and of the condition, an act that is not refused gives exactly one transition of its
    alarm, naming who, and leading to the state in which the alarm then is."""
    made = alarms()
    for now_us, (kind, over) in enumerate(acts):
        list(made.judge(now_us, {TAG: Finding(over)}))
        try:
            told = list(perform(made, act(kind), now_us))
        except Refused:
            continue
        assert [(t.tag, t.by, t.to) for t in told] == [(TAG, "Second", made[TAG].state)]


def test_shelving_anew_is_on_record() -> None:
    """A longer shelving changes no state, moves the end, and still is recorded with its reason."""
    made = alarms()
    list(perform(made, act("shelve", minutes=10), 0))
    (told,) = perform(made, act("shelve", minutes=60, why="takes longer"), 5 * MIN_US)
    assert told.came_from is told.to is AlarmState.SHELVED
    assert told.why == "shelved for 60 min: takes longer"
    assert made[TAG].facts.shelved_until_us == 65 * MIN_US


def test_acknowledging_all_takes_what_waits() -> None:
    """Without a tag what is unacknowledged or returned is acknowledged, and nothing else is touched."""
    made = raised()
    list(made.judge(0, {"link-poor": Finding(True)}))
    list(made.judge(1, {"link-poor": Finding(False)}))
    list(perform(made, act("shelve", tag="lag-step"), 2))
    told = {t.tag: t.to for t in perform(made, act("acknowledge", tag=None), 3)}
    assert told == {TAG: AlarmState.ACKNOWLEDGED, "link-poor": AlarmState.NORMAL}


def repeated(made: AlarmSet, until_us: int, step_us: int = 10_000_000) -> list[int]:
    """Minutes at which something is told again."""
    return [t.t_us // MIN_US for now in range(0, until_us + 1, step_us) for t in made.repeats(now)]


def test_unacknowledged_is_told_again_until_it_is_seen() -> None:
    """Every five minutes from a state to itself, with nothing else moved; never after the acknowledgement."""
    made = raised()
    before = asdict(made[TAG].facts)
    assert repeated(made, 16 * MIN_US) == [5, 10, 15]
    after = asdict(made[TAG].facts)
    for own in ("told_us", "repeats"):
        before.pop(own), after.pop(own)
    assert before == after
    (seen,) = perform(made, act("acknowledge"), 16 * MIN_US)
    assert seen.to is AlarmState.ACKNOWLEDGED
    assert repeated(made, 60 * MIN_US) == []


def test_repeats_thin_out_to_one_a_watch() -> None:
    """After an hour of repeats that nobody heeds, one in four hours: a day holds few."""
    made = raised()
    told = repeated(made, 24 * HOUR_US)
    assert told[:REPEATS_MAX] == [5 * n for n in range(1, REPEATS_MAX + 1)]
    assert told[REPEATS_MAX:] == [60 + 240 * n for n in range(1, 6)]
    assert WATCH_US == 240 * MIN_US


def test_repeats_off_and_cautions() -> None:
    """0 turns repeats off; a caution is never repeated."""
    assert repeated(raised(repeat_min=0.0), HOUR_US) == []
    caution = raised("link-poor")
    assert caution["link-poor"].priority is Priority.CAUTION
    assert repeated(caution, HOUR_US) == []


def test_out_of_service_reminds_each_watch() -> None:
    """Once in four hours, with who took it out and why, until it is back in service."""
    made = alarms()
    list(perform(made, act("out-of-service", why="sensor ashore"), 0))
    (told,) = (t for now in range(0, WATCH_US + 1, 10_000_000) for t in made.repeats(now))
    assert told.t_us == WATCH_US and told.came_from is told.to is AlarmState.OUT_OF_SERVICE
    assert told.why == "still out of service, Second: sensor ashore"
    list(perform(made, act("in-service"), WATCH_US + 1))
    assert repeated(made, 3 * WATCH_US) == []


def test_repeats_go_on_over_a_restart() -> None:
    """The clock of repeats is part of what is kept."""
    first = raised()
    assert repeated(first, 7 * MIN_US) == [5]
    again = alarms()
    again.restore(first.checkpoint())
    assert repeated(again, 11 * MIN_US) == [10]
