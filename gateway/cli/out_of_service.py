"""Take an alarm out of service for work on the drive; only in-service ends it."""

import argparse

from gateway.cli.operator import act, acting


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p)
    p.add_argument("--why", required=True, help="the reason; it goes on record")


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    return act(args, "out-of-service", "taken out of service", why=args.why)
