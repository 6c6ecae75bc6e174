"""What `camdrift status` shows, gathered from the running daemon as plain JSON."""

import shutil
import time
from concurrent.futures import TimeoutError as FutureTimeout
from typing import TYPE_CHECKING, Any

from gateway import __version__
from gateway.alarm.load import DAY_S, load_on_people
from gateway.alarm.machine import Alarm
from gateway.encode.times import rfc3339, utc_of
from gateway.engine.thread import EngineWorker
from gateway.model.enums import AlarmState
from gateway.model.errors import Refused, StorageError
from gateway.model.records import Measured
from gateway.pipeline import EnginePipeline, Output
from gateway.report.alarms import stored_move
from gateway.store.reader import StateReader

if TYPE_CHECKING:
    from gateway.app.daemon import Daemon

LOAD_DAYS = 30
LOOK_S = 3.0
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
            "engines": {slug: _engine(w) for slug, w in list(daemon.workers.items())},
            "heads": {slug: _head(source.state()) for slug, source in daemon.sources.items()},
            "silenced": daemon.board().silenced,
            "alarms": [
                _alarm(a, daemon.own_utc_s(a.facts.shelved_until_us))
                for a in daemon.own_alarms
                if a.state is not AlarmState.NORMAL
            ],
            "brokers": {name: _broker(daemon, reader, name) for name in daemon.links},
            "panel": daemon.panel.faults() | daemon.page_faults(),
            "storage": _storage(daemon),
            "load": _load(reader, daemon),
        }
    finally:
        reader.close()


def _engine(worker: EngineWorker) -> dict[str, Any]:
    """Looked at in the engine's own thread; where that does not come round, from here and said so."""
    seen: dict[str, Any] = {}

    def look(_: EnginePipeline) -> list[Output]:
        seen.update(engine_status(worker))
        return []

    try:
        worker.ask(look).result(LOOK_S)
    except (Refused, FutureTimeout):
        return engine_status(worker) | {"hangs_s": round(time.monotonic() - worker.last_beat)}
    return seen | {"hangs_s": None}


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
        "alarms": [
            _alarm(a, None if (us := a.facts.shelved_until_us) is None else p.timeline.utc_s(us))
            for a in p.alarms.alarms.values()
            if a.state is not AlarmState.NORMAL
        ],
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


def _alarm(a: Alarm, until_utc_s: float | None) -> dict[str, Any]:
    f = a.facts
    return {
        "tag": a.row.tag,
        "engine": a.engine,
        "state": str(a.state),
        "priority": str(a.priority),
        "text": f.text,
        "causes": list(f.causes),
        "away": f.away,
        "until": None if until_utc_s is None else rfc3339(until_utc_s),
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
    trends, dropped = reader.trends_in_line(name)
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
        "trends_waiting": trends,
        "trends_dropped": dropped,
    }


def _storage(daemon: "Daemon") -> dict[str, Any]:
    try:
        free: int | None = shutil.disk_usage(daemon.data_dir).free
    except OSError:
        free = None
    r = daemon.writer
    return {"fault": r.fault, "nearly_full": r.nearly_full, "pending": r.pending, "free_mb": free and free // 1_000_000}


def _load(reader: StateReader, daemon: "Daemon") -> dict[str, object] | None:
    """The load on people over the last thirty days, or as long as the record goes back; a day at least."""
    try:
        rows = reader.events(0, EVENTS_MAX, kind="alarm", newest_first=True)
        oldest = rows[-1:] if len(rows) == EVENTS_MAX else reader.events(0, 1)
    except StorageError:
        return None
    engine_of = {daemon.topics.event(slug): slug for slug in daemon.workers}
    moves = []
    for row in reversed(rows):
        move = stored_move(row.payload, engine_of.get(row.topic))
        if move is not None:
            moves.append(move)
    end_s = max([time.time(), *(m.utc_s + 1 for m in moves[-1:])])
    began_s = min([end_s - DAY_S, *(utc_of(row.utc) for row in oldest)])
    load = load_on_people(moves, max(began_s, end_s - LOAD_DAYS * DAY_S), end_s)
    return {**load.as_dict(), "lines": load.lines()}
