"""The state machine of one alarm and of a set of them, after IEC 62682 / ISA-18.2.

An alarm keeps four facts, each moved by its own cause and by nothing else:

    active      the process: the condition has held for the on-delay; false again after the off-delay
    accepted    a person has acknowledged this occurrence; true also where there is nothing to accept
    shelved     a person has shelved it until a time, at most a day; it comes back by itself
    withdrawn   a person has taken it out of service, or design suppresses it (a higher alarm stands for it)

The state that is shown follows from the facts, withdrawn over shelved over the rest:

    active  accepted   state
    no      yes        normal
    yes     no         unacknowledged
    yes     yes        acknowledged
    no      no         returned

So every transition of the standard is there and no other can be: raising clears `accepted`; accepting sets it;
returning touches `active` alone; an alarm that comes back from being shelved or withdrawn and is active must be
accepted again. A condition that is not known (`None`) moves nothing: nothing ever turns normal for want of data.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import NamedTuple

from gateway.alarm.table import Row
from gateway.alarm.wording import cleared_text
from gateway.model.enums import AlarmState, Priority
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.records import Transition
from gateway.model.settings import AlarmTuning

HOUR_US = 3_600_000_000
WATCH_US = 4 * HOUR_US
"""A watch at sea (common practice, no source)."""
REPEATS_MAX = 12
"""After so many repeats it goes on only once a watch: nobody is there to hear it, and the link ashore is dear."""
LOOK_US = 10_000_000
JUDGE_US = 1_000_000
"""No alarm needs to be looked at more often, but for a jump, which is certain at one revolution."""


class Finding(NamedTuple):
    """What judging found. `over`: the condition holds, does not, or (`None`) is not known and the alarm is held."""

    over: bool | None
    value: float | None = None
    limit: float | None = None
    text: str = ""
    causes: tuple[str, ...] = ()


HELD = Finding(None)
KEPT_AS = {"announced_us": "told_us"}
"""Facts whose names in a store are those of release 0.1."""


@dataclass(slots=True)
class AlarmFacts:
    """What one alarm remembers; all of it survives a restart."""

    active: bool = False
    accepted: bool = True
    shelved_until_us: int | None = None
    out_of_service: bool = False
    suppressed: bool = False
    pending_since_us: int | None = None
    spent_us: int = 0
    """Of the delay, before it was held."""
    changed_us: int = 0
    since_us: int | None = None
    revision: int = 0
    value: float | None = None
    limit: float | None = None
    text: str = ""
    causes: tuple[str, ...] = field(default=())
    announced_us: int = 0
    """When it was last announced, repeated or reminded of."""
    repeats: int = 0
    away: str = ""
    """Who shelved it or took it out of service, and why."""


class Alarm:
    """One alarm. Its methods return the transitions they cause, in order."""

    def __init__(self, row: Row, tuning: AlarmTuning | None = None, engine: str | None = None) -> None:
        t = tuning or AlarmTuning()
        self.row = row
        self.engine = engine
        self.priority: Priority = t.priority or row.priority
        self.usual_priority = self.priority
        """A trial may be raised with another one."""
        self.on_delay_us = round(1e6 * (row.on_delay_s if t.on_delay_s is None else t.on_delay_s))
        self.off_delay_us = round(1e6 * (row.off_delay_s if t.off_delay_s is None else t.off_delay_s))
        self.deadband = row.deadband if t.deadband is None else t.deadband
        self.facts = AlarmFacts()
        self.present: Finding | None = None
        """What was last found while it stands: the figure that is shown. Not kept over a restart."""

    @property
    def state(self) -> AlarmState:
        """The state that is shown."""
        f = self.facts
        if f.out_of_service:
            return AlarmState.OUT_OF_SERVICE
        if f.suppressed:
            return AlarmState.SUPPRESSED
        if f.shelved_until_us is not None:
            return AlarmState.SHELVED
        if f.active:
            return AlarmState.ACKNOWLEDGED if f.accepted else AlarmState.UNACKNOWLEDGED
        return AlarmState.NORMAL if f.accepted else AlarmState.RETURNED

    @property
    def calls(self) -> bool:
        """Does it stand in the list: active or not yet accepted, and neither shelved nor withdrawn?"""
        return self.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)

    @property
    def is_rising(self) -> bool:
        """Does its condition hold, and only its on-delay keep it?"""
        return not self.facts.active and self.facts.pending_since_us is not None

    @property
    def is_falling(self) -> bool:
        """Has its condition gone, and only its off-delay keeps it?"""
        return self.facts.active and self.facts.pending_since_us is not None

    def judge(self, now_us: int, finding: Finding, wait: bool = False) -> list[Transition]:
        """Take a finding at `now_us`: start, stop or end the delays. `wait`: do not become active yet."""
        out = self._end_shelving(now_us, finding)
        f = self.facts
        if finding.over is None:
            # The delay stands still: one of hours must outlast a change of speed, and no unknown time counts.
            if f.pending_since_us is not None:
                f.spent_us, f.pending_since_us = now_us - f.pending_since_us, None
        elif finding.over == f.active:
            f.pending_since_us, f.spent_us = None, 0
        elif self._is_due(now_us, wait):
            out += self._flip(now_us, finding)
        return out

    def _end_shelving(self, now_us: int, finding: Finding) -> list[Transition]:
        f = self.facts
        going = f.active and finding.over is False
        # One whose condition has gone meanwhile is not called for the length of its off-delay.
        if f.shelved_until_us is not None and now_us >= f.shelved_until_us and not going:
            return self._put_back(now_us, "shelving ended", None)
        return []

    def _is_due(self, now_us: int, wait: bool) -> bool:
        """The condition has changed: is its delay over? The first call starts it."""
        f = self.facts
        if f.pending_since_us is None:
            f.pending_since_us, f.spent_us = now_us - f.spent_us, 0
        if wait and not f.active:
            return False
        return now_us - f.pending_since_us >= (self.off_delay_us if f.active else self.on_delay_us)

    def _flip(self, now_us: int, finding: Finding) -> list[Transition]:
        f, before = self.facts, self.state
        f.active = not f.active
        f.pending_since_us = None
        f.value, f.limit = finding.value, finding.limit
        self.present = None
        if f.active:
            f.accepted, f.since_us = False, now_us
            f.text, f.causes = finding.text, finding.causes
        else:
            f.text = cleared_text(self.row.tag, finding.value, finding.limit, self.row.unit)
        return self._moved(now_us, before)

    def _moved(
        self, now_us: int, before: AlarmState, by: str | None = None, why: str | None = None
    ) -> list[Transition]:
        f = self.facts
        if self.state is before:
            return []
        f.changed_us = f.announced_us = now_us
        f.repeats = 0
        f.revision = f.revision % 99 + 1
        return [self._transition(now_us, before, by, why)]

    def _transition(self, now_us: int, before: AlarmState, by: str | None, why: str | None) -> Transition:
        f = self.facts
        return Transition(
            now_us, self.engine, self.row.tag, self.priority, before, self.state, f.value, f.limit, self.row.unit,
            f.text, f.causes, by, why, f.since_us,
        )  # fmt: skip

    def announce_again(self, now_us: int, by: str | None = None, why: str | None = None) -> Transition:
        """The state as it stands, once more: a repeat, a reminder, or an act that does not show in the state."""
        self.facts.announced_us = now_us
        return self._transition(now_us, self.state, by, why)

    def repeat(self, now_us: int, repeat_us: int, remind_us: int) -> list[Transition]:
        """Announce it again when that is due. Cautions are not repeated. 0 = never."""
        f, state = self.facts, self.state
        if state is AlarmState.OUT_OF_SERVICE:
            if remind_us and now_us - f.announced_us >= remind_us:
                return [self.announce_again(now_us, None, f"still out of service, {f.away}")]
        elif state is AlarmState.UNACKNOWLEDGED and self.priority is not Priority.CAUTION and repeat_us:
            every_us = repeat_us if f.repeats < REPEATS_MAX else max(repeat_us, WATCH_US)
            if now_us - f.announced_us >= every_us:
                f.repeats += 1
                return [self.announce_again(now_us, None, "still not acknowledged")]
        return []

    def explained(self, now_us: int) -> list[Transition]:
        """A maintenance record accounts for what it was raised for: it ends at once, without its off-delay."""
        f = self.facts
        f.pending_since_us, f.spent_us = None, 0
        return self._flip(now_us, Finding(False)) if f.active else []

    # -- what people and design do ------------------------------------------------------------------------------

    def acknowledge(self, now_us: int, by: str) -> list[Transition]:
        """A person has seen it. Nothing to accept, or shelved: nothing happens."""
        before = self.state
        if before not in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED):
            return []
        self.facts.accepted = True
        return self._moved(now_us, before, by)

    def shelve(self, now_us: int, hours: float, by: str, why: str) -> list[Transition]:
        """Shelve it for a time, at most a day; shelving again moves the end."""
        before = self.state
        self.facts.shelved_until_us = now_us + round(min(hours, SHELVE_HOURS_MAX) * HOUR_US)
        self.facts.away = f"{by}: {why}"
        return self._moved(now_us, before, by, why)

    def unshelve(self, now_us: int, by: str) -> list[Transition]:
        """Bring it back before its time."""
        return [] if self.facts.shelved_until_us is None else self._put_back(now_us, None, by)

    def _put_back(self, now_us: int, why: str | None, by: str | None) -> list[Transition]:
        before = self.state
        self.facts.shelved_until_us = None
        self.facts.accepted = not self.facts.active
        return self._moved(now_us, before, by, why)

    def out_of_service(self, now_us: int, by: str, why: str) -> list[Transition]:
        """Taken out for work on the drive; ends only by hand."""
        before = self.state
        self.facts.out_of_service = True
        self.facts.away = f"{by}: {why}"
        return self._moved(now_us, before, by, why)

    def in_service(self, now_us: int, by: str) -> list[Transition]:
        """Work is done."""
        if not self.facts.out_of_service:
            return []
        before = self.state
        self.facts.out_of_service = False
        self.facts.accepted = not self.facts.active
        return self._moved(now_us, before, by)

    def suppress(self, now_us: int, on: bool) -> list[Transition]:
        """By design: a higher alarm stands for this one, or no longer does."""
        f = self.facts
        if on == f.suppressed:
            return []
        before = self.state
        f.suppressed = on
        if not on:
            f.accepted = not f.active
        return self._moved(now_us, before)


class AlarmSet:
    """The alarms of one engine, or the gateway's own."""

    def __init__(
        self,
        rows: tuple[Row, ...],
        tunings: Mapping[str, AlarmTuning],
        engine: str | None,
        *,
        repeat_min: float = 0.0,
        remind_us: int = WATCH_US,
    ) -> None:
        """`repeat_min`: an alarm or warning that is not acknowledged is announced again after so long; 0 = never."""
        self._repeat_us, self._remind_us = round(repeat_min * 60e6), remind_us
        self._look_us = 0
        self._judged_us = -JUDGE_US
        self.alarms = {row.tag: Alarm(row, tunings.get(row.tag), engine) for row in rows}
        # What suppresses is judged before what it suppresses: a jump past both limits calls once.
        self._order = sorted(self.alarms.items(), key=lambda item: bool(item[1].row.suppressed_by))
        self._pairs = [
            (a, [self.alarms[tag] for tag in a.row.suppressed_by if tag in self.alarms])
            for _, a in self._order
            if a.row.suppressed_by
        ]

    def __getitem__(self, tag: str) -> Alarm:
        return self.alarms[tag]

    def active(self, tag: str) -> bool:
        """Does the condition of `tag` stand?"""
        return self.alarms[tag].facts.active

    def is_due(self, now_us: int) -> bool:
        """Has nothing been judged for a second?"""
        return now_us - self._judged_us >= JUDGE_US

    def judge(self, now_us: int, findings: Mapping[str, Finding]) -> list[Transition]:
        """Judge what was found; tags that are not among the findings are left alone."""
        out: list[Transition] = []
        self._judged_us = now_us
        for tag, alarm in self._order:
            finding = findings.get(tag)
            if finding is None:
                continue
            over, f = finding.over, alarm.facts
            # Nearly always the condition is as it stands, or not known, and no delay runs or is kept, and nothing ends:
            # then it moves nothing, and neither it nor the suppressed ones need be looked at.
            resting = f.pending_since_us is None and not f.spent_us and f.shelved_until_us is None
            if not (resting and (over is None or over is f.active)):
                out += self._one(now_us, alarm, finding)
            if over and f.active:
                alarm.present = finding
        for lower, higher in self._pairs:
            if lower.facts.suppressed != _stands_for(higher):
                out += self._withdraw(now_us)
                out += self._give_back(now_us)
                break
        return out

    def _one(self, now_us: int, alarm: Alarm, finding: Finding) -> list[Transition]:
        # While a higher one's delay runs, the lower waits: whatever comes of it, the situation calls once.
        wait = any(self.alarms[tag].is_rising for tag in alarm.row.suppressed_by if tag in self.alarms)
        raised = alarm.judge(now_us, finding, wait)
        # What this one stands for is withdrawn first, so that one situation calls once; its own moves keep their order.
        withdrawn = self._withdraw(now_us)
        own = [t for t in withdrawn if t.tag == alarm.row.tag]
        return [t for t in withdrawn if t.tag != alarm.row.tag] + raised + own

    def _withdraw(self, now_us: int) -> list[Transition]:
        out: list[Transition] = []
        for lower, higher in self._pairs:
            if not lower.facts.suppressed and _stands_for(higher):
                out += lower.suppress(now_us, True)
        return out

    def _give_back(self, now_us: int) -> list[Transition]:
        """Once all are judged: a lower alarm whose condition goes with the higher's does not call on the way down."""
        out: list[Transition] = []
        for lower, higher in self._pairs:
            if lower.facts.suppressed and not lower.is_falling and not _stands_for(higher):
                out += lower.suppress(now_us, False)
        return out

    def repeats(self, now_us: int) -> list[Transition]:
        """What is due to be announced again; looked for every ten seconds of head time."""
        if now_us < self._look_us:
            return []
        self._look_us = (now_us // LOOK_US + 1) * LOOK_US
        return [t for _, alarm in self._order for t in alarm.repeat(now_us, self._repeat_us, self._remind_us)]

    def checkpoint(self) -> dict[str, object]:
        """The facts of every alarm that is not simply normal and untouched."""
        untouched = AlarmFacts()
        kept = {tag: asdict(a.facts) for tag, a in self.alarms.items() if a.facts != untouched}
        return {tag: {KEPT_AS.get(k, k): v for k, v in facts.items()} for tag, facts in kept.items()}

    def restore(self, kept: Mapping[str, object]) -> None:
        """Take up the facts; a tag that is no longer in the table is let go."""
        for tag, facts in kept.items():
            if tag in self.alarms and isinstance(facts, dict):
                names = {KEPT_AS.get(name, name): name for name in AlarmFacts.__slots__}
                fields = {names[k]: v for k, v in facts.items()}
                self.alarms[tag].facts = AlarmFacts(**{**fields, "causes": tuple(facts["causes"])})


def _stands_for(higher: list[Alarm]) -> bool:
    """An alarm that is out of service calls nobody, so it stands for nothing."""
    found = False
    for alarm in higher:
        found |= alarm.facts.active and not alarm.facts.out_of_service
    return found
