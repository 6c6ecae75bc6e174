"""Every transition of one alarm, against a table written out after IEC 62682 / ISA-18.2.

Source of the states and of the transitions between A, B, C, D and to and from G, H, I: ISA-18.2 / IEC 62682 as OPC
10000-9 gives it (A normal, B unacknowledged, C acknowledged, D returned unacknowledged; the letters G shelved,
H suppressed by design, I out of service are from memory). The standard leaves open what an alarm that comes back from
G, H or I becomes ("A or B according to the process"); the table says A or B by the process, never C.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest

from gateway.alarm.machine import Alarm, Finding
from gateway.alarm.table import Row
from gateway.model.enums import AlarmState, Priority, Running
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.records import Transition

ROW = Row(0, "lag-near", "T", Priority.WARNING, "deg", 0.0, 0.0, 0.0, frozenset(Running))
LETTERS = {
    "A": AlarmState.NORMAL,
    "B": AlarmState.UNACKNOWLEDGED,
    "C": AlarmState.ACKNOWLEDGED,
    "D": AlarmState.RETURNED,
    "G": AlarmState.SHELVED,
    "H": AlarmState.SUPPRESSED,
    "I": AlarmState.OUT_OF_SERVICE,
}
EVENTS: dict[str, Callable[[Alarm, int], list[Transition]]] = {
    "abnormal": lambda a, t: list(a.judge(t, Finding(True, 1.6, 1.5, "late"))),
    "normal": lambda a, t: list(a.judge(t, Finding(False, 1.0, 1.5))),
    "not-known": lambda a, t: list(a.judge(t, Finding(None))),
    "acknowledge": lambda a, t: list(a.acknowledge(t, "2nd engineer")),
    "shelve": lambda a, t: list(a.shelve(t, 8.0, "2nd engineer", "spare on order")),
    "unshelve": lambda a, t: list(a.unshelve(t, "2nd engineer")),
    "suppress": lambda a, t: list(a.suppress(t, True)),
    "unsuppress": lambda a, t: list(a.suppress(t, False)),
    "take-out": lambda a, t: list(a.out_of_service(t, "2nd engineer", "work on the drive")),
    "explained": lambda a, t: list(a.explained(t)),
    "put-in": lambda a, t: list(a.in_service(t, "2nd engineer")),
}
WAYS: dict[str, tuple[str, ...]] = {
    "A": (),
    "B": ("abnormal",),
    "C": ("abnormal", "acknowledge"),
    "D": ("abnormal", "normal"),
    "G0": ("shelve",),
    "G1": ("abnormal", "acknowledge", "shelve"),
    "H0": ("suppress",),
    "H1": ("abnormal", "acknowledge", "suppress"),
    "I0": ("take-out",),
    "I1": ("abnormal", "acknowledge", "take-out"),
}
"""How each situation is reached; 0 and 1: the process is normal, abnormal behind it."""

TABLE = """
      abnormal normal not-known acknowledge shelve unshelve suppress unsuppress take-out put-in explained
A     B        A      A         A           G      A        H        A          I        A      A
B     B        D      B         C           G      B        H        B          I        B      D
C     C        A      C         C           G      C        H        C          I        C      A
D     B        D      D         A           G      D        H        D          I        D      D
G0    G        G      G         G           G      A        H        G          I        G      G
G1    G        G      G         G           G      B        H        G          I        G      G
H0    H        H      H         H           H      H        H        A          I        H      H
H1    H        H      H         H           H      H        H        B          I        H      H
I0    I        I      I         I           I      I        I        I          I        A      I
I1    I        I      I         I           I      I        I        I          I        B      I
"""


def cases() -> list[tuple[str, str, str]]:
    """Every cell of the table: situation, event, state after it."""
    head, *rows = [line.split() for line in TABLE.strip().splitlines()]
    return [(row[0], event, to) for row in rows for event, to in zip(head, row[1:], strict=True)]


def reached(way: tuple[str, ...]) -> Alarm:
    """A fresh alarm taken along this way, a second a step."""
    alarm = Alarm(ROW, None, "main")
    for t, event in enumerate(way, start=1):
        EVENTS[event](alarm, t * 1_000_000)
    return alarm


def test_what_a_record_explains_ends_without_its_delay() -> None:
    """A day of off-delay is for a condition that comes and goes, not for one that is accounted for."""
    alarm = Alarm(replace(ROW, on_delay_s=60.0, off_delay_s=86_400.0), None, "main")
    alarm.judge(0, Finding(True))
    alarm.explained(30_000_000)
    assert alarm.judge(60_000_000, Finding(True)) == []
    assert alarm.judge(120_000_000, Finding(True))[0].to is AlarmState.UNACKNOWLEDGED
    assert alarm.explained(121_000_000)[0].to is AlarmState.RETURNED


def test_the_table_is_whole() -> None:
    """Ten situations by eleven events."""
    assert {s for s, _, _ in cases()} == set(WAYS)
    assert {e for _, e, _ in cases()} == set(EVENTS)
    assert len(cases()) == len(WAYS) * len(EVENTS) == 110


@pytest.mark.parametrize(("situation", "event", "to"), cases())
def test_every_cell(situation: str, event: str, to: str) -> None:
    """The state after it is the table's; one transition is told when the state changed and none when it did not."""
    alarm = reached(WAYS[situation])
    before = alarm.state
    assert before is LETTERS[situation[0]]
    revision = alarm.facts.revision
    told = EVENTS[event](alarm, 99_000_000)
    assert alarm.state is LETTERS[to]
    if alarm.state is before:
        assert told == []
        assert alarm.facts.revision == revision
    else:
        (t,) = told
        assert (t.t_us, t.engine, t.tag, t.came_from, t.to) == (99_000_000, "main", "lag-near", before, alarm.state)
        assert alarm.facts.revision == revision + 1


