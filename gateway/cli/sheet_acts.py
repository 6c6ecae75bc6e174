"""Acting at an open work sheet from a terminal: open, keep figures, take, tick, countersign, book, close."""

import argparse
import textwrap
from typing import Any

from gateway.cli.operator import request, show_note
from gateway.cli.text import note, out
from gateway.encode.times import rfc3339
from gateway.model.errors import Refused

KEYED = ("take", "unlock", "tick", "untick", "countersign")
WIDTH = 100


def add(p: argparse.ArgumentParser) -> None:
    """Options of a sheet that act at it."""
    g = p.add_argument_group("acting at the sheet, beside a running daemon")
    g.add_argument("--open", action="store_true", help="open the sheet; ticks and figures are then kept")
    g.add_argument("--keep", action="store_true", help="keep the figures given, in the open sheet")
    g.add_argument("--take", nargs="+", default=[], metavar="FIGURE", help="take the present reading for a figure")
    g.add_argument("--unlock", nargs="+", default=[], metavar="FIGURE", help="with --reason: let it be changed")
    g.add_argument("--tick", nargs="+", default=[], metavar="STEP", help="tick steps by their keys, in brackets")
    g.add_argument("--untick", nargs="+", default=[], metavar="STEP", help="with --reason: take back ticks")
    g.add_argument("--countersign", nargs="+", default=[], metavar="STEP", help="a second person confirms ticks")
    g.add_argument("--book", action="store_true", help="book the work; again: a correction, with --reason")
    g.add_argument("--dry", action="store_true", help="with --book: show what would be booked, book nothing")
    g.add_argument("--close", action="store_true", help="close the sheet; unbooked work wants --reason")
    g.add_argument("--reason", default="", help="why: a change, missing ticks, a correction, closing")
    g.add_argument("--by", help="who acts, if not the user who is logged in")
    g.add_argument("--person", help="with --book: who did the work, if not who acts")


def acts(args: argparse.Namespace) -> bool:
    """Does the command line act at the sheet?"""
    return args.open or args.keep or args.book or args.close or any(getattr(args, k) for k in KEYED)


def perform(args: argparse.Namespace, typed: dict[str, str]) -> None:
    """Do all of it, in the order of work. Raises Refused at the first that cannot be done, and PortError."""
    if args.open:
        _act(args, "open")
    for key in args.unlock:
        _act(args, "unlock", key=key, reason=args.reason)
    if args.keep:
        for key, value in typed.items():
            _act(args, "figure", key=key, value=value)
    for key in args.take:
        _act(args, "figure", key=key, value=_reading(args, key))
    for what in ("tick", "countersign", "untick"):
        for key in getattr(args, what):
            _act(args, what, key=key, reason=args.reason)
    if args.book:
        _book(args)
    if args.close:
        _act(args, "close", reason=args.reason)


def _act(args: argparse.Namespace, what: str, **more: str) -> None:
    request(args, "sheet-act", name=args.sheet, act=what, **more)
    note(f"{what} {more.get('key', '')} {more.get('value', '')}".strip())


def _reading(args: argparse.Namespace, key: str) -> str:
    inputs = request(args, "sheet", name=args.sheet, typed={})["sheet"]["inputs"]
    found = next((i for i in inputs if i["name"] == key), None)
    if found is None:
        raise Refused(f"there is no figure {key!r}; there are: {', '.join(i['name'] for i in inputs)}")
    if found["take"] is None:
        raise Refused(found["locked"] or f"{found['label']}: there is no reading that may be taken now; type it")
    return str(found["take"])


def _book(args: argparse.Namespace) -> None:
    made: dict[str, Any] = request(args, "sheet", name=args.sheet, typed={})["sheet"]
    record = made.get("record")
    if record is None:
        raise Refused("this sheet is not open; open it first with --open")
    entry = {**(made["booking"] or {}), "person": args.person or args.by or record["opened_by"]}
    last = record["booked"][-1] if record["booked"] else None
    asked = {"entry": entry, "sheet": args.sheet, "reason": args.reason, "corrects": last, "dry": args.dry}
    answer = request(args, "book", **asked)
    if args.dry:
        out(textwrap.fill(f"Will be booked: {answer['words']} Nothing is booked yet.", WIDTH))
        return
    note(f"booked {answer['entry']['id']}")
    show_note(answer)


def ticked(record: dict[str, Any] | None, key: str) -> str:
    """Who ticked a step, and who countersigned it; empty where nobody has."""
    tick = (record or {}).get("ticks", {}).get(key)
    if tick is None:
        return ""
    second = f"; countersigned by {tick['second_by']}, {_utc(tick['second_utc_s'])}" if tick["second_by"] else ""
    return f"{tick['by']}, {_utc(tick['utc_s'])}{second}"


def heading(made: dict[str, Any], now_s: float) -> list[str]:
    """Ship, engine and date of a print."""
    named = [made.get("ship"), made.get("engine_name"), made.get("engine_number"), f"printed {_utc(now_s)}"]
    record = made.get("record")
    state = "not open" if record is None else f"opened by {record['opened_by']}, {_utc(record['opened_utc_s'])}"
    return [", ".join(filter(None, [*named, state]))]


def below(record: dict[str, Any] | None) -> list[str]:
    """What was changed and why, and the lines to sign."""
    reasons = [f"  {r}" for r in (record or {}).get("reasons", ())]
    signers = [f"  {who}: name, date, signature  ____________________________" for who in
               ("Done by", "Second person", "Chief engineer")]  # fmt: skip
    return [*(["", "Changes and reasons", *reasons] if reasons else []), "", "Signed", *signers]


def _utc(utc_s: float) -> str:
    return rfc3339(utc_s)[:16].replace("T", " ") + " UTC"
