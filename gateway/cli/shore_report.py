"""`camdrift shore report`: a vessel's report or survey file, from what is kept ashore."""

import argparse

from gateway.model.settings_file import load_settings


def main(args: argparse.Namespace) -> int:
    """Make it. What is not sent ashore is named as not known."""
    # Only here, so that a keeper does not carry it.
    from gateway.cli.report import made
    from gateway.cli.report_asked import engines
    from gateway.cli.shore_record import ShoreRecord

    settings = load_settings(args.config)
    engines(settings, args.engine)
    return made(args, settings, ShoreRecord(args.store, settings.vessel.slug))
