"""Stop the sound until the next announcement; nothing else changes."""

import argparse

from gateway.cli.operator import common, request, show_note
from gateway.cli.text import out


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    common(p)
    p.add_argument("--by", help="who acts, if not the user who is logged in")


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    answer = request(args, "silence")
    out(f"silenced by {answer['by']} until the next announcement")
    show_note(answer)
    return 0
