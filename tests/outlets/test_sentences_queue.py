"""The order of urgency of the sentences, silence, commands: in virtual time."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from panel_boards import Box, alarm, board, engine
from pynmeagps import NMEAReader

from gateway.encode.sentence_lines import Sentence, compose, parse
from gateway.model.enums import AlarmState, Priority
from gateway.model.panel_settings import SentenceSettings
from gateway.model.snapshot import AlarmView, Snapshot
from gateway.outlets.sentences.queue import REFUSALS_KEPT, Group, SentenceQueue

S = AlarmState
UTC = 45_301.0


class Outlet:
    """A queue with a board that a test changes; everything that goes out must be readable by pynmeagps."""

    def __init__(self, **settings: Any) -> None:
        self.box = Box(board())
        self.queue = SentenceQueue(SentenceSettings(port="x", accept=True, **settings), self.box.act)
        self.now = 0.0

    def show(self, *alarms: AlarmView, **changes: Any) -> None:
        self.box.view = board(engine(0, alarms), **changes)
        self.queue.look(self.box.view, self.now)

    def next(self) -> list[Sentence]:
        group = self.queue.next(self.now, UTC)
        return [] if group is None else self.read(group)

    def read(self, group: Group) -> list[Sentence]:
        for line in group.lines:
            NMEAReader.parse(line, validate=1)
        return [parse(line.encode()) for line in group.lines]

    def rest(self) -> list[Sentence]:
        said: list[Sentence] = []
        while more := self.next():
            said += more
        return said

    def hear(self, *fields: str) -> None:
        self.queue.hear(compose(fields).encode(), "panel", self.now)
        self.queue.look(self.box.view, self.now)


@pytest.fixture
def outlet() -> Outlet:
    """An outlet whose first heartbeat and list are behind it."""
    one = Outlet()
    one.show()
    assert [s.formatter for s in one.rest()] == ["HBT", "ALC"]
    return one


def letters(said: list[Sentence]) -> list[tuple[str, str]]:
    return [(s.fields[8], s.fields[6]) for s in said if s.formatter == "ALF" and s.fields[1] == "1"]


def test_each_change_is_told_once(outlet: Outlet) -> None:
    """Pins ALF on raise, on acknowledgement and on return, and nothing without a change."""
    for revision, state in enumerate((S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.NORMAL), 1):
        outlet.show(alarm(3, state, revision=revision))
        assert letters(outlet.rest()) == [("10004", "VAN"[revision - 1])]
        outlet.show(alarm(3, state, revision=revision))
        assert outlet.next() == []


def test_a_text_that_moves_is_no_news(outlet: Outlet) -> None:
    """Pins that a figure that moves in the text does not fill the line; the next change carries the text of then."""
    for n in range(5):
        outlet.show(alarm(3, text=f"Lag {n}"))
        assert len(outlet.rest()) == (2 if n == 0 else 0)
    outlet.show(alarm(3, text="Lag 9", revision=2))
    assert outlet.rest()[1].fields[12] == "Lag 9"


def test_normal_alarms_are_not_told_at_start(outlet: Outlet) -> None:
    """Pins that a start does not announce what is in order, and does announce what stands."""
    outlet.show(alarm(1, S.NORMAL), alarm(2, S.ACKNOWLEDGED))
    assert letters(outlet.rest()) == [("10003", "A")]


def test_an_alarm_that_leaves_the_board_is_told_as_normal(outlet: Outlet) -> None:
    """Pins that nothing stays on the panel because it is no longer mentioned."""
    outlet.show(alarm(3))
    outlet.rest()
    outlet.show()
    assert letters(outlet.rest()) == [("10004", "N")]
    outlet.show()
    assert outlet.next() == []


def test_highest_then_newest_first(outlet: Outlet) -> None:
    """Pins the order: unacknowledged before the rest, then priority, then the newest."""
    old = [alarm(n, priority=Priority.WARNING) for n in (0, 4)] + [alarm(5, S.ACKNOWLEDGED)]
    outlet.show(*old)
    outlet.show(*old, alarm(7, priority=Priority.WARNING), alarm(1))
    told = [no for no, _ in letters(outlet.rest())]
    assert told[:2] == ["10002", "10008"]
    assert set(told[2:4]) == {"10001", "10005"}
    assert told[4] == "10006"


def test_a_superseded_change_is_never_sent(outlet: Outlet) -> None:
    """Pins that an alarm acknowledged while it waited is told as acknowledged, once."""
    outlet.show(alarm(3), alarm(4))
    outlet.show(alarm(3, S.ACKNOWLEDGED, revision=2), alarm(4))
    assert letters(outlet.rest()) == [("10005", "V"), ("10004", "A")]


def test_a_flood_does_not_delay_a_new_alarm_on_a_slow_line(outlet: Outlet) -> None:
    """Pins in virtual time at 4,800 baud that a new alarm waits for one group at most, the flood far longer."""
    flood = [alarm(n, priority=Priority.WARNING, text="w" * 30) for n in range(20)]
    started: dict[str, float] = {}
    free = raised = 0.0
    for step in range(4_000):
        outlet.now = step * 0.005
        late = [alarm(20, priority=Priority.ALARM)] if outlet.now >= 2.0 else []
        raised = raised or (outlet.now if late else 0.0)
        outlet.show(*flood, *late)
        if outlet.now < free:
            continue
        said = outlet.next()
        free = outlet.now + sum(len(compose([s.talker + s.formatter, *s.fields])) for s in said) * 10 / 4_800
        if said and said[0].formatter == "ALF":
            started.setdefault(said[0].fields[8], outlet.now)
    longest_group_s = 2 * 82 * 10 / 4_800
    assert raised <= started["10021"] <= raised + longest_group_s + 0.005
    assert sum(at > started["10021"] for at in started.values()) > 5


def test_a_long_list_is_interrupted_by_an_alarm(outlet: Outlet) -> None:
    """Pins that the cyclic list goes line by line and last."""
    standing = [alarm(n, S.ACKNOWLEDGED) for n in range(20)]
    outlet.show(*standing)
    outlet.rest()
    outlet.now = 29.99
    assert outlet.next() == []
    outlet.now = 31.0
    assert [outlet.next()[0].formatter for _ in range(2)] == ["HBT", "ALC"]
    outlet.show(*standing, alarm(20))
    assert letters(outlet.next()) == [("10021", "V")]
    rest = outlet.rest()
    assert {s.formatter for s in rest} == {"ALC"}
    assert rest[-1].fields[0] == rest[-1].fields[1] == f"{len(rest) + 1:02d}"


def test_list_and_heartbeat_every_30_s(outlet: Outlet) -> None:
    """Pins ten minutes: twenty empty lists and twenty heartbeats, V while the pipeline stands still."""
    said: list[Sentence] = []
    for second in range(1, 601):
        outlet.now = float(second)
        outlet.show(fresh=second <= 300)
        said += outlet.rest()
    beats = [s.fields for s in said if s.formatter == "HBT"]
    lists = [s.fields for s in said if s.formatter == "ALC"]
    assert len(beats) == len(lists) == 20
    assert [b[1] for b in beats] == ["A"] * 10 + ["V"] * 10
    assert [b[0] for b in beats] == ["30.0"] * 20
    assert lists[0] == ("01", "01", "02", "0")


def test_silence_is_told_and_ends(outlet: Outlet) -> None:
    """Pins S with a new revision, the act, and that the sound comes back after 30 s with another revision."""
    outlet.show(alarm(3, revision=99))
    outlet.rest()
    outlet.hear("CAACN", "", "XXX", "10004", "1", "S", "C")
    outlet.hear("CAACN", "", "XXX", "10004", "1", "S", "C")
    said = outlet.rest()
    assert letters(said) == [("10004", "S")] and said[0].fields[10] == "1"
    assert outlet.box.acts == [("silence", "engine-0", 3, "panel")]
    outlet.now = 29.0
    outlet.show(alarm(3, revision=99))
    assert outlet.next() == []
    outlet.now = 30.1
    outlet.show(alarm(3, revision=99))
    said = [s for s in outlet.rest() if s.formatter == "ALF"]
    assert letters(said) == [("10004", "V")] and said[0].fields[10] == "2"


def test_silence_stops_nothing_else(outlet: Outlet) -> None:
    """Pins that silencing all leaves a later alarm loud and an acknowledged one as it was."""
    outlet.show(alarm(3), alarm(4, S.ACKNOWLEDGED))
    outlet.rest()
    outlet.hear("CAACN", "", "", "0", "0", "S", "C")
    outlet.show(alarm(3), alarm(4, S.ACKNOWLEDGED), alarm(5))
    assert letters(outlet.rest()) == [("10006", "V"), ("10004", "S")]
    assert [act[2] for act in outlet.box.acts] == [3]


def test_a_silenced_alarm_that_is_acknowledged_is_told(outlet: Outlet) -> None:
    """Pins S → A, and that the next raise is loud again."""
    outlet.show(alarm(3))
    outlet.hear("CAACN", "", "XXX", "10004", "1", "S", "C")
    outlet.rest()
    outlet.show(alarm(3, S.ACKNOWLEDGED, revision=2))
    assert letters(outlet.rest()) == [("10004", "A")]
    outlet.show(alarm(3, revision=3))
    assert letters(outlet.rest()) == [("10004", "V")]


@pytest.mark.parametrize("command", ["A", "O"])
def test_acknowledging_on_the_bridge_is_refused(outlet: Outlet, command: str) -> None:
    """Pins ARC with the refused command: category C is not acknowledged on the bridge, nor handed over."""
    outlet.show(alarm(20))
    outlet.rest()
    outlet.hear("CAACN", "123501.00", "XXX", "10021", "1", command, "C")
    assert outlet.rest() == [Sentence("ER", "ARC", ("123501.00", "XXX", "10021", "1", command))]
    assert outlet.box.acts == []


def test_a_request_is_answered(outlet: Outlet) -> None:
    """Pins Q for one alarm, normal ones included, and for all that stand."""
    outlet.show(alarm(3, S.NORMAL), alarm(4, S.ACKNOWLEDGED), alarm(5, S.RETURNED))
    outlet.rest()
    outlet.hear("CAACN", "", "XXX", "10004", "", "Q", "C")
    assert letters(outlet.rest()) == [("10004", "N")]
    outlet.hear("CAACN", "", "", "0", "", "Q", "C")
    assert letters(outlet.rest()) == [("10005", "A"), ("10006", "U")]


def test_others_commands_and_unknown_alerts(outlet: Outlet) -> None:
    """Pins silence for another maker's alert, refusal for ours that does not exist, nothing without the field C."""
    outlet.show(alarm(3))
    outlet.rest()
    outlet.hear("CAACN", "", "ABC", "10004", "1", "A", "C")
    outlet.hear("CAACN", "", "XXX", "10004", "1", "S", "")
    assert outlet.rest() == []
    outlet.hear("CAACN", "", "XXX", "10004", "2", "S", "C")
    assert [s.fields[4] for s in outlet.rest()] == ["S"]
    assert outlet.box.acts == []