@pytest.mark.parametrize(
    ("situation", "back", "to"),
    [("G0", "unshelve", "B"), ("H0", "unsuppress", "B"), ("I0", "put-in", "B"),
     ("G1", "unshelve", "A"), ("H1", "unsuppress", "A"), ("I1", "put-in", "A")],
)  # fmt: skip
def test_what_happens_behind_a_withdrawal_is_seen_when_it_ends(situation: str, back: str, to: str) -> None:
    """Became abnormal meanwhile: it calls; became normal meanwhile: it is normal."""
    alarm = reached((*WAYS[situation], "abnormal" if to == "B" else "normal"))
    EVENTS[back](alarm, 99_000_000)
    assert alarm.state is LETTERS[to]


def test_who_did_it_and_why_is_told() -> None:
    """Acts of people carry the name and the reason; the process has neither."""
    alarm = reached(())
    (raised,) = EVENTS["abnormal"](alarm, 1)
    assert (raised.by, raised.why, raised.value, raised.limit, raised.text) == (None, None, 1.6, 1.5, "late")
    (acknowledged,) = EVENTS["acknowledge"](alarm, 2)
    assert acknowledged.by == "2nd engineer"
    (shelved,) = EVENTS["shelve"](alarm, 3)
    assert (shelved.by, shelved.why) == ("2nd engineer", "spare on order")


def test_what_has_gone_by_the_end_of_shelving_is_not_called_for_its_off_delay() -> None:
    """As after a restart, which may have forgotten that it went: it comes back normal, and calls if it does not go."""
    for again in (False, True):
        alarm = reached(("abnormal", "shelve"))
        alarm.off_delay_us = 30_000_000
        end_us = alarm.facts.shelved_until_us or 0
        assert list(alarm.judge(end_us, Finding(False))) == []
        assert list(alarm.judge(end_us + 29_000_000, Finding(False))) == []
        told = list(alarm.judge(end_us + 30_000_000, Finding(again)))
        told += alarm.judge(end_us + 31_000_000, Finding(again))
        (back,) = told
        assert back.to is (AlarmState.UNACKNOWLEDGED if again else AlarmState.NORMAL)
        assert (back.came_from, back.why) == (AlarmState.SHELVED, "shelving ended")


def test_shelving_lasts_a_day_at_most_and_ends_by_itself() -> None:
    """Asked for a week: back within 24 h, by nobody, and calling when the process is still abnormal."""
    alarm = reached(("abnormal",))
    list(alarm.shelve(0, 168.0, "x", "y"))
    end_us = round(SHELVE_HOURS_MAX * 3.6e9)
    assert alarm.facts.shelved_until_us == end_us
    assert list(alarm.judge(end_us - 1, Finding(True))) == []
    (back,) = list(alarm.judge(end_us, Finding(None)))
    assert (back.came_from, back.to, back.by, back.why) == (
        AlarmState.SHELVED,
        AlarmState.UNACKNOWLEDGED,
        None,
        "shelving ended",
    )


def test_revision_runs_from_1_to_99_and_round() -> None:
    """IEC 61162's revision field is 1–99."""
    alarm = reached(())
    seen = []
    for k in range(100):
        EVENTS["abnormal" if k % 2 == 0 else "normal"](alarm, k)
        if k % 2:
            EVENTS["acknowledge"](alarm, k)
        seen.append(alarm.facts.revision)
    assert min(seen) == 1 and max(seen) <= 99
