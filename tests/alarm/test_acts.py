"""What people may do to alarms: done, refused with nothing changed, on record; and what is told again."""

from dataclasses import asdict, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.acts import TRIAL, Act, ActKind, perform
from gateway.alarm.machine import HOUR_US, REPEATS_MAX, WATCH_US, AlarmSet, Finding
from gateway.alarm.table import ENGINE_TAGS, ROWS
from gateway.alarm.trial import Trial
from gateway.model.enums import AlarmState, Priority
from gateway.model.errors import Refused
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.settings import AlarmTuning

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


LIMITS = "given; it can be shelved for more than 0 and at most 1440 min (24 h)"
REFUSED: list[tuple[str, Act, str]] = [
    ("normal", act("acknowledge"), f"{TAG}: is normal; there is nothing to acknowledge"),
    ("normal", act("unshelve"), f"{TAG}: is normal, not shelved"),
    ("normal", act("in-service"), f"{TAG}: is normal, not out of service"),
    ("normal", act("shelve", why="  "), f"{TAG}: shelving needs a reason"),
    ("normal", act("shelve", minutes=None), f"{TAG}: no time {LIMITS}"),
    ("normal", act("shelve", minutes=0.0), f"{TAG}: 0 min {LIMITS}"),
    ("normal", act("shelve", minutes=-5.0), f"{TAG}: -5 min {LIMITS}"),
    ("normal", act("shelve", minutes=SHELVE_HOURS_MAX * 60 + 0.1), f"{TAG}: 1440.1 min {LIMITS}"),
    ("normal", act("shelve", minutes=float("nan")), f"{TAG}: nan min {LIMITS}"),
    ("normal", act("out-of-service", why=""), f"{TAG}: taking it out of service needs a reason"),
    (
        "normal",
        act("shelve", tag="no-such"),
        f"there is no alarm 'no-such' here; there are: {', '.join(sorted(ENGINE_TAGS))}",
    ),
    ("normal", act("shelve", tag=None), "shelve needs the tag of one alarm"),
    ("normal", Act("acknowledge", TAG, " "), "who acts is not known; give a name"),
    ("out", act("out-of-service"), f"{TAG}: is out of service already"),
    ("out", act("shelve"), f"{TAG}: is out of service; put it back in service first"),
    ("out", act("acknowledge"), f"{TAG}: is out-of-service; there is nothing to acknowledge"),
    ("shelved", act("acknowledge"), f"{TAG}: is shelved; there is nothing to acknowledge"),
]


@pytest.mark.parametrize(("before", "asked", "why"), REFUSED)
def test_refused_with_its_reason_and_nothing_changed(before: str, asked: Act, why: str) -> None:
    """What cannot be done is refused in words, and every alarm's facts are as before."""
    made = alarms()
    if before != "normal":
        list(perform(made, act("shelve" if before == "shelved" else "out-of-service"), 0))
    facts = {tag: asdict(a.facts) for tag, a in made.alarms.items()}
    with pytest.raises(Refused) as refused:
        list(perform(made, asked, 1))
    assert str(refused.value) == why
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
    for own in ("announced_us", "repeats"):
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


@pytest.mark.parametrize("minutes", [0.5, SHELVE_HOURS_MAX * 60])
def test_the_ends_of_what_may_be_shelved(minutes: float) -> None:
    """Half a minute is a time, and a whole day is still allowed."""
    made = raised()
    list(perform(made, act("shelve", minutes=minutes), 7))
    assert made[TAG].facts.shelved_until_us == 7 + round(minutes * MIN_US)


def test_each_act_is_on_record_with_its_time_and_reason() -> None:
    """Every kind of act, one after the other: when, by whom, why, from which state to which."""
    made = raised()
    asked: list[tuple[ActKind, str]] = [
        ("acknowledge", ""), ("shelve", "rope on order"), ("unshelve", ""), ("acknowledge", ""),
        ("out-of-service", "sensor ashore"), ("in-service", ""),
    ]  # fmt: skip
    told = [t for n, (kind, why) in enumerate(asked) for t in perform(made, act(kind, why=why), 100 + n)]
    assert [(t.t_us, t.by, t.why or "", t.to.value) for t in told] == [
        (100, "Second", "", "acknowledged"),
        (101, "Second", "shelved for 30 min: rope on order", "shelved"),
        (102, "Second", "", "unacknowledged"),
        (103, "Second", "", "acknowledged"),
        (104, "Second", "sensor ashore", "out-of-service"),
        (105, "Second", "", "unacknowledged"),
    ]
    assert all(t.engine == "main" and t.tag == TAG for t in told)


