"""Arguments of the commands whose work takes long to import: their help is printed without it."""

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

from gateway.cli.operator import common, data_dir

SUFFIXES = (".html", ".htm", ".pdf")
"""Of a report's file."""
SETUP_PARTS = ("names", "head", "broker", "shore", "page")
"""Of what `setup` asks."""


def _demo(p: argparse.ArgumentParser) -> None:
    p.add_argument("--seconds", type=float, default=120.0, help="end after so many seconds at the latest")
    p.add_argument("--stay", action="store_true", help="keep the page up after the voyage, until Ctrl-C")
    p.add_argument("--keep", type=Path, metavar="DIR", help="keep the gateway's data in this new folder")


def _setup(p: argparse.ArgumentParser) -> None:
    setup_arguments(p, SETUP_PARTS)
    p.add_argument(
        "--restore",
        type=Path,
        metavar="FILE",
        help="this box takes over from another: FILE is its back-up, or a bundle made ashore with --spare",
    )


def _run(p: argparse.ArgumentParser) -> None:
    common(p)


def _check(p: argparse.ArgumentParser) -> None:
    p.add_argument("config", type=Path, help="the TOML file of the ship")
    p.add_argument(
        "--wear",
        type=float,
        default=0.02,
        help="chain elongation to reckon with, %% per 1,000 running hours (default: %(default)s)",
    )


def _replay(p: argparse.ArgumentParser) -> None:
    p.add_argument("config", type=Path, help="the TOML file of the ship")
    p.add_argument("capture", type=Path, help="raw bytes of one head's link")
    p.add_argument(
        "--start", default="1970-01-01T00:00:00Z", help="UTC of the first frame, such as 2031-02-03T04:05:00Z"
    )
    p.add_argument("--engine", help="short name of the engine whose head it is; needed where there are several")
    p.add_argument("--readings", action="store_true", help="print the readings too")
    p.add_argument("--plot", type=Path, metavar="FILE", help="draw lag, spring and alarms into this .svg file")


def _import_recording(p: argparse.ArgumentParser) -> None:
    p.add_argument("config", type=Path, help="the TOML file of the ship, with [engine.recording]")
    p.add_argument("file", type=Path, help="the recording: CSV with a heading")
    p.add_argument("--out", type=Path, required=True, help="the capture to write, for `camdrift replay`")
    p.add_argument("--engine", help="short name of the engine; needed where there are several")


def _trend(p: argparse.ArgumentParser) -> None:
    common(p)
    p.add_argument("--engine", help="one engine's short name in the settings; all of them if left out")
    p.add_argument("--json", action="store_true", help="the messages as published, one a line")


def _export(p: argparse.ArgumentParser) -> None:
    common(p)
    p.add_argument("what", choices=("events", "bookings", "history", "iso19848", "channels"), help="what to print")
    p.add_argument("--ship-id", help="iso19848, channels: the ship's identifier, such as its IMO number")
    p.add_argument("--engine", help="one engine's short name in the settings, where there are several")
    period_arguments(p)


def _report(p: argparse.ArgumentParser) -> None:
    common(p)
    report_arguments(p)


def setup_arguments(p: argparse.ArgumentParser, parts: Sequence[str]) -> None:
    """How a setup asks, aboard and ashore. `parts`: what it asks of."""
    p.add_argument("--answers", type=Path, metavar="FILE", help="a TOML file with all answers; nothing is asked")
    p.add_argument("--ask", action="store_true", help="with --answers: ask what the file lacks")
    p.add_argument("--only", choices=parts, help="ask again about this part alone")
    p.add_argument("--no-start", action="store_true", help="write everything, start nothing")


def period_arguments(p: argparse.ArgumentParser) -> None:
    """Of what is exported, aboard and ashore: all of it if left out."""
    p.add_argument(
        "--from", dest="from_utc", default="2000-01-01T00:00:00Z", help="from this UTC on, such as 2031-02-03T04:05:00Z"
    )
    p.add_argument(
        "--to", dest="to_utc", default="2100-01-01T00:00:00Z", help="up to this UTC, such as 2031-02-03T04:05:00Z"
    )


def report_arguments(p: argparse.ArgumentParser) -> None:
    """Which report, aboard and ashore."""
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


def _panel(p: argparse.ArgumentParser) -> None:
    p.add_argument("config", metavar="CONFIG", help="the settings")
    p.add_argument("--csv", action="store_true", help="as CSV, a row for each signal")


def _out(text: str) -> Path:
    path = Path(text)
    if path.is_dir() or path.suffix.lower() in SUFFIXES:
        return path
    raise argparse.ArgumentTypeError(f"{text!r} is neither a folder nor named {' or '.join(SUFFIXES)}")


def _book(p: argparse.ArgumentParser) -> None:
    from gateway.cli.book_arguments import add

    add(p)


def _sheet(p: argparse.ArgumentParser) -> None:
    from gateway.cli.sheet_arguments import add

    add(p)


def _shore(p: argparse.ArgumentParser) -> None:
    from gateway.cli.shore_arguments import add

    add(p)


def _doctor(p: argparse.ArgumentParser) -> None:
    p.add_argument(
        "config",
        type=Path,
        nargs="?",
        default=Path("/etc/camdrift/ship.toml"),
        help="the TOML file of the ship (%(default)s)",
    )
    data_dir(p)
    p.add_argument(
        "--bundle",
        type=Path,
        metavar="FILE",
        help="pack settings without secrets, logs, counts and the last captures into this new tar.gz file",
    )


def _commission(p: argparse.ArgumentParser) -> None:
    common(p)
    p.add_argument("--engine", help="the engine's short name in the settings, where there are several")
    p.add_argument("--person", default="", help="who does it; stands in the record")
    one = p.add_mutually_exclusive_group()
    one.add_argument("--list", action="store_true", help="list the tasks, and which are done")
    one.add_argument("--record", action="store_true", help="print the record as it is; needs no daemon")
    one.add_argument("--task", metavar="TASK", help="this task alone; again, where it is done")
    one.add_argument("--sign", metavar="ROLE", help="put the name --person under the complete record")
    one.add_argument("--again", action="store_true", help="a new fitting: put the record aside, begin another")
    p.add_argument("--begin", action="store_true", help="with --task: only mark its beginning, before anything moves")
    p.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="with --task: an answer")
    p.add_argument("--leave-out", metavar="REASON", help="with --task: it is not done, for this reason")


ADD: dict[str, Callable[[argparse.ArgumentParser], None]] = {
    "demo": _demo,
    "setup": _setup,
    "run": _run,
    "check": _check,
    "replay": _replay,
    "import": _import_recording,
    "trend": _trend,
    "export": _export,
    "report": _report,
    "panel": _panel,
    "doctor": _doctor,
    "commission": _commission,
    "book": _book,
    "sheet": _sheet,
    "shore": _shore,
}
"""By the command's name."""
