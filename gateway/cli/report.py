"""Make a report of a period, or the survey file: figures, plots, forecast, alarms, work, to sign."""

import argparse
import time
from pathlib import Path

from gateway.cli.operator import common
from gateway.cli.progress import progress
from gateway.cli.report_asked import Asked, Named, engines, month, span
from gateway.cli.report_files import SUFFIXES, write_report
from gateway.cli.report_read import Record, ship_facts
from gateway.cli.report_survey import survey_period, write_tables
from gateway.cli.text import note
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.report.facts import Period
from gateway.report.page import page


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    common(p)
    p.add_argument(
        "--out",
        required=True,
        type=_out,
        metavar="FILE",
        help="the file, .html or .pdf; or a folder, to be named by ship and period",
    )
    p.add_argument("--engine", help="one engine's short name in the settings; all of them if left out")
    p.add_argument("--month", help="a month, YYYY-MM, or `last` for the one before this")
    p.add_argument("--from", dest="from_utc", help="from this UTC on, such as 2031-02-03T04:05:00Z")
    p.add_argument("--to", dest="to_utc", help="up to this UTC, such as 2031-02-03T04:05:00Z; now if left out")
    p.add_argument(
        "--survey",
        action="store_true",
        help="the file for a class surveyor, and its data as CSV beside it; "
        "from vessel.last_survey on where --from is left out",
    )


def main(args: argparse.Namespace) -> int:
    """Make it, beside a running daemon or without one. Without a period: the last thirty days."""
    settings = load_settings(args.config)
    slugs = engines(settings, args.engine)
    record = Record(Path(args.data_dir or settings.gateway.data_dir))
    try:
        now_s = max(time.time(), record.latest_s(slugs))
        asked = Asked(slugs, _period(args, settings, now_s), args.survey)
        path = _named(args.out, settings, asked)
        with progress(f"report {path.name}", 4.0) as moved:
            moved(0)
            facts = ship_facts(settings, record, asked, now_s, Named())
            moved(1)
            html = page(facts)
            moved(2)
            write_report(path, html)
            moved(3)
            tables = write_tables(path, facts, record) if asked.survey else []
    finally:
        record.close()
    note(f"{path}: {facts.vessel.name}, {facts.period.name}, no. {facts.reference()}")
    for table in tables:
        note(f"{table}: the data")
    return 0


def _out(text: str) -> Path:
    path = Path(text)
    if path.is_dir() or path.suffix.lower() in SUFFIXES:
        return path
    raise argparse.ArgumentTypeError(f"{text!r} is neither a folder nor named {' or '.join(SUFFIXES)}")


def _named(path: Path, settings: Settings, asked: Asked) -> Path:
    if not path.is_dir():
        return path
    what, kind = ("survey-", "pdf") if asked.survey else ("", "html")
    return path / f"{settings.vessel.slug}-{what}{asked.period.key}.{kind}"


def _period(args: argparse.Namespace, settings: Settings, now_s: float) -> Period:
    if args.month is not None:
        if args.from_utc or args.to_utc or args.survey:
            raise Refused("--month does not go with --from, --to or --survey; leave it out, or those")
        return month(args.month, now_s)
    if args.survey:
        return survey_period(settings, args.from_utc, args.to_utc, now_s)
    return span(args.from_utc, args.to_utc, now_s)
