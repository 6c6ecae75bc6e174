"""The whole page as one ASGI application: files, interface, guard."""

import json
from collections.abc import Callable

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from gateway.outlets.page.acts import Acts
from gateway.outlets.page.calls import Call, Door, Op, problem
from gateway.outlets.page.inputs import PageInputs, StoreReaders
from gateway.outlets.page.openapi import document
from gateway.outlets.page.photos import PhotoView
from gateway.outlets.page.report import ReportView
from gateway.outlets.page.stream import Stream
from gateway.outlets.page.views import Views
from gateway.web.files import sent, static_files
from gateway.web.guard import App, Guard
from gateway.web.sessions import Sessions

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE")


class Page:
    """The application `app`, its `stream`, and `close`. Raises SettingsError for a password's file that is not one."""

    def __init__(self, inputs: PageInputs, relieve: Callable[[], None] = lambda: None) -> None:
        settings = inputs.settings.page
        self._store = StoreReaders(inputs)
        self._sessions = Sessions(settings, inputs.note)
        door = Door(self._sessions, view_without_login=settings.view_without_login)
        views = Views(inputs, self._store, door, relieve)
        acts = Acts(inputs, self._store, self._sessions)
        self.stream: Stream = views.stream
        self._files = static_files("gateway.outlets.page")
        ops = [*views.ops(), *acts.ops(), *ReportView(inputs).ops(), *PhotoView(inputs).ops()]
        ops.append(Op("GET", "/api/openapi.json", self._openapi, "This document.", "anybody", touch=False))
        self.openapi = document(ops, inputs.version)
        paths: dict[str, dict[str, Op]] = {}
        for op in ops:
            paths.setdefault(op.path, {})[op.method] = op
        routes = [Route(path, door.endpoint(by_method), methods=METHODS) for path, by_method in paths.items()]
        routes.append(Route("/{path:path}", self._file, methods=["GET"]))
        self.app: App = Guard(Starlette(routes=routes), settings.names)

    def end(self) -> None:
        """Viewers' open streams end; without it the server never would."""
        self.stream.close()

    def close(self) -> None:
        """Let go of the store's files."""
        self._store.close()

    async def _openapi(self, _call: Call) -> Response:
        return Response(json.dumps(self.openapi), media_type="application/json")

    async def _file(self, request: Request) -> Response:
        found = self._files.get(request.path_params["path"] or "index.html")
        if found is None:
            return problem("There is nothing here.", 404)
        return sent(found, request)
