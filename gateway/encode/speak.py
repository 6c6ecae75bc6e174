"""From what the pipeline says to what goes out: topic, class of message, content. Daemon and replay share it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from gateway.alarm.machine import Alarm
from gateway.alarm.table import BY_TAG
from gateway.encode.messages import (
    Topics,
    alarm_event_body,
    alarm_message,
    alarm_state_payload,
    dump,
    reading_message,
)
from gateway.pipeline import Alarmed, ReadingDue


@dataclass(frozen=True, slots=True)
class SpokenEvent:
    """A durable event; the outbox adds `v`, `gateway` and `seq` to `body`."""

    topic: str
    kind: Literal["alarm", "adjustment", "gateway"]
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SpokenState:
    """The present of a topic: retained (`alarm`, `trend`), or passing (`reading`)."""

    topic: str
    klass: Literal["alarm", "trend", "reading"]
    payload: bytes


def speak_alarm(topics: Topics, said: Alarmed) -> tuple[SpokenEvent, SpokenState]:
    """A transition: the event, and the state it leads to."""
    t = said.transition
    body = alarm_event_body(t, said.utc_s, said.hours)
    state = alarm_message(t, BY_TAG[t.tag].no, said.utc_s, said.hours, said.since_utc_s)
    return (
        SpokenEvent(topics.event(t.engine), "alarm", body),
        SpokenState(topics.alarm(t.engine, t.tag), "alarm", dump(state)),
    )


def speak_reading(topics: Topics, engine: str, said: ReadingDue) -> SpokenState:
    """The present of an engine."""
    return SpokenState(topics.reading(engine), "reading", dump(reading_message(said.reading, said.utc_s)))


def speak_untold(topics: Topics, alarm: Alarm, utc_s: float) -> SpokenState:
    """The state of an alarm of which nothing was ever said, so that a new reader finds every topic filled."""
    payload = alarm_state_payload(
        no=alarm.row.no, tag=alarm.row.tag, state=alarm.state, priority=alarm.priority, utc_s=utc_s, unit=alarm.row.unit
    )
    return SpokenState(topics.alarm(alarm.engine, alarm.row.tag), "alarm", payload)
