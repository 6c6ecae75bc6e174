"""Make a report of a period as one HTML or PDF file: figures, plots, forecast, alarms, work before and after."""

import argparse
import re
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from gateway import __version__
from gateway.cli.operator import common
from gateway.cli.report_files import SUFFIXES, write_report
from gateway.cli.report_read import Record, ship_facts
from gateway.cli.text import note
from gateway.encode.times import utc_of
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.report.facts import Period
from gateway.report.page import page
from gateway.report.words import day

DEFAULT_DAYS = 30
SPAN_S_MIN = 3_600.0


@dataclass(frozen=True, slots=True)
class Asked:
    """The period as asked for; `key` goes into a file's name."""

    from_s: float
    to_s: float
    name: str
    key: str


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


def main(args: argparse.Namespace) -> int:
    """Make it, beside a running daemon or without one. Without a period: the last thirty days."""
    settings = load_settings(args.config)
    slugs = [e.slug for e in settings.engine]
    if args.engine is not None and args.engine not in slugs:
        raise Refused(f"--engine {args.engine}: not among the engines: {', '.join(slugs)}")
    record = Record(Path(args.data_dir or settings.gateway.data_dir))
    try:
        now_s = max(time.time(), record.latest_s(slugs))
        asked = _asked(args, now_s)
        facts = ship_facts(
            settings, record, [args.engine] if args.engine else slugs, _period(asked, now_s), now_s, __version__
        )
    finally:
        record.close()
    path = _named(args.out, settings, asked)
    write_report(path, page(facts))
    note(f"{path}: {facts.vessel}, {facts.period.name}")
    return 0


def _out(text: str) -> Path:
    path = Path(text)
    if path.is_dir() or path.suffix.lower() in SUFFIXES:
        return path
    raise argparse.ArgumentTypeError(f"{text!r} is neither a folder nor named {' or '.join(SUFFIXES)}")


def _named(path: Path, settings: Settings, asked: Asked) -> Path:
    return path / f"{settings.vessel.slug}-{asked.key}.html" if path.is_dir() else path


# -- the period ----------------------------------------------------------------------------------------------------


def _asked(args: argparse.Namespace, now_s: float) -> Asked:
    if args.month is not None:
        if args.from_utc or args.to_utc:
            raise Refused("--month goes without --from and --to")
        return _month(args.month, now_s)
    try:
        to_s = utc_of(args.to_utc) if args.to_utc else now_s
        from_s = utc_of(args.from_utc) if args.from_utc else to_s - DEFAULT_DAYS * 86_400.0
    except ValueError as e:
        raise Refused(str(e)) from None
    if to_s - from_s < SPAN_S_MIN:
        raise Refused("--to must be an hour after --from, or more")
    return Asked(from_s, to_s, f"{day(from_s)} to {day(to_s)}", f"{day(from_s)}-to-{day(to_s)}")


def _month(text: str, now_s: float) -> Asked:
    now = datetime.fromtimestamp(now_s, UTC)
    if text == "last":
        first = now.year * 12 + now.month - 2
    elif re.fullmatch(r"(19|20)\d\d-(0[1-9]|1[0-2])", text):
        first = int(text[:4]) * 12 + int(text[5:]) - 1
    else:
        raise Refused(f"--month {text}: not a month such as 2027-05, nor `last`")
    begins = [datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in (first, first + 1)]
    return Asked(begins[0].timestamp(), begins[1].timestamp(), begins[0].strftime("%B %Y"), begins[0].strftime("%Y-%m"))


def _period(asked: Asked, now_s: float) -> Period:
    if asked.from_s > now_s - SPAN_S_MIN:
        raise Refused(f"the period begins on {day(asked.from_s)}: there is nothing yet to report")
    if asked.to_s <= now_s:
        return Period(asked.from_s, asked.to_s, asked.name)
    return Period(asked.from_s, now_s, f"{asked.name}, not over yet")
