"""Go through the first fitting of a head: wiring, zero, calibration, trial alarm; print a record to sign."""

import argparse
import json
import sys
import textwrap
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.cli.operator import common
from gateway.cli.report_files import write_whole
from gateway.cli.text import note, out
from gateway.encode.times import rfc3339
from gateway.model.errors import Refused
from gateway.model.files import UnfitFile, read_small
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import fingerprint, load_settings
from gateway.model.toml_file import socket_of
from gateway.outlets.control_client import ask
from gateway.worksheet import commission_record as records
from gateway.worksheet.commission import Finding, Look, Task, Work
from gateway.worksheet.commission_tasks import tasks

WIDTH = 100
RECORD_BYTES_MAX = 1_000_000


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    common(p)
    p.add_argument("--engine", help="the engine's short name in the settings, where there are several")
    p.add_argument("--person", default="", help="who does it; stands in the record")
    one = p.add_mutually_exclusive_group()
    one.add_argument("--list", action="store_true", help="list the tasks, and which are done")
    one.add_argument("--record", action="store_true", help="print the record as it is")
    one.add_argument("--task", metavar="TASK", help="this task alone; again, where it is done")
    p.add_argument("--begin", action="store_true", help="with --task: only mark its beginning, before anything moves")
    p.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="with --task: an answer")
    p.add_argument("--leave-out", metavar="REASON", help="with --task: it is not done, for this reason")


@dataclass
class Commissioning:
    """One engine's commissioning: settings, tasks, and the record in its file."""

    config: Path
    data_dir: Path | None
    settings: Settings
    engine: EngineSettings
    person: str

    def __post_init__(self) -> None:
        folder = self.data_dir or self.settings.gateway.data_dir
        self.path = folder / f"commission-{self.engine.slug}.json"
        self.printed = folder / f"commission-{self.engine.slug}.txt"
        self.tasks = tasks(self.settings, self.engine)
        self.record = self._kept()

    def _kept(self) -> dict[str, Any]:
        names = self.settings.vessel.slug, self.engine.slug
        if not self.path.exists():
            return records.empty(*names)
        try:
            return records.checked(json.loads(read_small(self.path, RECORD_BYTES_MAX)), *names)
        except (UnfitFile, ValueError) as e:
            raise Refused(f"{self.path}: {e}; move it away to begin again") from None

    def status(self) -> dict[str, Any]:
        """The engine in the daemon's status. Raises PortError."""
        found: dict[str, Any] = ask(socket_of(self.config, self.data_dir), {"do": "status"})["status"]["engines"]
        return dict(found[self.engine.slug])

    def begin(self, task: Task) -> None:
        """Mark the beginning of a task and keep it."""
        records.begin(self.record, task, self.status())
        self.keep()

    def finish(self, task: Task, typed: Mapping[str, str]) -> Finding:
        """Judge a task and keep what it showed. Raises Refused where it has not begun or an answer is wrong."""
        now = Look.of(self.status())
        before = records.began(self.record, task)
        if before is None and task.spans:
            raise Refused(f"task {task.key!r} has not begun: begin it before anything moves")
        given = {k: v for k, v in typed.items() if v.strip()}
        work = Work(self.settings, self.engine, before or now, now, given, records.values(self.record))
        found = task.judge(work)
        records.finish(self.record, task, found, self.person, rfc3339(time.time()), given)
        self.keep()
        return found

    def leave_out(self, task: Task, reason: str) -> None:
        """Keep that a task is not done, and why. Raises Refused for one that is there for safety."""
        records.finish(self.record, task, task.leave_out(reason), self.person, rfc3339(time.time()), {})
        self.keep()

    def keep(self) -> None:
        """Write the record beside the old one and then in its place, as JSON and as text. Raises StorageError."""
        write_whole(self.path, json.dumps(self.record, indent=1, ensure_ascii=False).encode())
        write_whole(self.printed, (self.text() + "\n").encode())

    def text(self) -> str:
        """The record to print and sign."""
        return records.text_of(self.record, self.tasks, self.config.name, fingerprint(self.settings))

    def task(self, key: str) -> Task:
        """A task by its key. Raises Refused."""
        for task in self.tasks:
            if task.key == key:
                return task
        raise Refused(f"--task {key}: give one of {', '.join(t.key for t in self.tasks)}")

    @property
    def complete(self) -> bool:
        """Are all tasks done and right?"""
        return records.next_task(self.record, self.tasks) is None


