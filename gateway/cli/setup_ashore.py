"""A spare box takes over from ashore: the log book out of the events of work that the shore keeps."""

import json
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from gateway.cli.setup_bundle import Bundle
from gateway.cli.shore_record import booked_by
from gateway.encode.checked import parse_event
from gateway.encode.messages import AdjustmentEvent
from gateway.model.errors import Refused
from gateway.model.settings import GatewaySettings
from gateway.store.logbook import Line, Logbook
from gateway.store.state import StateStore
from gateway.wear.booking_check import entry_json


@dataclass(frozen=True, slots=True)
class Ashore:
    """What was kept. `book`: rows of the log book; `hours`: of each engine; `stood`, `missing`: in words."""

    gateway: str
    book: tuple[Line, ...]
    hours: dict[str, float]
    stood: tuple[str, ...]
    missing: tuple[str, ...]


def ashore_of(bundle: Bundle, file: Path) -> Ashore:
    """What the shore put into a spare box's bundle. Raises Refused."""
    if "ashore.json" not in bundle.parts:
        raise Refused(f"{file} is for a new ship; for a spare box make one by camdrift-shore setup --ship SLUG --spare")
    try:
        record = json.loads(bundle.parts["ashore.json"])
        hours = {str(engine): float(h) for engine, h in record["hours"].items()}
        stood, missing = (tuple(str(x) for x in record[key]) for key in ("stood", "missing"))
        gateway = str(record["gateway"])
        events = [(str(engine), parse_event(json.dumps(event).encode())) for engine, event in record["work"]]
    except (KeyError, ValueError, TypeError, AttributeError, ValidationError):
        raise Refused(f"{file}: what the shore put into it cannot be read; make the bundle again ashore") from None
    book: dict[tuple[str, str], Line] = {}
    unread = 0
    for engine, event in events:
        entry = booked_by(event.gateway, event.seq, vars(event)) if isinstance(event, AdjustmentEvent) else None
        if entry is None:
            unread += 1
            continue
        book.setdefault((engine, entry.id), (engine, entry.id, entry.kind, event.ts, entry_json(entry)))
        hours[engine] = max(hours.get(engine, 0.0), entry.hours)
    if unread:
        missing = (f"{unread} records of work that cannot be read back from their events: enter them by hand", *missing)
    return Ashore(gateway, tuple(book.values()), hours, stood, missing)


def new_store(data_dir: Path, found: Ashore) -> None:
    """A store with this log book, which at its next start names the gateway before it. Raises StorageError."""
    Logbook(data_dir / "logbook.jsonl").append(found.book)
    store = StateStore(data_dir, GatewaySettings(), brokers={})
    store.take_over_from(found.gateway)
    store.close()
