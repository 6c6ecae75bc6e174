"""Book what was done at the drive, or measured: who, when, at what running hours, which figures."""

import argparse
import json
import time
import types
import typing
from dataclasses import fields
from typing import Any

from gateway.cli.operator import common, request, show_note
from gateway.cli.text import note, out
from gateway.encode.topics import Topics
from gateway.engine.maintenance import ALIASES, filled, records_of
from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import load_settings
from gateway.outlets.control_client import NoDaemon
from gateway.store.outbox import wanted_classes
from gateway.store.state import StateStore
from gateway.wear.booking_check import new_booking, read_entry
from gateway.wear.bookings import KINDS, Booked, as_data
from gateway.wear.logbook import check, rebase

# What each kind is, as --help shows it: docstrings are gone under -OO.
KIND_TEXTS = {
    "retightened": "The chain was retightened. Lengths of the spring in mm; "
    "`free_length_mm` is measured afresh with no load.",
    "camshaft-set": "The camshaft was set, or found right. "
    "`raw_deg`: crank − ratio·cam as the encoders read; `gauge_mm`: late = +.",
    "pumps-compensated": "The advance now in force at each fuel pump, in crank degrees, earlier = +; "
    "all of it, not what was added.",
    "chain-renewed": "A new chain. `spring_after_mm`, `lag_after_deg`: as read when the drive was together again.",
    "links-renewed": "`renewed` links of the chain were replaced.",
    "spring-renewed": "A new tightener spring: its free length in mm and, where it differs, its rate.",
    "links-measured": "Links were measured by hand: `length_mm` over `links` links.",
    "hand-play": "Play at mid-span by hand, in links or in mm.",
    "pressures": "Pressures of the cylinders, before or after work on the timing.",
    "loading": "The loading condition from these hours on: `condition`, or the mean draught in m, or both.",
    "note": "A remark about the drive: `note` holds it. It changes no figure.",
    "correction": "Replaces an earlier booking by `entry`, or strikes it out where there is none.",
}
FIGURES = {
    "free_length_mm": "length of the spring with no load, measured afresh, mm",
    "spring_before_mm": "length of the spring before the work, mm; from the readings if left out",
    "spring_after_mm": "length of the spring after the work, mm; from the readings if left out",
    "elongation_percent": "the chain's elongation then, %%, where it is known otherwise",
    "elongation_se_percent": "its standard error, %%",
    "raw_deg": "crank less cam as the encoders read, degrees of the crank; from the readings if left out",
    "gauge_mm": "what the pin gauge reads, mm, late is +",
    "lag_before_deg": "lag before the work, degrees of the crank, late is +; from the readings if left out",
    "lag_after_deg": "lag after the work, degrees of the crank, late is +; from the readings if left out",
    "before_deg": "advance at each pump before, degrees of the crank, earlier is +",
    "after_deg": "advance now in force at each pump, degrees of the crank, earlier is +",
    "renewed": "how many links were renewed",
    "rate_n_per_mm": "the new spring's rate, N/mm, where it differs",
    "links": "how many links were measured",
    "length_mm": "length over these links, mm",
    "play_links": "play at mid-span by hand, in links",
    "play_mm": "play at mid-span by hand, mm",
    "taken": "before or after the work",
    "rpm": "speed of the engine, rpm",
    "load": "load of the engine, a share of full load, 0 to 1.2",
    "scavenge_bar": "scavenge pressure, bar",
    "condition": "laden or ballast",
    "draught_m": "mean draught, m",
    "replaces": "name (id) of the booking to be put right",
}


def add(p: argparse.ArgumentParser) -> None:
    """Arguments: what all bookings carry, then the kind and its figures."""
    common(p)
    kinds = p.add_subparsers(dest="kind", required=True, metavar="KIND")
    for kind, model in KINDS.items():
        text = KIND_TEXTS[kind]
        aliases = [name for name, meant in ALIASES.items() if meant == kind]
        _arguments(kinds.add_parser(kind, help=text, description=text, aliases=aliases), model)


def _arguments(p: argparse.ArgumentParser, model: type[Booked]) -> None:
    p.add_argument("--engine", help="the engine's short name in the settings, where there are several")
    p.add_argument("--person", required=True, help="who did the work")
    p.add_argument(
        "--at", dest="utc_s", metavar="UTC", help="when it was done, such as 2031-02-03T04:05:00Z; now if left out"
    )
    p.add_argument("--hours", type=float, help="running hours then; the present ones if left out and the daemon runs")
    p.add_argument("--note", help="anything worth keeping")
    p.add_argument("--id", help="a name for this booking; drawn if left out")
    common_names = {f.name for f in fields(Booked)}
    for f in fields(model):
        if f.name not in common_names and f.name != "kind":
            _figure(p, f.name, _bare(f.type))


def _figure(p: argparse.ArgumentParser, name: str, annotation: Any) -> None:
    option = "--" + name.replace("_", "-")
    if name == "cylinders":
        p.add_argument(
            "--cylinder", dest=name, action="append", metavar="NO:MAX[:MEAN[:COMPRESSION]]", help="bar; once a cylinder"
        )
    elif name == "entry":
        p.add_argument("--entry", metavar="JSON", help="the booking as it should have been; left out: struck out")
    elif name == "photos":
        return  # the page alone takes photos
    elif typing.get_origin(annotation) is list:
        p.add_argument(option, type=float, nargs="+", help=FIGURES[name])
    else:
        p.add_argument(option, type=_type(annotation), help=FIGURES[name])


def _bare(annotation: Any) -> Any:
    return typing.get_args(annotation)[0] if typing.get_origin(annotation) is typing.Annotated else annotation


def _type(annotation: Any) -> type:
    # `Annotated[…] | None` is a typing.Union, `float | None` a types.UnionType.
    is_union = typing.get_origin(annotation) in (types.UnionType, typing.Union)
    parts = typing.get_args(annotation) if is_union else (annotation,)
    bare = [_bare(a) for a in parts]
    return next((t for t in (int, float) if t in bare), float if float in bare else str)


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
    out(f"booked {stored['kind']} as {stored['id']} at {stored['hours']:g} running hours, by {stored['person']}")
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
        store.commit(events=[event], bookings=[booking])
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
