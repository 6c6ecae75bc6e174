"""Make a report of a period, or the survey file: figures, plots, forecast, alarms, work, to sign."""

import argparse
import time
from pathlib import Path

from gateway.cli.progress import progress
from gateway.cli.report_asked import Asked, Named, engines, month, span
from gateway.cli.report_files import write_report
from gateway.cli.report_read import Kept, Record, ship_facts
from gateway.cli.report_survey import survey_period, write_tables
from gateway.cli.text import note
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.report.facts import Period
from gateway.report.page import page


def main(args: argparse.Namespace) -> int:
    """Make it, beside a running daemon or without one. Without a period: the last thirty days."""
    settings = load_settings(args.config)
    engines(settings, args.engine)
    return made(args, settings, Record(Path(args.data_dir or settings.gateway.data_dir)))


def made(args: argparse.Namespace, settings: Settings, record: Kept) -> int:
    """Make it from this record, which is closed afterwards."""
    try:
        slugs = engines(settings, args.engine)
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
