"""What the report needs of the events: the alarms' ledger, what people did, what was raised, when the gateway started.

The outbox lets go of delivered events after 90 days; those that a survey needs are kept longer in the history.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from gateway.encode.times import utc_of
from gateway.model.enums import AlarmState, Priority
from gateway.report.alarms import ACTIVE, Ledger, stored_move
from gateway.report.facts import Act, Period, Raised, Start
from gateway.store.history import HistoryReader
from gateway.store.reader import StateReader

PAGE = 1_000
GRAVE = (Priority.ALARM, Priority.EMERGENCY_ALARM)
SETTINGS = re.compile(r"with settings ([0-9a-f]{12})$")


def events(state: StateReader, history: HistoryReader) -> Iterator[tuple[int, str, dict[str, Any], bool]]:
    """Seq, topic, event, and whether the record holds all others of its time too; in the order of the record."""
    first = state.events(0, 1)
    edge = first[0].seq if first else 2**62
    after = 0
    while kept := history.kept_events(after, PAGE):
        after = kept[-1][0]
        for seq, topic, payload in kept:
            if seq < edge and (body := _object(payload)) is not None:
                yield seq, topic, body, False
    after = edge - 1
    while first and (rows := state.events(after, PAGE)):
        after = rows[-1].seq
        for row in rows:
            if (body := _object(row.payload)) is not None:
                yield row.seq, row.topic, body, True


def _object(payload: bytes) -> dict[str, Any] | None:
    try:
        body = json.loads(payload)
        utc_of(body["ts"])
        return body if isinstance(body, dict) else None
    except (KeyError, TypeError, ValueError):
        # One that is damaged, or of another version; the others still count.
        return None


@dataclass(slots=True)
class Found:
    """Takes events in the order of the record. `seen`: whose events lie in the period, `None` for the gateway's."""

    period: Period
    ledger: Ledger = field(init=False)
    acts: list[Act] = field(default_factory=list)
    raised: list[Raised] = field(default_factory=list)
    starts: list[Start] = field(default_factory=list)
    seen: set[str | None] = field(default_factory=set)
    _stands: dict[tuple[str | None, str], int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.period.from_s, self.period.to_s)

    def take(self, engine: str | None, body: dict[str, Any], *, whole: bool) -> None:
        """One event of an engine; `whole`: the others of its time are on record too, so that alarms can be counted."""
        utc_s = utc_of(body["ts"])
        if utc_s >= self.period.to_s:
            return
        if utc_s >= self.period.from_s:
            self.seen.add(engine)
        if body.get("kind") == "alarm":
            self._alarm(utc_s, engine, body, whole=whole)
        elif body.get("what") == "started":
            self._start(utc_s, body)

    def _alarm(self, utc_s: float, engine: str | None, body: dict[str, Any], *, whole: bool) -> None:
        m = stored_move(json.dumps(body).encode(), engine)
        if m is None:
            return
        if whole:
            self.ledger.take(m)
        inside = utc_s >= self.period.from_s
        text, key = str(body.get("why") or body.get("text") or ""), (engine, m.tag)
        if body.get("by") and inside:
            self.acts.append(Act(utc_s, engine, m.tag, _act(m.came_from, m.to), str(body["by"]), text))
        if m.announces and inside and m.priority in GRAVE and key not in self._stands:
            self._stands[key] = len(self.raised)
            self.raised.append(Raised(utc_s, engine, m.tag, m.priority, str(body.get("text") or ""), None))
        elif m.to not in ACTIVE and key in self._stands:
            at = self._stands.pop(key)
            self.raised[at] = replace(self.raised[at], until_s=utc_s)

    def _start(self, utc_s: float, body: dict[str, Any]) -> None:
        named = SETTINGS.search(str(body.get("text", "")))
        start = Start(utc_s, str(body.get("version", "")), named[1] if named else "")
        if utc_s < self.period.from_s:
            self.starts = []
        self.starts.append(start)


def _act(came_from: AlarmState, to: AlarmState) -> str:
    if to is AlarmState.SHELVED:
        return "shelved"
    if to is AlarmState.OUT_OF_SERVICE:
        return "taken out of service"
    if came_from is AlarmState.SHELVED:
        return "unshelved"
    if came_from is AlarmState.OUT_OF_SERVICE:
        return "put back in service"
    return "acknowledged" if came_from in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) else "raised as a trial"
