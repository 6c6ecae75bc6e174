"""What is kept ashore of one ship, for a spare box aboard: events of work, running hours, in words what is not here."""

import json
from typing import Any

from gateway.encode.checked import parse_event, parse_trend
from gateway.encode.messages import dump, rfc3339
from gateway.model.errors import Refused
from gateway.shore.database import Database, open_database, plain

ROWS_MAX = 100_000
NEVER_HERE = (
    "what the trend has learned: it learns again, and its ranges are wide until then",
    "history, captures and open work sheets",
    "passwords, keys, and settings that were changed aboard since",
)


def ship_record(url: str, vessel: str, utc_s: float) -> dict[str, Any]:
    """`gateway`: the last that was heard; `work`: engine and event of each record of work; `hours`: of each engine;
    `stood`, `missing`: in words. Raises Refused where the vessel was never heard, StorageError."""
    db = open_database(url, make=False)
    try:
        last = db.run("SELECT gateway FROM event WHERE vessel = ? ORDER BY event_at DESC, seq DESC LIMIT 1", (vessel,))
        if not last:
            raise Refused(f"vessel {vessel}: no event of it is kept here; `camdrift shore fleet` names the ships")
        rows = db.run(
            "SELECT engine, message FROM event WHERE vessel = ? AND kind = 'adjustment' ORDER BY event_at, seq LIMIT ?",
            (vessel, ROWS_MAX),
        )
        hours, stood = _engines(db, vessel)
        missing = [*_gaps(db, vessel), *NEVER_HERE]
    finally:
        db.close()
    work = [[str(engine), json.loads(dump(parse_event(_text(message))))] for engine, message in rows]
    head = {"v": 1, "vessel": vessel, "made": rfc3339(utc_s), "gateway": str(last[0][0])}
    return {**head, "work": work, "hours": hours, "stood": stood, "missing": missing}


def _engines(db: Database, vessel: str) -> tuple[dict[str, float], list[str]]:
    rows = db.run("SELECT engine, hours, trend_at, message FROM engine_now WHERE vessel = ? ORDER BY engine", (vessel,))
    hours, stood = {}, []
    for engine, h, at, message in rows:
        trend = parse_trend(_text(message))
        if h is not None:
            hours[str(engine)] = float(h)
        figures = [
            f"{h:,.1f} h" if h is not None else "",
            f"lag {trend.lag_deg.p50:.2f}°" if trend.lag_deg.p50 is not None else "",
            f"elongation {trend.elongation_percent.p50:.3f} %" if trend.elongation_percent.p50 is not None else "",
        ]
        stood.append(f"{engine}: {', '.join(x for x in figures if x) or 'no figures'} on {plain(at)}")
    return hours, stood


def _gaps(db: Database, vessel: str) -> list[str]:
    rows = db.run(
        "SELECT gateway, max(seq), count(*) FROM event WHERE vessel = ? GROUP BY gateway ORDER BY gateway", (vessel,)
    )
    lacking = [(gateway, int(last) - int(count)) for gateway, last, count in rows]
    return [f"{n} events of gateway {gateway}; a record of work may be among them" for gateway, n in lacking if n]


def _text(message: Any) -> bytes:
    """PostgreSQL gives JSON read, SQLite as it was written."""
    return message.encode() if isinstance(message, str) else json.dumps(message).encode()
