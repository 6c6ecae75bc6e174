"""A ship's own history and events as ISO 19848 packages, for `camdrift export`."""

from pathlib import Path
from typing import Any

from gateway.encode import iso19848
from gateway.encode.checked import parse_event
from gateway.encode.times import utc_of
from gateway.encode.topics import Topics
from gateway.model.settings import Settings
from gateway.store.history import HistoryReader
from gateway.store.reader import StateReader

PAGE = 1_000
MEDIANS_MAX = 1_000_000
Span = tuple[float, float]


def ship_package(
    settings: Settings, data_dir: Path, engines: list[str], span: Span, ship_id: str | None, utc_s: float
) -> dict[str, Any]:
    """Ten-minute medians and events of `engines`, and the gateway's own events, within `span`. Raises StorageError."""
    ship = iso19848.Ship(ship_id or settings.vessel.name, settings.vessel.slug)
    history = HistoryReader(data_dir)
    try:
        tables = [iso19848.median_table(e, history.medians(e, *span, MEDIANS_MAX)) for e in engines]
    finally:
        history.close()
    return iso19848.package(ship, tables, _events(settings, data_dir, engines, span), utc_s)


def ship_channels(settings: Settings, engines: list[str], ship_id: str | None, utc_s: float) -> dict[str, Any]:
    """The data channel list of the same."""
    ship = iso19848.Ship(ship_id or settings.vessel.name, settings.vessel.slug)
    return iso19848.channel_list(ship, {"": (), **dict.fromkeys(engines, iso19848.MEDIAN_CHANNELS)}, utc_s)


def _events(settings: Settings, data_dir: Path, engines: list[str], span: Span) -> list[tuple[str, iso19848.Event]]:
    topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
    places = {topics.event(None): "", **{topics.event(e): e for e in engines}}
    found: list[tuple[str, iso19848.Event]] = []
    reader = StateReader(data_dir)
    after = 0
    while rows := reader.events(after, PAGE):
        after = rows[-1].seq
        for row in rows:
            event = parse_event(row.payload)
            if row.topic in places and span[0] <= utc_of(event.ts) < span[1]:
                found.append((places[row.topic], event))
    reader.close()
    return found
