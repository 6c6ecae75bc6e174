"""A spare box takes over from ashore: the log book out of the events of work that the shore keeps, and what the trend
has learned out of its messages."""

import json
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from gateway.cli.setup_bundle import Bundle
from gateway.cli.shore_record import booked_by
from gateway.encode.checked import parse_event
from gateway.encode.learned import learned_texts
from gateway.encode.messages import AdjustmentEvent
from gateway.model.errors import Refused
from gateway.model.settings import GatewaySettings, Settings
from gateway.store.logbook import Line, Logbook
from gateway.store.state import StateStore
from gateway.wear.booking_check import entry_json, read_entry
from gateway.wear.learned import taken_over
from gateway.wear.logbook import rebase


@dataclass(frozen=True, slots=True)
class Ashore:
    """What was kept. `book`: rows of the log book; `hours`: of each engine; `learned`: texts of each engine's learned
    figures, oldest first; `stood`, `missing`: in words."""

    gateway: str
    book: tuple[Line, ...]
    hours: dict[str, float]
    learned: dict[str, list[str]]
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
        # A shore of a release before sends none.
        learned = {str(engine): [str(text) for text in texts] for engine, texts in record.get("learned", {}).items()}
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
    for engine, texts in learned.items():
        read, unread = learned_texts(texts)
        hours[engine] = max([hours.get(engine, 0.0), *(m.hours for m in read)])
        if unread:
            missing = (f"{engine}: {unread} messages with learned figures, which this release cannot read", *missing)
    return Ashore(gateway, tuple(book.values()), hours, learned, stood, missing)


def learned_again(found: Ashore, settings: Settings) -> tuple[list[str], list[str]]:
    """What the gateway will take over of the learned figures with these settings, and what not, in words."""
    taken: list[str] = []
    left: list[str] = []
    for engine in settings.engine:
        if engine.slug in found.learned:
            log = [read_entry(json.loads(entry)) for slug, _, _, _, entry in found.book if slug == engine.slug]
            got = taken_over(engine, rebase(engine, log), learned_texts(found.learned[engine.slug])[0])
            taken += got.taken
            left += got.left
    strange = sorted(set(found.learned) - {e.slug for e in settings.engine})
    left += [f"learned figures of engine {slug}, which is not in the settings" for slug in strange]
    return taken, left


def new_store(data_dir: Path, found: Ashore) -> None:
    """A store with this log book, which at its next start names the gateway before it, and takes the learned figures
    where they agree with settings and log book. Raises StorageError."""
    Logbook(data_dir / "logbook.jsonl").append(found.book)
    store = StateStore(data_dir, GatewaySettings(), brokers={})
    store.take_over_from(found.gateway, {f"learned/{engine}": texts for engine, texts in found.learned.items()})
    store.close()
