"""Go through the first fitting of a head: wiring, zero, calibration, trial alarm; print a record to sign."""

import argparse
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.cli.text import note, out
from gateway.model.errors import Refused
from gateway.model.settings_file import load_settings
from gateway.model.toml_file import socket_of
from gateway.outlets.control_client import ask

WIDTH = 100


@dataclass
class Commissioning:
    """One engine's commissioning, which the daemon keeps."""

    socket: Path
    engine: str
    person: str

    def do(self, step: str, **more: Any) -> dict[str, Any]:
        """One step; what is shown after it. Raises Refused, PortError."""
        words = {"do": "commission", "engine": self.engine, "step": step, "by": self.person, **more}
        found: dict[str, Any] = ask(self.socket, words)["commission"]
        return found


def main(args: argparse.Namespace) -> int:
    """0 where all that was asked is done and right; 1 where something is not."""
    settings = load_settings(args.config)
    slugs = [e.slug for e in settings.engine]
    engine = args.engine or (slugs[0] if len(slugs) == 1 else "")
    if engine not in slugs:
        raise Refused(f"give --engine: {', '.join(slugs)}")
    if (args.begin or args.set or args.leave_out) and not args.task:
        raise Refused("--begin, --set and --leave-out go with --task; add --task, or leave them out")
    if args.record:
        return _record(args.data_dir or settings.gateway.data_dir, settings.vessel.slug, engine)
    c = Commissioning(socket_of(args.config, args.data_dir), engine, args.person)
    if args.list:
        return _list(c.do("show"))
    if args.sign:
        out(c.do("sign", role=args.sign, name=args.person)["text"])
        return 0
    if args.again:
        c.do("again")
        note("The record is put aside. Start the command again for the new fitting.")
        return 0
    return _one(c, args) if args.task else _guided(c)


def _list(shown: Mapping[str, Any]) -> int:
    for row in shown["tasks"]:
        out(f"{row['key']:<14} {row['state']:<10} {row['title']}")
    return 0 if shown["complete"] else 1


def _record(folder: Path, vessel: str, engine: str) -> int:
    from gateway.store.commission_file import kept_records

    found = next((r for r in kept_records(folder, vessel) if r.engine == engine and not r.earlier), None)
    if found is None:
        raise Refused(
            f"no task is done yet, so there is no record in {folder}; do the first task with `camdrift commission`"
        )
    if found.fault:
        raise Refused(found.fault)
    out(found.text)
    return 0 if found.complete else 1


def _one(c: Commissioning, args: argparse.Namespace) -> int:
    """One task, with its answers in the options."""
    if args.begin:
        _show(c.do("begin", task=args.task)["task"])
        return 0
    if args.leave_out:
        c.do("leave-out", task=args.task, reason=args.leave_out)
        return 0
    typed = {}
    for text in args.set:
        name, equals, value = text.partition("=")
        if not equals:
            raise Refused(f"--set {text}: give NAME=VALUE")
        typed[name] = value
    found = c.do("finish", task=args.task, typed=typed)["found"]
    _report(found)
    return 0 if found["ok"] else 1


# -- guided ---------------------------------------------------------------------------------------------------------


def _guided(c: Commissioning) -> int:
    """From the first task that is not right, one after the other. The end of the input ends it; it goes on later."""
    shown = c.do("show")
    note(f"The record is kept in {shown['kept_in']}. Ctrl-D ends; the next start goes on here.")
    try:
        if not c.person:
            c.person = _answer("Your name")
        while (task := shown["task"]) is not None:
            _show(task)
            shown = _do(c, task) or c.do("show")
    except EOFError:
        note("Not complete. Start the command again to go on.")
        return 1
    out(shown["text"])
    note(f"The record is in {shown['kept_in']}. Print it and sign it, or sign with --sign ROLE --person NAME: "
         f"{', '.join(shown['roles'])}.")  # fmt: skip
    return 0


def _do(c: Commissioning, task: Mapping[str, Any]) -> dict[str, Any] | None:
    """A task by its prompts; `None` where it was not accepted."""
    key = task["key"]
    try:
        if task["spans"] and not task["started"]:
            if _answer("Press Enter BEFORE anything moves, or type skip") == "skip":
                return c.do("leave-out", task=key, reason=_answer("Reason"))
            c.do("begin", task=key)
        if _answer("Press Enter when all steps are done, or type skip") == "skip":
            return c.do("leave-out", task=key, reason=_answer("Reason"))
        shown = c.do("finish", task=key, typed={q["name"]: _answer(q["text"]) for q in task["questions"]})
    except Refused as e:
        out(f"NOT ACCEPTED: {e}")
        return None
    _report(shown["found"])
    return shown


def _answer(text: str) -> str:
    """One line of the input. Raises EOFError at its end."""
    sys.stdout.write(f"{text}: ")
    sys.stdout.flush()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def _show(task: Mapping[str, Any]) -> None:
    out(f"\n== {task['key']}: {task['title']}")
    for n, s in enumerate(task["steps"], 1):
        if s["caution"]:
            out(_filled(f"! {s['caution']}", "  ", "    "))
        out(_filled(f"{n}. {s['text']}", "  ", "     "))
        if s["who"]:
            out(f"     [ ] {s['who']}: {s['confirm']}")


def _report(found: Mapping[str, Any]) -> None:
    out("OK" if found["ok"] else "NOT RIGHT")
    for line in found["lines"]:
        out(_filled(line, "  ", "  "))
    _proposed(found["settings"])


def _proposed(settings: Sequence[str]) -> None:
    if settings:
        out("  Proposed (the program changes nothing):")
    for line in settings:
        out(f"    {line}")


def _filled(text: str, first: str, more: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=more)
