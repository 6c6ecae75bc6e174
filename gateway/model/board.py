"""The board as the alarm panel sees it: the present of every engine in one frozen picture.

A value older than its limit stands here as `None`; who reads it never needs to know its age.
"""

from collections.abc import Callable
from dataclasses import dataclass

from gateway.model.words import AlarmState, Priority, Running

GATEWAY = ""
"""What stands for the engine's slug in an act on one of the gateway's own alarms."""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as it stands.

    `no`: row of the alarm table. `title`: at most 16 characters. `instance`: 1–999,999, one per engine.
    `revision`: 1–99, +1 on each change, kept across restarts. `changed_utc_s`: time of the last change.
    """

    no: int
    tag: str
    title: str
    text: str
    priority: Priority
    state: AlarmState
    active: bool
    unacknowledged: bool
    instance: int
    revision: int
    changed_utc_s: float


@dataclass(frozen=True, slots=True)
class EngineView:
    """One engine as it stands; `None` = not known. `index`: 0-based, in the order of the settings."""

    slug: str
    index: int
    running: Running
    rpm: float | None
    spring_mm: float | None
    compression_mm: float | None
    lag_deg: float | None
    elongation_percent: float | None
    slap_mm: float | None
    hours_to_limit: float | None
    running_hours: float | None
    spring_good: bool
    lag_good: bool
    head_heard: bool
    delivery_flowing: bool
    alarms: tuple[AlarmView, ...]


@dataclass(frozen=True, slots=True)
class BoardView:
    """All engines and the gateway's own alarms. `heartbeat` moves, and `fresh` holds, only while the pipeline runs.

    `silenced`: somebody has stopped the sound; it comes back with the next announcement. Nothing else changes by it.
    """

    engines: tuple[EngineView, ...]
    gateway_alarms: tuple[AlarmView, ...]
    heartbeat: int
    fresh: bool
    silenced: bool = False


BoardReader = Callable[[], BoardView]
"""Cheap, and may be called from any thread."""

ActSender = Callable[[str, str, int | None, str], None]
"""`act(kind, engine, no, by)`: kind `acknowledge`, `acknowledge-all` or `silence`; only puts it in a queue.
`engine` is a slug, or GATEWAY for the gateway's own alarms; `no` is `None` where the act is on all of them."""
