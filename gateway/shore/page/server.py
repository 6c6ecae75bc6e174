"""The fleet's page on a server of its own, with the places, bounds and TLS of the page aboard."""

from collections.abc import Callable
from typing import TypeAlias

from gateway.model.shore_settings import ShoreSettings
from gateway.shore.database import open_database
from gateway.web.server import Served, WebServer

Report: TypeAlias = Callable[[str, int | str], bytes]
"""Makes a vessel's report of so many last days; or "survey-html", its survey file; or "survey-tables", a ZIP of that
and its tables as CSV."""


class FleetServer(WebServer):
    """Serves the fleet's page until stopped. Raises StorageError where the store cannot be opened or made."""

    def __init__(self, url: str, settings: ShoreSettings, report: Report | None = None) -> None:
        def make(_relieve: Callable[[], None]) -> Served:
            # Only here, so that the other commands do not carry the web's libraries.
            from gateway.shore.page.app import FleetPage

            return FleetPage(url, settings, report=report)

        # Brings the tables up to date, also where no keeper was ever started.
        open_database(url, make=True).close()
        super().__init__(settings.page.as_page(), make)
