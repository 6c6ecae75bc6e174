"""What `camdrift status` shows, as plain JSON: made from snapshots and from the states of the parts."""

import shutil
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from gateway import __version__
from gateway.alarm.load import DAY_S, load_on_people
from gateway.alarm.wording import WORDS
from gateway.app.receipts import Receipts
from gateway.encode.engine_state import EngineState, alarms_state, engine_state, since
from gateway.encode.times import rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.engine.snapshot import EngineSnapshot
from gateway.model.enums import AlarmState
from gateway.model.errors import StorageError
from gateway.model.records import Measured
from gateway.model.settings import Settings
from gateway.model.snapshot import AlarmView, EngineDetail, HeadView, Snapshot
from gateway.outlets.mqtt.link import LinkStatus
from gateway.report.alarms import stored_move
from gateway.sources.head import SourceState
from gateway.store.reader import StateReader

LOAD_DAYS = 30
EVENTS_MAX = 20_000
HANGS_S = 3.0


@dataclass(frozen=True, slots=True)
class Parts:
    """What a status is made from. `beats`: by engine, when its thread last responded (monotonic, s); `receipts`:
    what the shore has confirmed; `faults`: of ports and page, by name."""

    settings: Settings
    topics: Topics
    data_dir: Path
    up_s: float
    snapshot: Snapshot
    engines: Mapping[str, EngineSnapshot]
    beats: Mapping[str, float]
    heads: Mapping[str, SourceState]
    links: Mapping[str, LinkStatus]
    receipts: Receipts
    faults: Mapping[str, str]
    storage: Mapping[str, Any]


def status_of(parts: Parts) -> dict[str, Any]:
    """The whole status; figures that are not known are null. Raises StorageError."""
    reader = StateReader(parts.data_dir)
    try:
        return {
            "version": __version__,
            "vessel": parts.settings.vessel.slug,
            "utc": rfc3339(time.time()),
            "up_s": round(parts.up_s),
            "engines": {slug: _engine(s, parts.beats[slug]) for slug, s in parts.engines.items()},
            "heads": {slug: _head(state) for slug, state in parts.heads.items()},
            "silenced": parts.snapshot.silenced,
            "alarms": _alarms(None, parts.snapshot.gateway_alarms),
            "state": _state(alarms_state(parts.snapshot.gateway_alarms)),
            "brokers": {name: _broker(parts, reader, name, s) for name, s in parts.links.items()},
            "panel": dict(parts.faults),
            "storage": {**parts.storage, "free_mb": _free_mb(parts.data_dir)},
            "load": _load(reader, parts),
        }
    finally:
        reader.close()


def engine_status(s: EngineSnapshot) -> dict[str, Any]:
    """One engine: readings with their quality and reason, alarms that stand, what the link has lost."""
    v, d = s.view, s.view.detail
    unknown = {"value": None, "quality": "bad", "reason": "not heard"}
    return {
        "running": str(v.running),
        "hours": s.hours,
        "rpm": v.rpm,
        "spring_mm": unknown if d is None else _measured(d.spring),
        "compression_mm": v.compression_mm,
        "tension_n": d and d.tension_n,
        "slap_mm": v.slap_mm,
        "lag_deg": unknown if d is None else _measured(d.lag),
        "lag_p2p_deg": d and d.lag_p2p_deg,
        "lost_motion": d.lost_motion if d else "",
        "cam_loads": d.cam_loads.text if d else "",
        "casing_c": d and d.casing_c,
        "head_heard": v.head_heard,
        "work_since_utc_s": v.work_since_utc_s,
        "orders_deg": [] if d is None else list(d.orders_deg),
        "alarms": _alarms(s.slug, v.alarms),
        "revolutions": {"used": s.revolutions_used, "refused": dict(s.revolutions_refused)},
        "link": {
            "good": s.link_good,
            "lost": s.link_lost,
            "refused": dict(s.link_refused),
            "restarts": s.link_boots,
        },
        "raw_deg": d and d.raw_deg,
        "turned": None if d is None or d.turned_utc_s is None else {"raw_deg": d.turned_raw_deg, "utc": d.turned_utc_s},
        "turned_lost": _turned_lost(d),
        "head": d and _head_view(d.head),
        "bookings": len(s.log),
        "booking_faults": list(s.datum.faults),
    }


