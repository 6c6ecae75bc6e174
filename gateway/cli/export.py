"""Print events, bookings or history as CSV, or an ISO 19848 package and its channel list."""

import argparse
import json
import sys
import time
from pathlib import Path

from gateway.cli.iso19848 import ship_channels, ship_package
from gateway.cli.progress import progress
from gateway.encode.checked import parse_event
from gateway.encode.messages import AdjustmentEvent, AlarmEvent, GatewayEvent, rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.model.csv_text import csv_text
from gateway.model.errors import Refused
from gateway.model.records import Median
from gateway.model.settings_file import load_settings
from gateway.store.history import HistoryReader
from gateway.store.reader import StateReader
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import entries_csv

PAGE = 1_000
MEDIANS_MAX = 1_000_000
EVENT_COLUMNS = "seq,ts,topic,kind,hours,tag_or_what,priority,from,to,value,limit,unit,text,by,why,action".split(",")  # noqa: SIM905
MEDIAN_COLUMNS = ("ts", *(name for name in Median.__slots__ if name != "utc_s"))


def main(args: argparse.Namespace) -> int:
    """Print it; a running daemon is not disturbed."""
    settings = load_settings(args.config)
    data_dir = Path(args.data_dir or settings.gateway.data_dir)
    slugs = [e.slug for e in settings.engine]
    if args.what in ("bookings", "history"):
        if args.engine is None and len(slugs) > 1:
            raise Refused(f"give --engine with one of: {', '.join(slugs)}")
        args.engine = args.engine or slugs[0]
    if args.engine is not None and args.engine not in slugs:
        raise Refused(f"--engine {args.engine}: not among the engines: {', '.join(slugs)}")
    try:
        span = utc_of(args.from_utc), utc_of(args.to_utc)
    except ValueError as e:
        raise Refused(str(e)) from None
    if args.what in ("iso19848", "channels"):
        engines, now_s = [args.engine] if args.engine else slugs, time.time()
        if args.what == "channels":
            package = ship_channels(settings, engines, args.ship_id, now_s)
        else:
            package = ship_package(settings, data_dir, engines, span, args.ship_id, now_s)
        sys.stdout.write(json.dumps(package, ensure_ascii=False) + "\n")
    elif args.what == "events":
        topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        _events(data_dir, topics, args.engine, *span)
    else:
        {"bookings": _bookings, "history": _history}[args.what](data_dir, args.engine, *span)
    return 0


def _events(data_dir: Path, topics: Topics, engine: str | None, from_s: float, to_s: float) -> None:
    reader = StateReader(data_dir)
    write = sys.stdout.write
    write(csv_text([EVENT_COLUMNS]))
    wanted = None if engine is None else topics.event(engine)
    after = 0
    last = reader.events(0, 1, newest_first=True)
    with progress("export of events", float(last[0].seq) if last else None, lines_on_stdout=True) as moved:
        while rows := reader.events(after, PAGE):
            after = rows[-1].seq
            moved(after)
            for row in rows:
                event = parse_event(row.payload)
                if from_s <= utc_of(event.ts) < to_s and wanted in (None, row.topic):
                    write(csv_text([[row.seq, event.ts, row.topic, row.kind, event.hours, *_figures(event)]]))
    reader.close()


def _figures(e: AlarmEvent | AdjustmentEvent | GatewayEvent) -> list[object]:
    if isinstance(e, AlarmEvent):
        return [
            e.tag,
            e.priority,
            e.came_from,
            e.to,
            e.value,
            e.limit,
            e.unit,
            e.text,
            e.by or "",
            e.why or "",
            e.action or "",
        ]
    by = e.by if isinstance(e, AdjustmentEvent) else None
    return [e.what, None, None, None, None, None, None, e.text, by or "", "", ""]


def _bookings(data_dir: Path, engine: str, from_s: float, to_s: float) -> None:
    reader = StateReader(data_dir)
    entries = [read_entry(row.entry) for row in reader.bookings(engine)]
    reader.close()
    sys.stdout.write(entries_csv([e for e in entries if from_s <= e.utc_s < to_s]))


def _history(data_dir: Path, engine: str, from_s: float, to_s: float) -> None:
    reader = HistoryReader(data_dir)
    write = sys.stdout.write
    write(csv_text([MEDIAN_COLUMNS]))
    medians = reader.medians(engine, from_s, to_s, MEDIANS_MAX)
    with progress("export of the history", float(len(medians)), lines_on_stdout=True) as moved:
        for n, m in enumerate(medians):
            write(csv_text([[rfc3339(m.utc_s), *(getattr(m, name) for name in MEDIAN_COLUMNS[1:])]]))
            moved(n)
    reader.close()
