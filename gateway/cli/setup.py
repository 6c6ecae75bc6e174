"""Set up this box: names, the head's port, brokers, certificates, passwords; ends with a trial alarm."""

import argparse
from collections.abc import Mapping

from gateway.cli.arguments import SETUP_PARTS
from gateway.cli.setup_answers import answers_file, answers_of, ask, kept, lacking, to_keep
from gateway.cli.setup_ship import KEPT, QUESTIONS, ShipAnswers, ShipSetup
from gateway.cli.setup_steps import INTRODUCTION, do, left_to_do
from gateway.cli.setup_system import System
from gateway.cli.text import note, out


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
    parts = frozenset([args.only] if args.only else SETUP_PARTS)

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