def main(args: argparse.Namespace) -> int:
    """0 where all that was asked is done and right; 1 where something is not."""
    settings = load_settings(args.config)
    c = Commissioning(args.config, args.data_dir, settings, _engine(settings, args.engine), args.person)
    if args.list:
        for t in c.tasks:
            done = c.record["done"].get(t.key)
            out(f"{t.key:<14} {'-' if done is None else 'ok' if done['ok'] else 'not right':<10} {t.title}")
        return 0 if c.complete else 1
    if args.record:
        out(c.text())
        return 0 if c.complete else 1
    if (args.begin or args.set or args.leave_out) and not args.task:
        raise Refused("--begin, --set and --leave-out go with --task")
    return _one(c, args) if args.task else _guided(c)


def _engine(settings: Settings, slug: str | None) -> EngineSettings:
    found = [e for e in settings.engine if slug in (None, e.slug)]
    if len(found) != 1:
        raise Refused(f"give --engine: {', '.join(e.slug for e in settings.engine)}")
    return found[0]


def _one(c: Commissioning, args: argparse.Namespace) -> int:
    """One task, with its answers in the options."""
    task = c.task(args.task)
    if args.begin:
        c.begin(task)
        _show(task)
        return 0
    if args.leave_out:
        c.leave_out(task, args.leave_out)
        return 0
    typed = {}
    for text in args.set:
        name, equals, value = text.partition("=")
        if not equals or name not in {q.name for q in task.questions}:
            raise Refused(f"--set {text}: give NAME=VALUE with one of {', '.join(q.name for q in task.questions)}")
        typed[name] = value
    found = c.finish(task, typed)
    _report(found)
    return 0 if found.ok else 1


# -- guided ---------------------------------------------------------------------------------------------------------


def _guided(c: Commissioning) -> int:
    """From the first task that is not right, one after the other. The end of the input ends it; it goes on later."""
    note(f"The record is kept in {c.path}. Ctrl-D ends; the next start goes on here.")
    try:
        if not c.person:
            c.person = _answer("Your name")
        while (task := records.next_task(c.record, c.tasks)) is not None:
            _show(task)
            _do(c, task)
    except EOFError:
        note("Not complete. Start the command again to go on.")
        return 1
    out(c.text())
    note(f"The record is in {c.printed}. Print it and sign it.")
    return 0


def _do(c: Commissioning, task: Task) -> None:
    try:
        if task.spans and records.began(c.record, task) is None:
            if _answer("Press Enter BEFORE anything moves, or type skip") == "skip":
                return c.leave_out(task, _answer("Reason"))
            c.begin(task)
        if _answer("Press Enter when all steps are done, or type skip") == "skip":
            return c.leave_out(task, _answer("Reason"))
        _report(c.finish(task, {q.name: _answer(q.text) for q in task.questions}))
    except Refused as e:
        out(f"NOT ACCEPTED: {e}")
    return None


def _answer(text: str) -> str:
    """One line of the input. Raises EOFError at its end."""
    sys.stdout.write(f"{text}: ")
    sys.stdout.flush()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def _show(task: Task) -> None:
    out(f"\n== {task.key}: {task.title}")
    for n, s in enumerate(task.steps, 1):
        if s.caution:
            out(_filled(f"! {s.caution}", "  ", "    "))
        out(_filled(f"{n}. {s.text}", "  ", "     "))
        if s.who:
            out(f"     [ ] {s.who}: {s.confirm}")


def _report(found: Finding) -> None:
    out("OK" if found.ok else "NOT RIGHT")
    for line in found.lines:
        out(_filled(line, "  ", "  "))
    _proposed(found.settings)


def _proposed(settings: Sequence[str]) -> None:
    if settings:
        out("  Proposed (the program changes nothing):")
    for line in settings:
        out(f"    {line}")


def _filled(text: str, first: str, more: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=more)
