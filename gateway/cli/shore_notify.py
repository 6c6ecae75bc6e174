"""`camdrift shore notify`: people are notified of what stands."""

import argparse
import os
import socket
from collections.abc import Sequence
from threading import Event

from gateway.cli.text import note, out
from gateway.model.errors import Refused
from gateway.model.settings_file import load_shore_settings
from gateway.shore.notices.sender import NotSent, Sender

TRIAL = (
    "This is a trial: nothing stands, and nothing is to be done. It shows that notices of the fleet reach you here. "
    "Confirm it to whoever sent it."
)


def main(args: argparse.Namespace, stopping: Event) -> int:
    """Notify until stopped, or send a trial."""
    from gateway.shore.notices.notifier import Notifier
    from gateway.shore.notices.rules import uncovered
    from gateway.shore.notices.store import NoticeStore

    if args.forget:
        store = NoticeStore(args.store)
        store.gone(args.forget)
        store.close()
        return 0
    settings = load_shore_settings(args.settings)
    sender = Sender(settings)
    if args.test:
        if args.test not in {p.name for p in settings.person}:
            raise Refused(f"--test {args.test}: nobody of that name is in {args.settings}")
        return _trial(sender, args.test)
    gaps = uncovered(settings)
    if args.check or settings.rule:
        _note_gaps(gaps)
    if args.check:
        out("see the gaps above" if gaps else "at every hour of the week an alarm reaches somebody")
        return 1 if gaps else 0
    if not settings.rule:
        raise Refused(f"{args.settings}: there is no [[rule]], so nobody would be notified of anything; add one")
    if settings.notices.address is None:
        note("camdrift: notices.address is not set: notices have no link, and repeat until they are over")
    Notifier(args.store, settings, sender, args.name).run(stopping)
    return 0


def _note_gaps(gaps: Sequence[tuple[str, str]]) -> None:
    for since, until in gaps:
        when = "at no time of the week" if since == until else f"not from {since} to {until}"
        note(f"camdrift: an alarm of a ship that no rule names reaches somebody {when}; add a [[rule]], or widen one")


def _trial(sender: Sender, person: str) -> int:
    try:
        faults = sender.send(person, f"Trial notice from {socket.gethostname()} ({os.getpid()})", TRIAL)
    except NotSent as e:
        note(f"camdrift: {person} was not reached: {e}")
        return 1
    for fault in faults:
        note(f"camdrift: {person}: {fault}")
    out(f"sent to {person}; ask whether it has arrived")
    return 0
