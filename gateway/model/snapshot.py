"""The present of every engine as one frozen record: what panel, sentences, relay and page read.

A value older than its limit is `None` here; a reader never needs to know its age.
"""

from collections.abc import Callable
from dataclasses import dataclass

from gateway.model.enums import AlarmState, Priority, Running
from gateway.model.records import Measured

GATEWAY = ""
"""What stands for the engine's slug in an act on one of the gateway's own alarms."""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as it stands.

    `no`: row of the alarm table. `title`: at most 16 characters. `instance`: 1–999,999, one per engine.
    `revision`: 1–99, +1 on each change, kept across restarts. `changed_utc_s`: time of the last change. `away`: who
    shelved it or took it out of service; `until_utc_s`: when a shelved one comes back; `short`: the text in at most 42
    characters, with figure and limit. `since_utc_s`: since when it stands, or stood last; `None` = never did.
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
    causes: tuple[str, ...] = ()
    away: str = ""
    until_utc_s: float | None = None
    short: str = ""
    since_utc_s: float | None = None


@dataclass(frozen=True, slots=True)
class HeadView:
    """What the head itself reports, for commissioning; `None` = not known or not fitted.

    `counts`: crank and cam counts per turn. `turns`: crank and cam turns since the gateway's start, signed, each of its
    own shaft, over all seconds in which both encoders were valid. `valid`: crank and cam encoder, over the last second.
    `slips`: times the index came at another count. `crank_deg`: the crank encoder's angle while the engine stands or is
    on the turning gear. `mounting_deg`: amplitude of the lag's first order over the last whole turn there.
    """

    name: str
    serial: int
    firmware: tuple[int, int]
    counts: tuple[int, int]
    turns: tuple[float, float]
    valid: tuple[bool, bool]
    slips: tuple[int | None, int | None]
    skew_ns: int | None
    jitter_us: int | None
    lost: int | None
    crank_deg: float | None
    mounting_deg: float | None


@dataclass(frozen=True, slots=True)
class ShapeDetail:
    """The lag's shape over a turn against the engine's own reference. `reference_deg`, `present_deg`: over equal steps
    of one cycle, both empty until known. `changes`: for each cylinder, or several at like angles, the name and 5, 50
    and 95 % of the change of its cam's load in per cent."""

    text: str = ""
    reference_deg: tuple[float, ...] = ()
    present_deg: tuple[float, ...] = ()
    changes: tuple[tuple[str, float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class EngineDetail:
    """What a page shows beyond the panel's figures. `None` = not known.

    `shape_deg`: lag over equal steps of crank angle in one cycle, averaged, counted from its mean; `orders_deg`:
    amplitudes of its first orders, of the last cycle; both empty until there was one. `utc_s`: pipeline time.
    `rest_s`: how long the engine was seen to stand or to be on the turning gear. `standing_raw_deg`: raw
    crank − ratio·cam now, free of eccentric mounting; `standing_lag_deg`: the lag from it; `turned_raw_deg`: the mean
    of the last whole turn on the turning gear, which ended at `turned_utc_s`. `standing_spring_mm`: mean length of the
    last second, renewed with each frame while the engine stands. `lost_motion`: what is known of it;
    `turned_lost_deg`: by the last turn each way on the turning gear, of which the first ended at
    `turned_lost_from_utc_s`.
    """

    utc_s: float
    spring: Measured
    lag: Measured
    free_length_mm: float
    tension_n: float | None
    lag_p2p_deg: float | None
    casing_c: float | None
    raw_deg: float | None
    shape_deg: tuple[float, ...] = ()
    orders_deg: tuple[float, ...] = ()
    rest_s: float = 0.0
    standing_raw_deg: float | None = None
    standing_spring_mm: float | None = None
    standing_lag_deg: float | None = None
    turned_raw_deg: float | None = None
    turned_utc_s: float | None = None
    lost_motion: str = ""
    turned_lost_deg: float | None = None
    turned_lost_from_utc_s: float | None = None
    cam_loads: ShapeDetail = ShapeDetail()
    head: HeadView | None = None


@dataclass(frozen=True, slots=True)
class EngineView:
    """One engine as it stands; `None` = not known. `index`: 0-based, in the order of the settings.

    `work_since_utc_s`: a work sheet is open since then and the engine stands, so what the work disturbs is suppressed.
    """

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
    detail: EngineDetail | None = None
    work_since_utc_s: float | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All engines and the gateway's own alarms. `heartbeat` moves, and `fresh` holds, only while the pipeline runs.

    `silenced`: somebody has stopped the sound; it comes back with the next announcement. Nothing else changes by it.
    """

    engines: tuple[EngineView, ...]
    gateway_alarms: tuple[AlarmView, ...]
    heartbeat: int
    fresh: bool
    silenced: bool = False


SnapshotReader = Callable[[], Snapshot]
"""Cheap, and may be called from any thread."""

ActSender = Callable[[str, str, int | None, str], None]
"""`act(kind, engine, no, by)`: kind `acknowledge`, `acknowledge-all` or `silence`; only puts it in a queue.
`engine` is a slug, or GATEWAY for the gateway's own alarms; `no` is `None` where the act is on all of them."""
