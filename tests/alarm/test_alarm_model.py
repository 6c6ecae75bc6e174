"""Alarms walked at random beside a second model, which is told nothing of how the first one works."""

import json
from dataclasses import dataclass, field

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from gateway.alarm.machine import AlarmSet, Finding
from gateway.alarm.table import Row
from gateway.model.enums import Priority, Running
from gateway.model.records import Transition

ANY = frozenset(Running)
HIGH = Row(1, "lag-limit", "T", Priority.ALARM, "deg", 60.0, 300.0, 0.05, ANY)
LOW = Row(0, "lag-near", "T", Priority.WARNING, "deg", 30.0, 300.0, 0.05, ANY, suppressed_by=("lag-limit",))
QUICK = Row(2, "lag-step", "T", Priority.ALARM, "deg", 0.0, 60.0, 0.0, ANY)
ROWS = (LOW, HIGH, QUICK)
SECOND_US = 1_000_000


@dataclass
class Model:
    """One alarm by the book: a letter for the process side, three flags over it, and all that was ever found."""

    row: Row
    letter: str = "normal"
    out: bool = False
    hidden: bool = False
    shelved_until: int | None = None
    found: list[tuple[int, bool | None]] = field(default_factory=list)

    @property
    def abnormal(self) -> bool:
        """What the process is held to be."""
        return self.letter in ("unacknowledged", "acknowledged")

    @property
    def shown(self) -> str:
        """What a person sees."""
        if self.out:
            return "out-of-service"
        if self.hidden:
            return "suppressed"
        return "shelved" if self.shelved_until is not None else self.letter

    def is_against(self) -> bool:
        """Does the last finding say the opposite of what is held?"""
        return self.found[-1][1] is (not self.abnormal)

    def flips(self) -> bool:
        """Has every known finding said so, since the last that did not, for the delay? Unknown time does not count."""
        spent = 0
        later = self.found[-1][0]
        for t, over in reversed(self.found):
            if over is self.abnormal:
                break
            spent += later - t if over is not None else 0
            later = t
        delay_s = self.row.off_delay_s if self.abnormal else self.row.on_delay_s
        return self.is_against() and spent >= delay_s * SECOND_US

    def back(self) -> None:
        """Out of a withdrawal: as the process says, nothing acknowledged."""
        self.letter = "unacknowledged" if self.abnormal else "normal"

    def flip(self) -> None:
        """The process changed."""
        self.found = self.found[-1:]
        turns = {"normal": "unacknowledged", "returned": "unacknowledged", "unacknowledged": "returned"}
        self.letter = turns.get(self.letter, "normal")