def _engine(s: EngineSnapshot, beat_s: float) -> dict[str, Any]:
    quiet_s = time.monotonic() - beat_s
    hangs = quiet_s > HANGS_S
    return engine_status(s) | {
        "hangs_s": round(quiet_s) if hangs else None,
        "state": _state(engine_state(s.view, fresh=not hangs)),
    }


def _state(s: EngineState) -> dict[str, Any]:
    at = None if s.since_utc_s is None else rfc3339(s.since_utc_s)
    return {"state": s.state.value, "word": s.state.word, "what": s.what, "since": at, "action": s.action}


def _turned_lost(d: EngineDetail | None) -> dict[str, float | None] | None:
    """Lost motion by the last turn each way on the turning gear, and when the first of the two turns ended."""
    if d is None or d.turned_lost_deg is None:
        return None
    return {"deg": round(d.turned_lost_deg, 3), "from_utc": d.turned_lost_from_utc_s}


def _measured(m: Measured) -> dict[str, Any]:
    return {"value": m.value, "quality": str(m.quality), "reason": m.reason}


def _alarms(engine: str | None, views: tuple[AlarmView, ...]) -> list[dict[str, Any]]:
    return [
        {
            "tag": a.tag,
            "title": WORDS[a.tag].title,
            "action": WORDS[a.tag].action,
            "engine": engine,
            "state": str(a.state),
            "priority": str(a.priority),
            "text": a.text,
            "causes": list(a.causes),
            "away": a.away,
            "since": rfc3339(since(a)),
            "until": None if a.until_utc_s is None else rfc3339(a.until_utc_s),
        }
        for a in views
        if a.state is not AlarmState.NORMAL
    ]


def _head_view(h: HeadView | None) -> dict[str, Any] | None:
    return None if h is None else asdict(h)


def _head(state: SourceState) -> dict[str, Any]:
    heard = state.last_bytes_s
    return {
        "text": state.text,
        "open": state.is_open,
        "bytes": state.bytes_in,
        "dropped_bytes": state.dropped_bytes,
        "quiet_s": None if heard is None else round(time.monotonic() - heard, 1),
    }


def _broker(parts: Parts, reader: StateReader, name: str, s: LinkStatus) -> dict[str, Any]:
    backlog = reader.backlog(name)
    trends, dropped = reader.trends_in_line(name)
    receipt = parts.receipts.confirmed(name)
    return {
        "connected": s.connected,
        "why_not": "" if s.connected else s.reason,
        "refused": s.refused,
        "why_refused": s.why_refused,
        "waiting": backlog.count,
        "oldest": backlog.oldest_utc,
        "delivered_to": backlog.place,
        "kept_ashore_to": receipt[0] if receipt else None,
        "sent_again": s.sent_again,
        "lost_ashore": [list(r) for r in s.not_held],
        "trends_waiting": trends,
        "trends_dropped": dropped,
    }


def _free_mb(data_dir: Path) -> int | None:
    try:
        return shutil.disk_usage(data_dir).free // 1_000_000
    except OSError:
        return None


def _load(reader: StateReader, parts: Parts) -> dict[str, object] | None:
    """The load on people over the last thirty days, or as long as the record goes back; a day at least."""
    try:
        rows = reader.events(0, EVENTS_MAX, kind="alarm", newest_first=True)
        oldest = rows[-1:] if len(rows) == EVENTS_MAX else reader.events(0, 1)
    except StorageError:
        return None
    engine_of = {parts.topics.event(slug): slug for slug in parts.engines}
    moves = []
    for row in reversed(rows):
        move = stored_move(row.payload, engine_of.get(row.topic))
        if move is not None:
            moves.append(move)
    end_s = max([time.time(), *(m.utc_s + 1 for m in moves[-1:])])
    start_s = min([end_s - DAY_S, *(utc_of(row.utc) for row in oldest)])
    load = load_on_people(moves, max(start_s, end_s - LOAD_DAYS * DAY_S), end_s)
    return {**load.as_dict(), "lines": load.lines()}
