"""Raise the trial alarm, to see that it arrives at panel, relay, page, ship and shore."""

import argparse

from gateway.cli.operator import acting, request, show_note
from gateway.cli.text import out
from gateway.model.enums import Priority


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p, tag=False)
    p.add_argument("--priority", choices=[x.value for x in Priority], help="raise it with this priority")


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    answer = request(args, "try-alarm", alarm="trial", priority=args.priority)
    out(f"trial: raised by {answer['by']}. It ends by itself after 2 minutes. The relay drops until then.")
    out("Check now: alarm panel, sound, page, ship's and shore's receivers. Then acknowledge it.")
    show_note(answer)
    return 0
