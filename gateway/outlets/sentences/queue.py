"""What is to be sent next, and what was heard: the sentences' order of urgency. Time is an argument, no I/O.

A change waits as the name of its alert, not as text: what is sent is what stands at that moment, so an older change
of the same alert can never delay a newer one, and the queue is never longer than the table of alarms.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

from gateway.encode import sentences as wire
from gateway.encode.registers import PRIORITY_RANK
from gateway.encode.sentence_lines import SentenceError, parse
from gateway.model.enums import AlarmState
from gateway.model.panel_settings import SentenceSettings
from gateway.model.snapshot import GATEWAY, ActSender, AlarmView, Snapshot

SILENCE_S = 30.0
"""A silenced sound returns after so long (bridge alert management, by the project's page of standards)."""
REFUSALS_KEPT = 16
"""Answers to a flood of refused commands; the oldest goes."""

Key = tuple[str, int]
"""Slug (or GATEWAY) and row of the alarm table."""


@dataclass(frozen=True, slots=True)
class Group:
    """Lines that belong together and go out without anything between; `key`: the alert they are about, if any."""

    lines: tuple[str, ...]
    key: Key | None = None


@dataclass(frozen=True, slots=True)
class _Shown:
    alarm: AlarmView
    letter: str
    revision: int

    @property
    def meaning(self) -> tuple[object, ...]:
        """What makes it news; the text alone does not, it may carry a figure that moves all the time."""
        a = self.alarm
        return self.letter, self.revision, a.priority, a.title, a.unacknowledged

    @property
    def urgency(self) -> tuple[bool, int]:
        return self.letter == "V", PRIORITY_RANK[self.alarm.priority]


class SentenceQueue:
    """One outlet's view of the alarms. `look` at the board often, `hear` lines, take `next` when the line is free."""

    def __init__(self, settings: SentenceSettings, act: ActSender) -> None:
        self._settings = settings
        self._act = act
        self._shown: dict[Key, _Shown] = {}
        self._changed: dict[Key, int] = {}
        self._asked: dict[Key, None] = {}
        self._silenced: dict[Key, float] = {}
        self._bumps: dict[Key, int] = {}
        self._refusals: deque[wire.AlertCommand] = deque(maxlen=REFUSALS_KEPT)
        self._list: deque[str] = deque()
        self._order = 0
        self._alf_sequence = self._alc_sequence = self._hbt_sequence = 0
        self._list_due_s = self._beat_due_s = 0.0
        self._healthy = False

    def look(self, board: Snapshot, now: float) -> None:
        """Notice what has changed. `now`: a clock that does not step, in seconds."""
        self._healthy = board.fresh
        standing = dict(_alarms(board))
        for key in [k for k, until in self._silenced.items() if k not in standing or _is_over(standing[k], until, now)]:
            self._unsilence(key)
        for key in self._shown.keys() - standing.keys():
            standing[key] = self._gone(key)
        for key, alarm in standing.items():
            self._notice(key, alarm)

    def _notice(self, key: Key, alarm: AlarmView) -> None:
        letter = wire.state_letter(alarm, key in self._silenced)
        shown = _Shown(alarm, letter, (alarm.revision - 1 + self._bumps.get(key, 0)) % 99 + 1)
        before = self._shown.get(key)
        self._shown[key] = shown
        is_news = letter != "N" if before is None else before.meaning != shown.meaning
        if is_news:
            self._order += 1
            self._changed.pop(key, None)
            self._changed[key] = self._order

    def _gone(self, key: Key) -> AlarmView:
        """An alarm that is no longer on the board is reported as normal."""
        shown = self._shown[key]
        if shown.letter != "N":
            self._bumps[key] = self._bumps.get(key, 0) + 1
        return replace(shown.alarm, state=AlarmState.NORMAL, active=False, unacknowledged=False)

    def _unsilence(self, key: Key) -> None:
        del self._silenced[key]
        self._bumps[key] = self._bumps.get(key, 0) + 1

    def next(self, now: float, utc_s: float) -> Group | None:
        """What goes out now, most urgent first; `None` if there is nothing to wire."""
        if now >= self._beat_due_s:
            return self._beat(now)
        urgent = max(self._changed, key=self._rank, default=None)
        if urgent is not None and self._shown[urgent].letter == "V":
            return self._group(urgent)
        if self._refusals:
            return Group((wire.arc(utc_s, self._refusals.popleft()),))
        if urgent is not None:
            return self._group(urgent)
        if self._asked:
            return self._group(next(iter(self._asked)))
        if not self._list and now >= self._list_due_s:
            self._begin_list(now)
        return Group((self._list.popleft(),)) if self._list else None

    def put_back(self, group: Group) -> None:
        """The line did not take `group`: its alert is still to be reported."""
        if group.key in self._shown and group.key is not None:
            self._changed.setdefault(group.key, self._order)

    def _rank(self, key: Key) -> tuple[bool, int, int]:
        return *self._shown[key].urgency, self._changed[key]

    def _beat(self, now: float) -> Group:
        every = self._settings.heartbeat_every_s
        self._beat_due_s = now + every
        self._hbt_sequence = (self._hbt_sequence + 1) % 10
        return Group((wire.hbt(every, self._healthy, self._hbt_sequence),))

    def _group(self, key: Key) -> Group:
        self._changed.pop(key, None)
        self._asked.pop(key, None)
        return Group(tuple(self._lines(self._shown[key])), key)

    def _lines(self, shown: _Shown) -> list[str]:
        if self._settings.dialect == "alr":
            return [wire.alr(shown.alarm)]
        self._alf_sequence = (self._alf_sequence + 1) % 10
        return wire.alf(shown.alarm, shown.letter, shown.revision, self._settings.mnemonic, self._alf_sequence)

    def _begin_list(self, now: float) -> None:
        self._list_due_s = now + self._settings.list_every_s
        standing = sorted((s for s in self._shown.values() if s.letter != "N"), key=lambda s: s.urgency, reverse=True)
        if self._settings.dialect == "alr":
            self._list.extend([wire.alr(s.alarm) for s in standing] or [wire.alr_empty()])
            return
        self._alc_sequence = (self._alc_sequence + 1) % 100
        entries = ((wire.alert_id(s.alarm.no), s.alarm.instance, s.revision) for s in standing)
        self._list.extend(wire.alc(entries, self._settings.mnemonic, self._alc_sequence))

    def hear(self, line: bytes, by: str, now: float) -> None:
        """Take a line from the panel. What is no command for us, or not enabled, does nothing."""
        if not self._settings.accept:
            return
        try:
            sentence = parse(line)
        except SentenceError:
            return
        if self._settings.dialect == "alr":
            self._hear_ack(wire.read_ack(sentence), by)
        elif (command := wire.read_acn(sentence)) is not None:
            self._hear_acn(command, by, now)

    def _hear_ack(self, number: int | None, by: str) -> None:
        for (slug, no), shown in self._shown.items():
            if wire.alr_number(shown.alarm) == number and shown.alarm.unacknowledged:
                self._act("acknowledge", slug, no, by)

    def _hear_acn(self, command: wire.AlertCommand, by: str, now: float) -> None:
        is_for_all = command.alert_id == 0 and command.mnemonic == ""
        if command.mnemonic != self._settings.mnemonic and not is_for_all:
            return
        keys = self._matching(command)
        if command.command in ("A", "O") or (not keys and command.alert_id != 0):
            self._refusals.append(command)
        elif command.command == "Q":
            self._asked.update(dict.fromkeys(keys))
        else:
            self._silence(keys, by, now)

    def _matching(self, command: wire.AlertCommand) -> list[Key]:
        if command.alert_id == 0:
            return [key for key, shown in self._shown.items() if shown.letter != "N"]
        return [
            key
            for key, shown in self._shown.items()
            if wire.alert_id(shown.alarm.no) == command.alert_id and command.instance in (0, shown.alarm.instance)
        ]

    def _silence(self, keys: list[Key], by: str, now: float) -> None:
        for key in keys:
            if self._shown[key].letter not in ("V", "S"):
                continue
            if key not in self._silenced:
                self._bumps[key] = self._bumps.get(key, 0) + 1
                self._act("silence", *key, by)
            self._silenced[key] = now + SILENCE_S


def _is_over(alarm: AlarmView, until_s: float, now: float) -> bool:
    return alarm.state is not AlarmState.UNACKNOWLEDGED or now >= until_s


def _alarms(board: Snapshot) -> Iterator[tuple[Key, AlarmView]]:
    for engine in board.engines:
        for alarm in engine.alarms:
            yield (engine.slug, alarm.no), alarm
    for alarm in board.gateway_alarms:
        yield (GATEWAY, alarm.no), alarm