def test_nothing_is_heard_where_it_is_not_enabled() -> None:
    """Pins that accept = false takes no command and answers none."""
    box = Box(board(engine(0, (alarm(3),))))
    queue = SentenceQueue(SentenceSettings(port="x"), box.act)
    queue.look(box.view, 0.0)
    while queue.next(0.0, UTC):
        pass
    for command in "ASQO":
        queue.hear(compose(["CAACN", "", "XXX", "10004", "1", command, "C"]).encode(), "panel", 0.0)
    assert queue.next(0.0, UTC) is None
    assert box.acts == []


def test_a_flood_of_commands_is_bounded(outlet: Outlet) -> None:
    """Pins that ten thousand refused commands leave no more than the cap of answers."""
    outlet.show(alarm(3))
    outlet.rest()
    for _ in range(10_000):
        outlet.hear("CAACN", "", "XXX", "10004", "1", "A", "C")
        outlet.hear("CAACN", "", "XXX", "10004", "1", "Q", "C")
    said = [s.formatter for s in outlet.rest()]
    assert said == ["ARC"] * REFUSALS_KEPT + ["ALF"] * 2


def test_what_was_not_taken_is_told_again(outlet: Outlet) -> None:
    """Pins that an alert survives a line that did not take it."""
    outlet.show(alarm(3))
    group = outlet.queue.next(0.0, UTC)
    assert group is not None
    outlet.queue.put_back(group)
    assert letters(outlet.next()) == [("10004", "V")]
    assert outlet.next() == []


