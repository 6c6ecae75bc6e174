"""The fleet's page as one ASGI application: log-in, roles, routes."""

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from urllib.parse import quote

import structlog
from anyio import to_thread
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from gateway.fault_log import FaultLog
from gateway.model.errors import CamdriftError, Refused, StorageError
from gateway.model.shore_settings import ShoreSettings
from gateway.report.markup import tag
from gateway.shore.page.frame import Visitor, form, input_of, page, typed
from gateway.shore.page.read import Reader
from gateway.shore.page.seen import SeenPages
from gateway.shore.page.views import Views
from gateway.web.files import sent, static_files
from gateway.web.guard import App, Guard
from gateway.web.sessions import Sessions

COOKIE = "camdrift-fleet"
Typed = dict[str, str]


class NotThere(CamdriftError):
    """There is nothing under that name."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question that was let in. `visitor` is None only where nobody needs to be logged in."""

    path: dict[str, str]
    query: dict[str, str]
    visitor: Visitor | None
    typed: Typed = field(default_factory=dict)
    secure: bool = False


Handler = Callable[[Asked], Response]
Endpoint = Callable[[Request], Awaitable[Response]]


class FleetPage:
    """The application `app`. Raises SettingsError for a password's file that is not one."""

    def __init__(
        self,
        url: str,
        settings: ShoreSettings,
        utc: Callable[[], float] = time.time,
        report: Callable[[str, int | str], bytes] | None = None,
    ) -> None:
        self._settings = settings
        log = structlog.get_logger("fleet-page")
        self._sessions = Sessions(settings.page.as_page(), lambda what, text: log.info(what, text=text))
        self._roles = {u.name: u.role for u in settings.page.users}
        self._faults = FaultLog("fleet-page")
        # The same colours and words as aboard; `page.css` and the icon are the files of the page aboard.
        self._files = static_files("gateway.outlets.page") | static_files("gateway.shore.page")
        views, seen = Views(Reader(url), url, settings, utc, report), SeenPages(url, utc)
        routes = [
            Route("/login", self._log_in_page, methods=["GET"]),
            Route("/login", self._log_in, methods=["POST"]),
            Route("/logout", self._log_out, methods=["POST"]),
            Route("/static/{path:path}", self._file, methods=["GET"]),
            # A link in a notice needs no log-in: its secret is the right, to that notice alone.
            Route("/n/{token}", self._open(seen.link), methods=["GET"]),
            Route("/n/{token}", self._open(seen.mark_by_link, posts=True), methods=["POST"]),
        ]
        routes += [Route(path, self._viewer(h), methods=["GET"]) for path, h in (*views.pages(), *seen.pages())]
        routes += [Route(path, self._viewer(h, posts=True), methods=["POST"]) for path, h in seen.acts()]
        routes += [Route(path, self._viewer(h, posts=True, plans=True), methods=["POST"]) for path, h in views.acts()]
        self.app: App = Guard(Starlette(routes=routes), settings.page.names, "same-origin")

    def end(self) -> None:
        """Nothing here is open for long."""

    def close(self) -> None:
        """Nothing is held."""

    def _visitor(self, request: Request) -> Visitor | None:
        session = self._sessions.find(request.cookies.get(COOKIE))
        return None if session is None else Visitor(session, self._roles.get(session.user, "viewer"))

    def _viewer(self, handler: Handler, *, posts: bool = False, plans: bool = False) -> Endpoint:
        async def run(request: Request) -> Response:
            visitor = self._visitor(request)
            if visitor is None:
                return RedirectResponse(f"/login?next={quote(request.url.path)}", 303, {"cache-control": "no-store"})
            return await self._answer(request, handler, visitor, posts=posts, plans=plans)

        return run

    def _open(self, handler: Handler, *, posts: bool = False) -> Endpoint:
        async def run(request: Request) -> Response:
            return await self._answer(request, handler, None, posts=posts, plans=False)

        return run

    async def _answer(
        self, request: Request, handler: Handler, visitor: Visitor | None, *, posts: bool, plans: bool
    ) -> Response:
        try:
            given = await typed(request) if posts else {}
            if posts and visitor is not None and given.get("token") != visitor.session.csrf:
                raise Refused("This page is of an earlier log-in; load it again. Nothing was done.")
            if plans and (visitor is None or not visitor.plans):
                raise Refused("Only a planner may do that. Nothing was done.")
            asked = Asked(dict(request.path_params), dict(request.query_params), visitor, given)
            # The database answers in its own time; the loop goes on meanwhile.
            return await to_thread.run_sync(handler, asked)
        except Refused as e:
            return _problem(str(e), 409, visitor)
        except NotThere as e:
            return _problem(str(e), 404, visitor)
        except StorageError as e:
            self._faults.add("page.store_failed", fault=str(e))
            return _problem("The database does not respond; try again in a minute.", 503, visitor)
        except ClientDisconnect:
            return _problem("The question did not come whole.", 400, visitor)
        except Exception as e:  # ours to correct: one line in the log, and no traceback outside
            self._faults.add("page.request_failed", path=request.url.path, fault=f"{type(e).__name__}: {e}")
            return _problem("The page failed at this question; its log names the reason. Report it.", 500, visitor)

    async def _log_in_page(self, request: Request) -> Response:
        return _log_in_form(request.query_params.get("next", "/"), "", 200, bool(self._settings.page.users))

    async def _log_in(self, request: Request) -> Response:
        onward = "/"
        try:
            given = await typed(request)
            onward = _inside(given.get("next", "/"))
            address = request.client.host if request.client else "unknown"
            name, password = given.get("name", "")[:64], given.get("password", "")[:256]
            token, _ = await self._sessions.log_in_beside(name, password, address)
        except Refused as e:
            return _log_in_form(onward, str(e), 403, bool(self._settings.page.users))
        answer = RedirectResponse(onward, 303, {"cache-control": "no-store"})
        s = self._settings
        tls = s.page.cert_file is not None or (s.notices.address or "").startswith("https://")
        answer.set_cookie(COOKIE, token, httponly=True, samesite="lax", secure=tls, path="/")
        return answer

    async def _log_out(self, request: Request) -> Response:
        visitor = self._visitor(request)
        try:
            given = await typed(request)
        except Refused as e:
            return _problem(str(e), 409, visitor)
        if visitor is not None and given.get("token") == visitor.session.csrf:
            self._sessions.log_out(request.cookies.get(COOKIE))
        answer = RedirectResponse("/login", 303, {"cache-control": "no-store"})
        answer.delete_cookie(COOKIE)
        return answer

    async def _file(self, request: Request) -> Response:
        found = self._files.get(request.path_params["path"])
        return Response("There is nothing here.", 404) if found is None else sent(found, request)


def _inside(path: str) -> str:
    """Only a path of this page: a link from outside cannot send somebody elsewhere after the log-in."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else "/"


def _problem(why: str, status: int, visitor: Visitor | None) -> Response:
    return page("Not done", "", visitor, tag("p", why, class_="notice refused", role="alert"), status=status)


def _log_in_form(onward: str, why: str, status: int, users: bool) -> Response:
    notice = "Who logs in, and what is marked or planned, is put on record with the name. Nothing here acts aboard."
    if not users:
        notice = "Nobody may log in: the settings name no page.users. `camdrift page-password` makes the line for one."
    return page(
        "Log in",
        "/login",
        None,
        tag("p", notice),
        tag("p", why, class_="notice refused", role="alert") if why else None,
        form(
            "/login",
            None,
            tag("input", type="hidden", name="next", value=_inside(onward)),
            input_of("Name", "name", autocomplete="username", maxlength="64"),
            input_of("Password", "password", "password", autocomplete="current-password", maxlength="256"),
            tag("p", tag("button", "Log in", type="submit"), class_="row"),
        ),
        status=status,
    )
