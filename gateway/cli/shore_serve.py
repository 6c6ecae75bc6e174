"""`camdrift shore serve`: the fleet's page."""

import argparse
from pathlib import Path
from threading import Event

from gateway.cli.text import note
from gateway.model.settings_file import load_shore_settings


def add(p: argparse.ArgumentParser) -> None:
    """Arguments, beside those of the store."""
    p.add_argument("settings", type=Path, help="the shore's settings: page, users, groups of engines, planning")


def main(args: argparse.Namespace, stopping: Event) -> int:
    """Serve until stopped."""
    from gateway.shore.page.server import FleetServer

    settings = load_shore_settings(args.settings)
    if not settings.page.users:
        note(f"camdrift: {args.settings} names no [[page.users]]: nobody can log in; see `camdrift page-password`")
    server = FleetServer(args.store, settings)
    server.start()
    scheme = "https" if settings.page.cert_file else "http"
    if server.ready.wait(10):
        note(f"camdrift: the fleet's page is at {scheme}://{settings.page.listen}:{server.port}/")
    stopping.wait()
    return 0 if server.stop() else 1
