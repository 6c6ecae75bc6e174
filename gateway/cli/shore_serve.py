"""`camdrift shore serve`: the fleet's page."""

import argparse
from pathlib import Path
from threading import Event

from gateway.app.reports import ReportMaker
from gateway.cli.text import note
from gateway.model.errors import Refused, SettingsError
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings, load_shore_settings
from gateway.model.shore_settings import ShoreSettings


class ShipReports:
    """Reports of vessels whose settings are kept here, each made by a process of its own."""

    def __init__(self, settings: ShoreSettings, store: str) -> None:
        self._files = {s.vessel: Path(s.settings_file) for s in settings.ship}
        self._store, self._maker = store, ReportMaker()
        # A file that is none is reported at the start, not at the first question.
        for vessel in self._files:
            self._settings(vessel)

    def make(self, vessel: str, what: int | str) -> bytes:
        """The HTML of so many last days, or a kind of survey file by its name. Raises Refused, StorageError."""
        try:
            settings = self._settings(vessel)
        except SettingsError as e:
            raise Refused(f"The copy of the ship's settings cannot be used; correct it: {e.faults[0]}") from None
        asked = {"kind": what} if isinstance(what, str) else {"kind": "html", "days": what}
        return self._maker.make(settings, {"engine": None, "names": True, "store": self._store, **asked})

    def _settings(self, vessel: str) -> Settings:
        path = self._files.get(vessel)
        if path is None:
            raise Refused(f"No settings of {vessel} are kept ashore: copy their file here and name it in a [[ship]].")
        settings = load_settings(path)
        if settings.vessel.slug != vessel:
            raise SettingsError([f"{path}: vessel.slug: it is {settings.vessel.slug}; the [[ship]] names {vessel}"])
        return settings


def main(args: argparse.Namespace, stopping: Event) -> int:
    """Serve until stopped."""
    from gateway.shore.page.server import FleetServer

    settings = load_shore_settings(args.settings)
    reports = ShipReports(settings, args.store)
    if not settings.page.users:
        note(f"camdrift: {args.settings} names no [[page.users]]: nobody can log in; see `camdrift page-password`")
    server = FleetServer(args.store, settings, reports.make)
    server.start()
    scheme = "https" if settings.page.cert_file else "http"
    if server.ready.wait(10):
        note(f"camdrift: the fleet's page is at {scheme}://{settings.page.listen}:{server.port}/")
    stopping.wait()
    return 0 if server.stop() else 1
