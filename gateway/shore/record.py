"""What is kept ashore of one ship, for a spare box aboard: events of work, running hours, what the trend has learned,
and in words what is not here."""

import json
from dataclasses import dataclass, field
from typing import Any

from gateway.encode.checked import parse_event, parse_trend
from gateway.encode.learned import WHAT, learned_in
from gateway.encode.messages import dump, rfc3339
from gateway.model.errors import Refused
from gateway.model.learned import Learned
from gateway.shore.database import Database, open_database, plain

ROWS_MAX = 100_000
LEARNED_MAX = 1_000
"""Messages with learned figures, the newest: one a week for each engine."""
NOTHING_LEARNED = "what the trend has learned: it learns again, and its ranges are wide until then"
NEVER_HERE = (
    "the reference of the lag's shape: it is filled again",
    "history, captures and open work sheets",
    "passwords, keys, and settings that were changed aboard since",
)


def ship_record(url: str, vessel: str, utc_s: float) -> dict[str, Any]:
    """`gateway`: the last that was heard; `work`: engine and event of each record of work; `hours`: of each engine;
    `learned`: texts of each engine's learned figures; `stood`, `missing`: in words. Raises Refused where the vessel was
    never heard, StorageError."""
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
        learned = _learned(db, vessel, str(last[0][0]))
        missing = [*_gaps(db, vessel), *learned.missing, *NEVER_HERE]
    finally:
        db.close()
    work = [[str(engine), json.loads(dump(parse_event(_text(message))))] for engine, message in rows]
    head = {"v": 1, "vessel": vessel, "made": rfc3339(utc_s), "gateway": str(last[0][0])}
    stood += learned.stood
    return {**head, "work": work, "hours": hours, "learned": learned.texts, "stood": stood, "missing": missing}


@dataclass(slots=True)
class _Learned:
    """`texts`: by engine, oldest first. `stood`, `missing`: in words."""

    texts: dict[str, list[str]] = field(default_factory=dict)
    stood: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def _learned(db: Database, vessel: str, gateway: str) -> _Learned:
    """Of each engine the messages that belong to its newest one, which must be of the gateway that was heard last."""
    rows = db.run(
        "SELECT gateway, message FROM event WHERE vessel = ? AND kind = 'gateway' AND subject = ? "
        "ORDER BY event_at DESC, seq DESC LIMIT ?",
        (vessel, WHAT, LEARNED_MAX),
    )
    found, newest, unread = _Learned(), dict[str, Learned](), 0
    for sender, message in rows:
        event = parse_event(_text(message))
        text = getattr(event, "text", "")
        try:
            learned = learned_in(text)
        except Refused:
            unread += 1
            continue
        last = newest.setdefault(learned.engine, learned)
        if last is learned and sender != gateway:
            found.missing.append(
                f"{learned.engine}: what the trend has learned; the newest is of gateway {sender}, "
                f"and gateway {gateway} was heard last"
            )
        elif last is learned:
            found.texts[learned.engine] = []
            found.stood.append(f"{learned.engine}: learned figures up to {learned.hours:,.0f} h, of {event.ts[:10]}")
        if learned.engine in found.texts and _of_one_fit(learned, last):
            found.texts[learned.engine].insert(0, text)
    if unread:
        found.missing.append(f"{unread} messages with learned figures, which this release cannot read")
    if not newest:
        found.missing.append(NOTHING_LEARNED)
    return found


def _of_one_fit(learned: Learned, newest: Learned) -> bool:
    """Has it rows of the newest one's fits, or lost motion since the same retightening?"""
    fits = ((learned.lag, newest.lag), (learned.spring, newest.spring))
    same = any(a is not None and b is not None and a.origin == b.origin for a, b in fits)
    return (
        learned is newest or same or bool(learned.pairs and learned.by.spring_changed_h == newest.by.spring_changed_h)
    )


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
