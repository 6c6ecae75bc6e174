"""Shelve an alarm for some minutes, at most a day; it returns by itself."""

import argparse

from gateway.cli.operator import act, acting


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p)
    p.add_argument("--minutes", type=float, required=True, help="for so many minutes, at most 1,440 (a day)")
    p.add_argument("--why", required=True, help="the reason; it goes on record")


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    return act(args, "shelve", f"shelved for {args.minutes:g} min", minutes=args.minutes, why=args.why)
