"""What `camdrift status` shows, gathered from the running daemon as plain JSON."""

import shutil
import time
from typing import TYPE_CHECKING, Any

from gateway import __version__
from gateway.alarm.load import AlarmMoved, load_on_people
from gateway.alarm.machine import Alarm
from gateway.encode.messages import AlarmEvent, parse_event, rfc3339, utc_of
from gateway.model.errors import StorageError
from gateway.model.records import Measured
from gateway.model.words import AlarmState
from gateway.store.reader import StateReader
from gateway.worker import EngineWorker

if TYPE_CHECKING:
    from gateway.daemon import Daemon

LOAD_DAYS = 30
EVENTS_MAX = 20_000


def status_of(daemon: "Daemon") -> dict[str, Any]:
    """The whole status; figures that are not known are null."""
    reader = StateReader(daemon.data_dir)
    try:
        return {
            "version": __version__,
            "vessel": daemon.settings.vessel.slug,
            "utc": rfc3339(time.time()),
            "up_s": round(time.monotonic() - daemon.begun_s),
            "engines": {slug: engine_status(w) for slug, w in daemon.workers.items()},
            "heads": {slug: _head(source.state()) for slug, source in daemon.sources.items()},
            "alarms": [_alarm(a) for a in daemon.own_alarms if a.calls or a.state is not AlarmState.NORMAL],
            "brokers": {name: _broker(daemon, reader, name) for name in daemon.links},
            "panel": daemon.panel.faults(),
            "storage": _storage(daemon),
            "load": _load(reader),
        }
    finally:
        reader.close()


def engine_status(worker: EngineWorker) -> dict[str, Any]:
    """One engine: readings with their quality and reason, alarms that stand, what the link has lost."""
    p = worker.pipeline
    r = p.meter.reading(p.present_us)
    counts = p.decoder.counts
    return {
        "running": str(r.running),
        "hours": r.hours,
        "rpm": r.rpm,
        "spring_mm": _measured(r.spring),
        "compression_mm": r.compression_mm,
        "tension_n": r.tension_n,
        "slap_mm": r.slap_mm,
        "lag_deg": _measured(r.lag),
        "lag_p2p_deg": r.lag_p2p_deg,
        "casing_c": r.casing_c,
        "head_heard": p.head_heard,
        "orders_deg": list(p.meter.last_cycle.orders_deg) if p.meter.last_cycle else [],
        "alarms": [_alarm(a) for a in p.alarms.alarms.values() if a.state is not AlarmState.NORMAL],
        "revolutions": {"used": p.meter.used, "refused": dict(p.meter.refused)},
        "link": {
            "good": counts.good,
            "lost": counts.lost,
            "refused": {k: n for k, n in counts.refused.items() if n},
            "restarts": counts.boots,
        },
        "bookings": len(worker.log),
        "booking_faults": list(p.wear.datum.faults),
    }


def _measured(m: Measured) -> dict[str, Any]:
    return {"value": m.value, "quality": str(m.quality), "reason": m.reason}


def _alarm(a: Alarm) -> dict[str, Any]:
    f = a.facts
    return {
        "tag": a.row.tag,
        "engine": a.engine,
        "state": str(a.state),
        "priority": str(a.priority),
        "text": f.text,
        "causes": list(f.causes),
        "away": f.away,
    }


def _head(state: Any) -> dict[str, Any]:
    heard = state.last_bytes_s
    return {
        "text": state.text,
        "open": state.is_open,
        "bytes": state.bytes_in,
        "dropped_bytes": state.dropped_bytes,
        "quiet_s": None if heard is None else round(time.monotonic() - heard, 1),
    }


def _broker(daemon: "Daemon", reader: StateReader, name: str) -> dict[str, Any]:
    s = daemon.links[name].status()
    backlog = reader.backlog(name)
    receipt = daemon.receipts.get(name)
    return {
        "connected": s.connected,
        "why_not": "" if s.connected else s.reason,
        "refused": s.refused,
        "why_refused": s.why_refused,
        "waiting": backlog.count,
        "oldest": backlog.oldest_utc,
        "delivered_to": backlog.place,
        "kept_ashore_to": receipt[0] if receipt else None,
    }


def _storage(daemon: "Daemon") -> dict[str, Any]:
    try:
        free: int | None = shutil.disk_usage(daemon.data_dir).free
    except OSError:
        free = None
    r = daemon.recorder
    return {"fault": r.fault, "nearly_full": r.nearly_full, "pending": r.pending, "free_mb": free and free // 1_000_000}


def _load(reader: StateReader) -> dict[str, object] | None:
    """The load on people over the last thirty days, from the record."""
    try:
        rows = reader.events(0, EVENTS_MAX, kind="alarm", newest_first=True)
    except StorageError:
        return None
    now_s = time.time()
    moved = []
    for row in reversed(rows):
        event = parse_event(row.payload)
        if isinstance(event, AlarmEvent):
            engine = row.topic.split("/")[-2] if row.topic.count("/") > 3 else None
            moved.append(AlarmMoved(utc_of(event.ts), engine, event.tag, event.priority, event.came_from, event.to))
    end_s = max([now_s, *(m.utc_s + 1 for m in moved[-1:])])
    load = load_on_people(moved, end_s - LOAD_DAYS * 86_400, end_s)
    return {**load.as_dict(), "lines": load.lines()}
