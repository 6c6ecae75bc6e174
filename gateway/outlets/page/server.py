"""The page aboard on a server of its own. Nothing that measures or alarms waits for it, or falls with it."""

from collections.abc import Callable

from gateway.outlets.page.inputs import PageInputs
from gateway.web.server import Served, WebServer


class PageServer(WebServer):
    """Serves the page until stopped."""

    def __init__(self, inputs: PageInputs) -> None:
        def make(relieve: Callable[[], None]) -> Served:
            # Only here, so that a gateway without a page does not carry its library.
            from gateway.outlets.page.app import Page

            return Page(inputs, relieve)

        super().__init__(inputs.settings.page, make)