def test_older_panels() -> None:
    """Pins the dialect of ALR out and ACK in: change, list, empty list, acknowledgement of the second engine."""
    outlet = Outlet(dialect="alr")
    outlet.show()
    assert [s.formatter for s in outlet.rest()] == ["HBT", "ALR"]
    both = board(engine(0, (alarm(3, S.ACKNOWLEDGED),)), engine(1, (alarm(3, instance=2),)))
    outlet.box.view = both
    outlet.queue.look(both, 0.0)
    assert [s.fields[1:4] for s in outlet.rest()] == [("063", "A", "V"), ("003", "A", "A")]
    outlet.hear("VRACK", "003")
    outlet.hear("VRACK", "063")
    outlet.hear("CAACN", "", "XXX", "10004", "0", "S", "C")
    assert outlet.box.acts == [("acknowledge", "engine-1", 3, "panel")]
    outlet.now = 31.0
    assert [s.formatter for s in outlet.rest()] == ["HBT", "ALR", "ALR"]


STATES = st.sampled_from(list(AlarmState))


@given(
    st.lists(st.tuples(st.lists(STATES, min_size=4, max_size=4), st.binary(max_size=40), st.floats(0, 40)), max_size=12)
)
def test_any_course_is_told_truly(course: list[tuple[list[AlarmState], bytes, float]]) -> None:
    """Pins over any course of states and garbage that the last word on each alarm is its state, and no act is made."""
    outlet = Outlet()
    last: dict[str, str] = {}
    view: Snapshot = outlet.box.view
    for revision, (states, noise, wait) in enumerate(course, 1):
        outlet.now += wait
        outlet.show(*(alarm(n, s, revision=revision) for n, s in enumerate(states)))
        outlet.queue.hear(noise, "panel", outlet.now)
        last |= dict(letters(outlet.rest()))
        view = outlet.box.view
    expected = {S.UNACKNOWLEDGED: "V", S.ACKNOWLEDGED: "A", S.RETURNED: "U"}
    for a in view.engines[0].alarms:
        assert last.get(str(10_001 + a.no), "N") == expected.get(a.state, "N")
    assert outlet.box.acts == []