class Walk(RuleBasedStateMachine):
    """Time, findings, people and restarts in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.t = 0
        self.real = AlarmSet(ROWS, {}, "main")
        self.model = {row.tag: Model(row) for row in ROWS}
        self.over: dict[str, bool | None] = dict.fromkeys(self.model, False)
        self.history: dict[str, list[str]] = {tag: ["normal"] for tag in self.model}

    def told(self, transitions: list[Transition]) -> None:
        """Each transition begins where the one before it ended."""
        for t in transitions:
            assert t.came_from.value == self.history[t.tag][-1]
            assert t.to.value != t.came_from.value
            self.history[t.tag].append(t.to.value)

    def hide(self, *, give_back: bool = False) -> None:
        """The higher one, unless it is out of service, stands for the lower. `give_back`: all are judged; a lower one
        that is itself on its way back waits for that."""
        high, low = self.model["lag-limit"], self.model["lag-near"]
        if high.abnormal and not high.out:
            low.hidden = True
        elif give_back and low.hidden and not (low.abnormal and low.is_against()):
            low.back()
            low.hidden = False

    @rule(seconds=st.sampled_from([1, 5, 29, 30, 60, 299, 300, 3_600, 30_000]))
    def judge(self, seconds: int) -> None:
        """Time passes, and all is judged once."""
        self.t += seconds * SECOND_US
        self.told(list(self.real.judge(self.t, {tag: Finding(over, 1.0) for tag, over in self.over.items()})))
        for tag in ("lag-limit", "lag-step", "lag-near"):
            m = self.model[tag]
            going = m.abnormal and self.over[tag] is False
            if m.shelved_until is not None and self.t >= m.shelved_until and not going:
                m.shelved_until = None
                m.back()
            m.found.append((self.t, self.over[tag]))
            high = self.model["lag-limit"]
            waits = tag == "lag-near" and not m.abnormal and not high.abnormal and high.is_against()
            if m.flips() and not waits:
                m.flip()
            self.hide()
        self.hide(give_back=True)

    @rule(tag=st.sampled_from([r.tag for r in ROWS]), over=st.sampled_from([True, False, None]))
    def find(self, tag: str, over: bool | None) -> None:
        """From now on this is what judging finds."""
        self.over[tag] = over

    @rule(tag=st.sampled_from([r.tag for r in ROWS]))
    def acknowledge(self, tag: str) -> None:
        """Only what is seen can be acknowledged."""
        self.told(list(self.real[tag].acknowledge(self.t, "x")))
        m = self.model[tag]
        if m.shown == "unacknowledged":
            m.letter = "acknowledged"
        elif m.shown == "returned":
            m.letter = "normal"

    @rule(tag=st.sampled_from([r.tag for r in ROWS]), hours=st.sampled_from([0.01, 1.0, 24.0, 100.0]))
    def shelve(self, tag: str, hours: float) -> None:
        """For a time, a day at most."""
        self.told(list(self.real[tag].shelve(self.t, hours, "x", "y")))
        self.model[tag].shelved_until = self.t + round(min(hours, 24.0) * 3_600 * SECOND_US)

    @rule(tag=st.sampled_from([r.tag for r in ROWS]))
    def unshelve(self, tag: str) -> None:
        """Before its time."""
        self.told(list(self.real[tag].unshelve(self.t, "x")))
        m = self.model[tag]
        if m.shelved_until is not None:
            m.shelved_until = None
            m.back()

    @rule(tag=st.sampled_from([r.tag for r in ROWS]), out=st.booleans())
    def service(self, tag: str, out: bool) -> None:
        """Out of service, or back."""
        m = self.model[tag]
        if out:
            self.told(list(self.real[tag].out_of_service(self.t, "x", "y")))
        else:
            self.told(list(self.real[tag].in_service(self.t, "x")))
            if m.out:
                m.back()
        m.out = out

    @rule()
    def restart(self) -> None:
        """Everything but the checkpoint, as JSON, is lost."""
        kept = json.loads(json.dumps(self.real.checkpoint()))
        self.real = AlarmSet(ROWS, {}, "main")
        self.real.restore(kept)

    @invariant()
    def alike(self) -> None:
        """Both show the same, the told transitions lead there, and the active ones are the same."""
        for tag, m in self.model.items():
            assert self.real[tag].state.value == m.shown == self.history[tag][-1], tag
            assert self.real.active(tag) == m.abnormal


Walk.TestCase.settings = settings(max_examples=120, stateful_step_count=60)
test_walk = Walk.TestCase


def test_what_ends_shelved_and_is_withdrawn_at_once_is_told_in_that_order() -> None:
    """The last that is told of an alarm is how it stands, though both happen in one look."""
    alarms = AlarmSet(ROWS, {}, "main")
    over = {"lag-limit": Finding(True, 1.0), "lag-near": Finding(False, 1.0), "lag-step": Finding(False)}
    for t_s in (0, 61):
        list(alarms.judge(t_s * SECOND_US, over))
    list(alarms["lag-limit"].out_of_service(62 * SECOND_US, "x", "y"))
    list(alarms.judge(63 * SECOND_US, over))
    list(alarms["lag-near"].shelve(64 * SECOND_US, 0.01, "x", "y"))
    list(alarms["lag-limit"].in_service(65 * SECOND_US, "x"))
    told = [(t.came_from.value, t.to.value) for t in alarms.judge(200 * SECOND_US, over) if t.tag == "lag-near"]
    assert told == [("shelved", "normal"), ("normal", "suppressed")]