def test_acknowledging_all_is_on_record_with_time_and_name() -> None:
    """Who pressed the one button, and when."""
    (told,) = perform(raised(), act("acknowledge", tag=None), 42)
    assert (told.t_us, told.by) == (42, "Second")


def test_what_shows_in_no_state_is_on_record_with_its_time() -> None:
    """Shelving anew changes no state; its record carries the moment of the act, not of the first."""
    made = alarms()
    list(perform(made, act("shelve"), 5))
    (told,) = perform(made, act("shelve"), 9)
    assert told.t_us == 9


def test_the_reminder_counts_from_the_act() -> None:
    """Taken out at noon, reminded a watch after noon, and never while reminders are off."""
    noon_us = 12 * HOUR_US
    made = alarms()
    list(perform(made, act("out-of-service"), noon_us))
    told = [now for now in range(noon_us, noon_us + 9 * HOUR_US, MIN_US) for _ in made.repeats(now)]
    assert told == [noon_us + WATCH_US, noon_us + 2 * WATCH_US]
    off = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), AT_ONCE, "main", remind_us=0)
    list(perform(off, act("out-of-service"), 0))
    assert repeated(off, 2 * WATCH_US, HOUR_US) == []


def test_a_repeat_says_that_it_is_one() -> None:
    """Nobody did it; the reason says why it is told again; looked at between the tens of seconds it still comes."""
    made = raised()
    assert list(made.repeats(5 * MIN_US - 1)) == []
    (told,) = made.repeats(5 * MIN_US)
    assert (told.by, told.why) == (None, "still not acknowledged")
    assert list(made.repeats(10 * MIN_US - 10_000_001)) == []
    (again,) = made.repeats(10 * MIN_US + 3)
    assert again.t_us == 10 * MIN_US + 3


def test_it_is_looked_for_every_ten_seconds() -> None:
    """Two alarms raised four seconds apart are each told again at the first look when they are due."""
    made = raised()
    list(made.judge(4_000_000, {"lag-step": Finding(True, 1.0, 0.5, "x")}))
    told = [(now, t.tag) for now in range(0, 6 * MIN_US, 1_000_000) for t in made.repeats(now)]
    assert told == [(300_000_000, TAG), (310_000_000, "lag-step")]


def test_shelved_remembers_who_and_why() -> None:
    """The page and the status tell who put it away."""
    made = raised()
    list(perform(made, act("shelve", why="rope on order"), 0))
    assert made[TAG].facts.away == "Second: shelved for 30 min: rope on order"


def test_an_untouched_alarm_is_not_kept() -> None:
    """A checkpoint holds what is not simply normal, and what is no longer in the table is let go when it is read."""
    made = raised()
    kept = made.checkpoint()
    assert set(kept) == {TAG}
    again = alarms()
    again.restore({**kept, "no-such": {"causes": []}, "lag-step": "spoilt"})
    assert again.checkpoint() == kept


def test_a_transition_carries_all_of_its_alarm() -> None:
    """Priority as tuned, unit of its row, figure, limit, text and causes; when shelving ended, the moment it did."""
    tuned = {TAG: AlarmTuning(on_delay_s=0, off_delay_s=0, priority=Priority.ALARM)}
    made = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), tuned, "main")
    (raised_,) = made.judge(5, {TAG: Finding(True, 4.0, 3.0, "Chain slaps", ("worn", "slack"))})
    assert (raised_.priority, raised_.unit, raised_.value, raised_.limit) == (Priority.ALARM, "mm", 4.0, 3.0)
    assert (raised_.text, raised_.causes, raised_.engine, raised_.t_us) == ("Chain slaps", ("worn", "slack"), "main", 5)
    list(perform(made, act("shelve", minutes=1.0), 10))
    (back,) = made.judge(10 + MIN_US, {TAG: Finding(None)})
    assert (back.t_us, back.why, back.causes) == (10 + MIN_US, "shelving ended", ("worn", "slack"))


