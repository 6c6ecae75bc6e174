"""Set up this box: names, the head's port, brokers, certificates, passwords; ends with a trial alarm."""

import argparse
from collections.abc import Mapping
from pathlib import Path

from gateway.cli.setup_answers import answers_file, answers_of, ask, kept, lacking, to_keep
from gateway.cli.setup_ship import KEPT, PARTS, QUESTIONS, ShipAnswers, ShipSetup
from gateway.cli.setup_steps import INTRODUCTION, do, left_to_do
from gateway.cli.setup_system import System
from gateway.cli.text import note, out


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("--answers", type=Path, metavar="FILE", help="a TOML file with all answers; nothing is asked")
    p.add_argument("--ask", action="store_true", help="with --answers: ask what the file lacks")
    p.add_argument("--only", choices=PARTS, help="ask again about this part alone")
    p.add_argument(
        "--restore",
        type=Path,
        metavar="FILE",
        help="this box takes over from another: FILE is its back-up, or a bundle made ashore with --spare",
    )
    p.add_argument("--no-start", action="store_true", help="write everything, start nothing")


def main(args: argparse.Namespace) -> int:
    """Ask or read, write, check, start, try the alarm; run again it begins with what was answered."""
    return run(args, System())


def run(args: argparse.Namespace, system: System) -> int:
    """The same on a box of its own in tests."""
    system.folder("/etc/camdrift", 0o750, "root", "camdrift")
    setup = ShipSetup(system)
    if args.restore is not None:
        out(setup.restore(args.restore))
    before = {**setup.found(), **setup.from_bundle, **kept(system.read(KEPT))}
    parts = frozenset([args.only] if args.only else PARTS)

    def keep(found: Mapping[str, object]) -> None:
        system.write(KEPT, to_keep(found, QUESTIONS), 0o600)

    if args.answers is not None:
        data = answers_file(args.answers)
        asked = lacking(QUESTIONS, data) if args.ask else []
        if args.restore is not None or args.only is not None or args.ask:
            data = {**before, **data}
    else:
        data, asked = before, QUESTIONS
    if asked:
        out(INTRODUCTION)
        data = ask(asked, data, parts, keep)
    answers = answers_of(ShipAnswers, data, str(args.answers or "answers"))
    keep(data)
    do(setup.steps(answers))
    if args.no_start:
        note("nothing was started; now: systemctl enable --now camdrift")
    else:
        for line in setup.start(answers):
            out(line)
    left_to_do(setup.left(answers, started=not args.no_start))
    return 0
