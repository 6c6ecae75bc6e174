"""Alarms of a period by what they were, how often they came and how long they stood, and the load on people."""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from gateway.alarm.load import AlarmMoved, Load, load_on_people
from gateway.encode.shapes import AlarmEvent
from gateway.encode.times import utc_of
from gateway.model.enums import AlarmState, Priority

ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def moved(event: AlarmEvent, engine: str | None) -> AlarmMoved:
    """An alarm's event as the record of the load has it."""
    return AlarmMoved(utc_of(event.ts), engine, event.tag, event.priority, event.came_from, event.to)


def stored_move(payload: bytes, engine: str | None) -> AlarmMoved | None:
    """The same from the daemon's own record; `None` for a row that cannot be read: the others still count."""
    try:
        e = json.loads(payload)
        came_from, to = AlarmState(e["from"]), AlarmState(e["to"])
        return AlarmMoved(utc_of(e["ts"]), engine, str(e["tag"]), Priority(e["priority"]), came_from, to)
    except (KeyError, TypeError, ValueError):
        return None


@dataclass(frozen=True, slots=True)
class AlarmCount:
    """One alarm in the period. `raised`: announcements; `active_h`: active time, hours."""

    engine: str | None
    tag: str
    priority: Priority
    raised: int
    last_s: float | None
    active_h: float
    state: AlarmState


@dataclass(slots=True)
class _Course:
    priority: Priority
    state: AlarmState
    since_s: float | None = None
    raised: int = 0
    last_s: float | None = None
    active_s: float = 0.0


@dataclass(slots=True)
class Ledger:
    """Takes alarm events in the order of the record, up to the period's end; of those before it only what stands."""

    from_s: float
    to_s: float
    _alarms: dict[tuple[str | None, str], _Course] = field(default_factory=dict)
    _standing: dict[str, AlarmMoved] = field(default_factory=dict)
    _moves: list[AlarmMoved] = field(default_factory=list)

    def take(self, m: AlarmMoved) -> None:
        """One event."""
        if m.utc_s >= self.to_s:
            return
        if m.utc_s >= self.from_s:
            self._moves.append(m)
        elif m.to not in ACTIVE:
            self._standing.pop(m.name, None)
        else:
            self._standing.setdefault(m.name, m)
        a = self._alarms.setdefault((m.engine, m.tag), _Course(m.priority, m.to))
        if m.announces and m.utc_s >= self.from_s:
            a.raised, a.last_s = a.raised + 1, m.utc_s
        a.active_s += self._ended(a, m)
        a.priority, a.state = m.priority, m.to

    def _ended(self, a: _Course, m: AlarmMoved) -> float:
        if m.to in ACTIVE:
            a.since_s = m.utc_s if a.since_s is None else a.since_s
            return 0.0
        began_s, a.since_s = a.since_s, None
        return 0.0 if began_s is None else max(0.0, m.utc_s - max(began_s, self.from_s))

    def counts(self, wanted: Callable[[str | None], bool]) -> list[AlarmCount]:
        """The alarms of these engines that were raised or stood in the period, gravest first."""
        found = []
        for (engine, tag), a in self._alarms.items():
            stood_s = a.active_s + (0.0 if a.since_s is None else self.to_s - max(a.since_s, self.from_s))
            if wanted(engine) and (a.raised or stood_s > 0):
                found.append(AlarmCount(engine, tag, a.priority, a.raised, a.last_s, stood_s / 3600, a.state))
        order = list(Priority)
        return sorted(found, key=lambda c: (order.index(c.priority), -c.raised, -c.active_h, c.tag))

    def load(self, from_s: float) -> Load | None:
        """The load on people from then to the period's end; `None` where that is no time at all."""
        if from_s >= self.to_s:
            return None
        return load_on_people([*self._standing.values(), *self._moves], from_s, self.to_s)


def by_priority(counts: Iterable[AlarmCount]) -> dict[Priority, int]:
    """Announcements by priority, gravest first, those that never came among them."""
    found = dict.fromkeys(Priority, 0)
    for c in counts:
        found[c.priority] += c.raised
    return found
