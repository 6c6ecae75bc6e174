"""Work sheets: cautions, figures, order of steps, and what to book after; live beside a running daemon."""

import argparse
import io
import json
import shlex
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

from gateway.cli import sheet_acts
from gateway.cli.sheet_arguments import OPTIONS
from gateway.cli.text import note, out
from gateway.encode.times import utc_of
from gateway.engine.sheet_facts import facts_at_rest
from gateway.model.errors import PortError, Refused, StorageError
from gateway.model.files import UnfitFile, read_small
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import load_settings
from gateway.model.toml_file import socket_of
from gateway.outlets.control_client import NoDaemon, ask
from gateway.store.reader import StateReader
from gateway.wear.booking_check import read_entry
from gateway.worksheet.catalogue import as_data, sheet
from gateway.worksheet.pressure_file import FILE_CHARS_MAX
from gateway.worksheet.sheet import Facts

WIDTH = 100
LIVE_S = 1.0
NOT_REACHED = ("127.0.0.1", "::1", "localhost", "0.0.0.0", "::")
"""Addresses of the page that another device cannot use."""
INK = str.maketrans(" ▀▄█", "█▄▀ ")
"""A QR code's blocks, light ones to dark ones."""
LIVE_MIN_MAX = 24 * 60.0
LIVE_NOTICES = (
    "Passed", "At the target", "The length", "Tighten", "Seated", "By the encoders", "The sensor head", "No live",
)  # fmt: skip
"""What a notice that must stand in the live line begins with."""
UNANSWERED_MAX = 60
"""So many questions in a row may go unanswered, a minute's restart of the daemon, before the line gives up."""


def main(args: argparse.Namespace) -> int:
    """Print the sheet. 1 where a figure was refused."""
    settings = load_settings(args.config)
    typed = _typed(args)
    if getattr(args, "live", False):
        return _live(args, typed)
    if sheet_acts.acts(args):
        sheet_acts.perform(args, typed)
        typed = {}
    made = _made(settings, args, typed)
    record = made.get("record")
    if record is not None and typed:
        note("this sheet is open: what it shows are its own figures; add --keep to change them")
    if args.json:
        out(json.dumps(made, indent=2, ensure_ascii=False))
    else:
        out(text_of(made, _book_line(args, made)))
        if args.print:
            out(_code(settings, args.sheet))
    return 1 if any(n["level"] == "refused" for n in made["notices"]) else 0


def _typed(args: argparse.Namespace) -> dict[str, str]:
    found = {}
    for _, figure, _, _ in OPTIONS[args.sheet]:
        value = getattr(args, f"typed_{figure}")
        if value is not None:
            found[figure] = value if isinstance(value, str) else " ".join(value)
    if "oil_off" in found:
        try:
            found["oil_off"] = f"{utc_of(found['oil_off']):.0f}"
        except ValueError as e:
            raise Refused(f"--oil-off: {e}; give a UTC such as 2031-02-03T04:05:00Z") from None
    return found


# -- where the sheet comes from -------------------------------------------------------------------------------------


def _made(settings: Settings, args: argparse.Namespace, typed: dict[str, str]) -> dict[str, Any]:
    """From the daemon, which has the readings; where none runs, from settings and log book."""
    if args.sheet == "pressures" and args.file is not None:
        return as_data(sheet(args.sheet, _without(settings, args), typed, _file(args.file)))
    try:
        return _asked(args, typed)
    except NoDaemon:
        note("no daemon runs: without readings, from settings and log book alone")
        return as_data(sheet(args.sheet, _without(settings, args), typed))


def _asked(args: argparse.Namespace, typed: dict[str, str]) -> dict[str, Any]:
    asked = {"do": "sheet", "engine": args.engine, "name": args.sheet, "typed": typed}
    made: dict[str, Any] = ask(socket_of(args.config, args.data_dir), asked)["sheet"]
    return made


