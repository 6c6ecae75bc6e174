"""`camdrift shore report`: a vessel's report or survey file, from what is kept ashore."""

import argparse
from pathlib import Path

from gateway.cli.arguments import report_arguments
from gateway.model.settings_file import load_settings


def add(p: argparse.ArgumentParser) -> None:
    """Arguments, beside those of the store."""
    p.add_argument("config", type=Path, help="a copy of the ship's settings: which ship it is, and its limits")
    report_arguments(p)


def main(args: argparse.Namespace) -> int:
    """Make it. What is not sent ashore is named as not known."""
    # Only here, so that a keeper does not carry it.
    from gateway.cli.report import made
    from gateway.cli.report_asked import engines
    from gateway.cli.shore_record import ShoreRecord

    settings = load_settings(args.config)
    engines(settings, args.engine)
    return made(args, settings, ShoreRecord(args.store, settings.vessel.slug))
