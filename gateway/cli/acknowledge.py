"""Acknowledge an alarm, or all of them."""

import argparse

from gateway.cli.operator import acting, request
from gateway.cli.text import out


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p, tag=False)
    p.add_argument("tag", nargs="?", help="the alarm's tag, such as lag-near; all that wait if left out")


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    answer = request(args, "acknowledge", alarm=args.tag)
    what = args.tag or f"{answer['done']} alarms"
    out(f"{what}: acknowledged by {answer['by']}")
    return 0