def _without(settings: Settings, args: argparse.Namespace) -> Facts:
    engine = _engine(settings, args.engine)
    try:
        reader = StateReader(args.data_dir or settings.gateway.data_dir)
    except StorageError:
        # A gateway that has never run has no log book; the settings are still enough.
        return facts_at_rest(engine, [])
    try:
        return facts_at_rest(engine, [read_entry(row.entry) for row in reader.bookings(engine.slug)])
    finally:
        reader.close()


def _engine(settings: Settings, slug: str | None) -> EngineSettings:
    found = [e for e in settings.engine if slug in (None, e.slug)]
    if len(found) != 1:
        raise Refused(f"give --engine with one of: {', '.join(e.slug for e in settings.engine)}")
    return found[0]


def _file(path: Path) -> str:
    try:
        data = read_small(path, FILE_CHARS_MAX)
    except UnfitFile as e:
        raise Refused(f"{path}: {e}; give a file of pressure against crank angle as CSV") from None
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


# -- live -----------------------------------------------------------------------------------------------------------


def _live(args: argparse.Namespace, typed: dict[str, str]) -> int:
    """One line that follows the readings, until Ctrl-C or the time is up. Raises PortError where nobody answers."""
    if not 0 < args.minutes <= LIVE_MIN_MAX:
        raise Refused(f"--for {args.minutes:g}: give up to {LIVE_MIN_MAX:g} minutes")
    first = _asked(args, typed)
    for caution in first["cautions"]:
        out(textwrap.fill(f"! {caution}", WIDTH, subsequent_indent="  "))
    until_s, unanswered, shown = time.monotonic() + args.minutes * 60, 0, ""
    try:
        while time.monotonic() < until_s:
            try:
                line, unanswered = live_line(_asked(args, typed)), 0
            except PortError as e:
                line, unanswered = f"no answer: {e}", unanswered + 1
                if unanswered > UNANSWERED_MAX:
                    raise
            shown = _renewed(line, shown)
            time.sleep(LIVE_S)
    except KeyboardInterrupt:
        pass
    finally:
        if shown and sys.stdout.isatty():
            out("")
    return 0


def _renewed(line: str, before: str) -> str:
    """On a terminal the line is written over; elsewhere each that differs is a line of its own."""
    if sys.stdout.isatty():
        sys.stdout.write("\r" + line[: WIDTH + 40].ljust(len(before)))
    elif line != before:
        out(line)
    sys.stdout.flush()
    return line


def live_line(made: dict[str, Any]) -> str:
    """The large figures and what must be known, in one line."""
    figures = [f"{f['name']} {_value(f)}" for f in made["figures"] if f["big"]]
    waits = [
        f"{w['text'].lower()} {_clock(w['since_s'])} (minimum {w['least_s'] / 60:.0f} min)" for w in made["waits"][:1]
    ]
    notices = [n["text"] for n in made["notices"] if n["text"].startswith(LIVE_NOTICES)][:1]
    return " | ".join([*figures, *notices, *waits])


# -- as text --------------------------------------------------------------------------------------------------------


