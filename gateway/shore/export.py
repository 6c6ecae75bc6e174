"""A vessel's trends and events from the store as ISO 19848 packages."""

import json
from typing import Any

from gateway.encode import iso19848
from gateway.encode.checked import parse_event, parse_trend
from gateway.encode.messages import TrendMessage, rfc3339
from gateway.model.errors import Refused
from gateway.shore.database import Database, open_database

ROWS_MAX = 1_000_000
Span = tuple[float, float]


def vessel_package(url: str, ship: iso19848.Ship, span: Span, utc_s: float) -> dict[str, Any]:
    """Trends of each engine and all events within `span`. Raises Refused where the vessel is not known."""
    db = open_database(url, make=False)
    try:
        tables = [iso19848.trend_table(engine, _trends(db, ship.vessel, engine, span)) for engine in _engines(db, ship)]
        rows = db.run(
            "SELECT engine, message FROM event WHERE vessel = ? AND event_at >= ? AND event_at < ? "
            "ORDER BY event_at, seq LIMIT ?",
            (ship.vessel, *map(rfc3339, span), ROWS_MAX),
        )
    finally:
        db.close()
    events = [(str(engine), parse_event(_text(message))) for engine, message in rows]
    return iso19848.package(ship, tables, events, utc_s)


def vessel_channels(url: str, ship: iso19848.Ship, _span: Span, utc_s: float) -> dict[str, Any]:
    """The data channel list of the same."""
    db = open_database(url, make=False)
    try:
        engines = _engines(db, ship)
    finally:
        db.close()
    return iso19848.channel_list(ship, {"": (), **dict.fromkeys(engines, iso19848.TREND_CHANNELS)}, utc_s)


def _engines(db: Database, ship: iso19848.Ship) -> list[str]:
    if not db.run("SELECT 1 FROM vessel WHERE vessel = ?", (ship.vessel,)):
        raise Refused(f"vessel {ship.vessel} has never been heard; `camdrift shore fleet` names them")
    found = db.run(
        "SELECT engine FROM engine_now WHERE vessel = ? "
        "UNION SELECT engine FROM event WHERE vessel = ? AND engine <> ''",
        (ship.vessel, ship.vessel),
    )
    return sorted(str(engine) for (engine,) in found)


def _trends(db: Database, vessel: str, engine: str, span: Span) -> list[TrendMessage]:
    rows = db.run(
        "SELECT message FROM trend WHERE vessel = ? AND engine = ? AND trend_at >= ? AND trend_at < ? "
        "ORDER BY trend_at LIMIT ?",
        (vessel, engine, *map(rfc3339, span), ROWS_MAX),
    )
    return [parse_trend(_text(message)) for (message,) in rows]


def _text(message: Any) -> bytes:
    """PostgreSQL gives JSON read, SQLite as it was written."""
    return message.encode() if isinstance(message, str) else json.dumps(message).encode()