def test_any_of_several_higher_ones_stands_for_the_lower_and_when_is_told() -> None:
    """Two that suppress one: either alone is enough, in either order; the moment is that of judging."""
    low = next(r for r in ROWS if r.tag == "lag-near")
    highs = [r for r in ROWS if r.tag in ("lag-limit", "lag-step")]
    rows = (replace(low, suppressed_by=("lag-limit", "lag-step")), *highs)
    quick = {r.tag: AlarmTuning(on_delay_s=0, off_delay_s=0) for r in rows}
    for tag in ("lag-limit", "lag-step"):
        made = AlarmSet(rows, quick, "main")
        told = {t.tag: t for t in made.judge(7, {tag: Finding(True), "lag-near": Finding(False)})}
        assert (told["lag-near"].to, told["lag-near"].t_us) == (AlarmState.SUPPRESSED, 7)
        told = {t.tag: t for t in made.judge(9, {tag: Finding(False)})}
        assert (told["lag-near"].to, told["lag-near"].t_us) == (AlarmState.NORMAL, 9)
    made = AlarmSet(rows, quick, "main")
    list(made.judge(1, {"lag-limit": Finding(True)}))
    list(made["lag-limit"].out_of_service(2, "x", "y"))
    (freed,) = made.judge(3, {})
    assert (freed.tag, freed.to, freed.t_us) == ("lag-near", AlarmState.NORMAL, 3)


def test_a_delay_begun_anew_has_nothing_of_the_one_before() -> None:
    """To the microsecond: held, gone on, well, over again."""
    made = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), {TAG: AlarmTuning(on_delay_s=1.0)}, "main")
    steps: list[tuple[int, bool | None]] = [(0, True), (400_000, None), (900_000, True), (1_499_999, True)]
    assert [list(made.judge(t, {TAG: Finding(over)})) for t, over in steps] == [[], [], [], []]
    assert list(made.judge(1_499_999, {TAG: Finding(False)})) == []
    assert list(made.judge(2_000_000, {TAG: Finding(True)})) == []
    assert list(made.judge(2_999_999, {TAG: Finding(True)})) == []
    assert len(list(made.judge(3_000_000, {TAG: Finding(True)}))) == 1


def test_repeats_are_off_unless_asked_for() -> None:
    """A set made without a word on it repeats nothing."""
    made = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), AT_ONCE, "main")
    list(made.judge(0, {TAG: Finding(True)}))
    assert repeated(made, HOUR_US) == []


def test_a_trial_is_raised_by_a_person_and_ends_after_two_minutes_of_their_clock() -> None:
    """Its text says what it is; head time may stand still meanwhile; the next one has its usual priority again."""
    made = alarms()
    trial = Trial(made[TRIAL])
    assert trial.passes(0.0, 0) == []
    (up,) = perform(made, Act("try-alarm", TRIAL, "second engineer", priority=Priority.ALARM), 5_000_000)
    assert (up.to, up.priority, up.by) == (AlarmState.UNACKNOWLEDGED, Priority.ALARM, "second engineer")
    assert "TRIAL by second engineer: do nothing" in up.text
    with pytest.raises(Refused, match="is raised already"):
        perform(made, Act("try-alarm", TRIAL, "x"), 5_000_000)
    assert [t for s in (1_000.0, 1_060.0, 1_119.9) for t in trial.passes(s, 5_000_000)] == []
    assert [t.to for t in trial.passes(1_120.0, 5_000_000)] == [AlarmState.RETURNED]
    assert trial.passes(1_121.0, 5_000_000) == []
    (again,) = perform(made, Act("try-alarm", TRIAL, "x"), 6_000_000)
    assert again.priority is Priority.WARNING


def test_no_other_alarm_is_raised_by_a_person_and_no_trial_out_of_service() -> None:
    """A real alarm that is not real would be believed once."""
    made = alarms()
    with pytest.raises(Refused, match="only trial can be raised"):
        perform(made, Act("try-alarm", TAG, "x"), 0)
    perform(made, Act("out-of-service", TRIAL, "x", "noise"), 0)
    with pytest.raises(Refused, match="out-of-service; put it back first"):
        perform(made, Act("try-alarm", TRIAL, "x"), 0)