def text_of(made: dict[str, Any], book: str) -> str:
    """A sheet as text to read or print."""
    record = made.get("record")
    lines = [made["title"].upper(), *sheet_acts.heading(made, time.time()), ""]
    lines += [textwrap.fill(f"! {c}", WIDTH, subsequent_indent="  ") for c in made["cautions"]]
    for n in made["notices"]:
        sign = {"refused": "REFUSED: ", "attention": "NOTE: ", "good": "OK: "}[n["level"]]
        lines += ["", textwrap.fill(sign + n["text"], WIDTH, subsequent_indent="  ")]
    lines += ["", "Figures"]
    for f in made["figures"]:
        lines.append(f"  {f['name']:<34}{_value(f):>18}   {f['help']}")
    for w in made["waits"]:
        since = f"{_clock(w['since_s'])}   minimum {w['least_s'] / 60:.0f} min. {w['words']}"
        lines.append(f"  {w['text']:<34}{since}")
    lines += ["", "Steps"]
    phase = ""
    for n, s in enumerate(made["steps"], 1):
        if s["phase"] != phase:
            phase = s["phase"]
            lines += ["", f"  {phase}"]
        if s["caution"]:
            lines.append(textwrap.fill(f"    ! {s['caution']}", WIDTH, subsequent_indent="      "))
        arrow = {"ahead": "  >> AHEAD", "astern": "  << ASTERN", "see": "  ?? LOOK WHICH WAY"}.get(s["sense"], "")
        lines.append(textwrap.fill(f"{n:>4}. {s['text']}{arrow}", WIDTH, subsequent_indent="      "))
        if s["who"]:
            who = sheet_acts.ticked(record, s["key"])
            line = f"[{'x' if who else ' '}] {s['who']}: {s['confirm']}   {who or '______________'}   [{s['key']}]"
            lines.append(textwrap.fill(line, WIDTH, initial_indent="      ", subsequent_indent="          "))
    lines += [
        "",
        "To book",
        textwrap.fill(book, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False),
        *sheet_acts.below(record),
    ]
    return "\n".join(lines)


def _book_line(args: argparse.Namespace, made: dict[str, Any]) -> str:
    booking, record = made["booking"], made.get("record")
    if record is not None and record["booked"]:
        return f"Booked as {', '.join(record['booked'])}. A change is booked as a correction, with --book --reason."
    if record is not None and booking is not None:
        missing = f" {len(record['missing'])} steps are not ticked: give --reason." if record["missing"] else ""
        return f"{record['words']} Book it with --book.{missing}"
    if booking is None:
        return f"Nothing yet. Still needed: {made['booking_wants']}."
    words = [f"camdrift book {args.config} {booking['kind']} --person NAME"]
    for key, value in booking.items():
        if key == "cylinders":
            words += [f"--cylinder {_cylinder(c)}" for c in value]
        elif key != "kind" and value not in (None, []):
            words.append(f"--{key.replace('_', '-')} {_word(value)}")
    return " ".join(words)


def _word(value: object) -> str:
    if isinstance(value, list):
        return " ".join(f"{v:g}" for v in value)
    return shlex.quote(str(value))


def _cylinder(c: dict[str, Any]) -> str:
    parts = [c["cylinder"], *(c.get(name) for name in ("max_bar", "mean_indicated_bar", "compression_bar"))]
    return ":".join("" if x is None else f"{x:g}" for x in parts).rstrip(":")


def _value(f: dict[str, Any]) -> str:
    value = f["value"]
    if value is None:
        return "not known"
    shown = value if isinstance(value, str) else f"{value:.{f['digits']}f}"
    gap = "" if f["unit"][:1] in ("°", "%") else " "
    return f"{shown}{gap}{f['unit']}".strip()


def _clock(since_s: float | None) -> str:
    if since_s is None:
        return "not known"
    minutes = int(since_s // 60)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def _code(settings: Settings, name: str) -> str:
    """A QR code of the sheet's address on the page, in characters; or why there is none."""
    page = settings.page
    host = page.names[0] if page.names else page.listen
    if not page.enabled or host in NOT_REACHED:
        return "No QR code: set page.listen or page.names to an address at which other devices reach the page."
    try:
        import segno
    except ImportError:
        return "No QR code: the extra `print` is not installed."
    scheme, at = "http" if page.cert_file is None else "https", f"[{host}]" if ":" in host else host
    address = f"{scheme}://{at}:{page.port}/#sheets/{name}"
    drawn = io.StringIO()
    segno.make_qr(address).terminal(drawn, compact=True)
    # On a dark screen a block is light. On paper it is ink, and not every reader knows inverted codes.
    code = drawn.getvalue() if sys.stdout.isatty() else drawn.getvalue().translate(INK)
    return f"{code}\n{address}"
