"""Book what was done at the drive, or measured: who, when, at what running hours, which figures."""

import argparse
import json
import time
from dataclasses import fields
from typing import Any

from gateway.cli.operator import request, show_note
from gateway.cli.text import note, out
from gateway.encode.topics import Topics
from gateway.engine.maintenance import filled, records_of
from gateway.model.errors import Refused
from gateway.model.output import Batch
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import load_settings
from gateway.outlets.control_client import NoDaemon
from gateway.store.outbox import wanted_classes
from gateway.store.state import StateStore
from gateway.wear.booking_check import new_booking, read_entry
from gateway.wear.bookings import ALIASES, KINDS, as_data
from gateway.wear.logbook import check, rebase


def main(args: argparse.Namespace) -> int:
    """Book it with the running daemon, or straight into the store where none runs."""
    settings = load_settings(args.config)
    entry = _entry(args)
    try:
        answer = request(args, "book", entry=entry)
        stored = answer["entry"]
        show_note(answer)
    except NoDaemon:
        stored = _without_daemon(settings, args, entry)
        note("no daemon runs: written to the store; it counts from the next start on")
    _show_filled(entry, stored)
    out(f"booked {stored['kind']} as {stored['id']} at {stored['hours']:,g} running hours, by {stored['person']}")
    return 0


def _show_filled(typed: dict[str, Any], stored: dict[str, Any]) -> None:
    drawn = ("id", "utc_s", "note")
    taken = {k: v for k, v in stored.items() if k not in typed and k not in drawn and isinstance(v, int | float)}
    if taken:
        note("taken from the present readings: " + ", ".join(f"{k} {v:g}" for k, v in taken.items()))


def _entry(args: argparse.Namespace) -> dict[str, Any]:
    args.kind = ALIASES.get(args.kind, args.kind)
    names = [f.name for f in fields(KINDS[args.kind]) if f.name != "kind"]
    entry: dict[str, Any] = {n: getattr(args, n, None) for n in names} | {"kind": args.kind}
    if args.kind == "pressures":
        entry["cylinders"] = [_cylinder(text) for text in args.cylinders or []]
    if args.kind == "correction" and args.entry is not None:
        try:
            entry["entry"] = json.loads(args.entry)
        except ValueError as e:
            raise Refused(f"--entry is not JSON: {e}; give one object in quotes, or the figures as options") from None
    return {k: v for k, v in entry.items() if v is not None}


def _cylinder(text: str) -> dict[str, float | int]:
    parts = text.split(":")
    try:
        figures: dict[str, float | int] = {"cylinder": int(parts[0]), "max_bar": float(parts[1])}
        for name, part in zip(("mean_indicated_bar", "compression_bar"), parts[2:], strict=False):
            figures |= {name: float(part)} if part else {}
        if len(parts) > 4:
            raise ValueError(text)
    except (ValueError, IndexError):
        raise Refused(
            f"--cylinder {text}: give number:maximum:mean:compression, in bar, such as 1:142:17.5:110; the last two "
            "may be left out"
        ) from None
    return figures


def _without_daemon(settings: Settings, args: argparse.Namespace, data: dict[str, Any]) -> dict[str, Any]:
    engine = _engine(settings, args.engine)
    store = StateStore(
        args.data_dir or settings.gateway.data_dir,
        settings.gateway,
        brokers=wanted_classes(settings.broker),
        events_topic=Topics(settings.gateway.topic_prefix, settings.vessel.slug).event(None),
    )
    try:
        now_s = time.time()
        entry, stored = new_booking(filled(data, {}, now_s))
        log = [read_entry(row.entry) for row in store.bookings(engine.slug)]
        faults = check(entry, rebase(engine, log), now_s, _hours(store, engine.slug))
        if faults:
            raise Refused("\n".join(faults))
        topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        event, booking = records_of(topics, engine.slug, entry, stored, entry.person, now_s)
        store.commit(Batch(events=[event], bookings=[booking]))
    finally:
        store.close()
    return as_data(entry)


def _engine(settings: Settings, slug: str | None) -> EngineSettings:
    found = [e for e in settings.engine if slug in (None, e.slug)]
    if len(found) != 1:
        raise Refused(f"name the engine: --engine with one of: {', '.join(e.slug for e in settings.engine)}")
    return found[0]


def _hours(store: StateStore, slug: str) -> float | None:
    """Running hours at the last checkpoint; `None` where the gateway has never run."""
    kept = store.checkpoint(f"engine/{slug}")
    try:
        return float(kept["meter"]["hours"]["hours"])  # type: ignore[index]
    except (KeyError, TypeError, ValueError):
        return None
