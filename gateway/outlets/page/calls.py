"""How a question becomes a handler's call: who asks, and for what, checked by its model; and the forms of answers."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ValidationError
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from gateway.encode.bounded_json import read_object
from gateway.fault_log import FaultLog
from gateway.model.errors import CamdriftError, Refused, StorageError
from gateway.outlets.page.shapes import NothingBody, Problem
from gateway.outlets.page.shares import Busy
from gateway.web.sessions import Session, Sessions

BODY_BYTES_MAX = 65_536
BODY_S = 10.0
WHY_CHARS_MAX = 300
COOKIE = "camdrift"
TOKEN_HEADER = "x-camdrift-token"
Who = Literal["anybody", "viewer", "actor"]


class NotAllowed(CamdriftError):
    """Nobody is logged in who may do this."""


class NotJson(CamdriftError):
    """What was sent does not call itself JSON: another page's form can send no more than that."""


class NotThere(CamdriftError):
    """There is nothing under that name."""


class TooMany(CamdriftError):
    """More at once than the page does."""


@dataclass(frozen=True, slots=True)
class Call:
    """A question that has been let in. `query`, `body`: instances of the operation's models."""

    request: Request
    session: Session | None
    query: Any = None
    body: Any = None

    @property
    def user(self) -> str:
        """Who acts."""
        return self.session.user if self.session else ""

    @property
    def address(self) -> str:
        """Where the question comes from."""
        return self.request.client.host if self.request.client else "unknown"


Handler = Callable[[Call], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Op:
    """One operation of the interface; routes and the OpenAPI document are both made from these."""

    method: Literal["GET", "POST"]
    path: str
    handler: Handler
    summary: str
    who: Who = "viewer"
    query: type[BaseModel] | None = None
    body: type[BaseModel] | None = None
    answer: type[BaseModel] | None = None
    media_types: tuple[str, ...] = ("application/json",)
    body_bytes_max: int = BODY_BYTES_MAX
    takes: tuple[str, ...] = ()
    """Media types of a body that is handed on as the bytes that came, instead of a model."""
    body_s: float = BODY_S
    touch: bool = True
    """Whether asking for it keeps a log-in alive; what a page asks for by itself does not."""


def answered(message: BaseModel, status: int = 200) -> Response:
    """A model as JSON."""
    return Response(
        message.model_dump_json(by_alias=True),
        status,
        media_type="application/json",
        headers={"cache-control": "no-store"},
    )


def problem(why: str, status: int) -> Response:
    """It was not done, and why."""
    return answered(Problem(why=why), status)


class Door:
    """Lets a question in to its handler, or answers why not."""

    def __init__(self, sessions: Sessions, *, view_without_login: bool) -> None:
        self._sessions, self._view = sessions, view_without_login
        self._faults = FaultLog("page")

    def endpoint(self, ops: Mapping[str, Op]) -> Callable[[Request], Awaitable[Response]]:
        """The operations of one path, by method, as a route's endpoint."""
        allowed = ", ".join(ops)

        async def run(request: Request) -> Response:
            op = ops.get("GET" if request.method == "HEAD" else request.method)
            if op is None:
                answer = problem(f"Here only {allowed} is answered.", 405)
                answer.headers["allow"] = allowed
                return answer
            try:
                session = self.admit(op, request)
                query = _query(op, request)
                body = await _body(op, request)
                return await op.handler(Call(request, session, query, body))
            except NotAllowed as e:
                return problem(str(e), 401)
            except TooMany as e:
                return problem(str(e), 429)
            except NotThere as e:
                return problem(str(e), 404)
            except NotJson as e:
                return problem(str(e), 415)
            except ValidationError as e:
                return problem(_fault(e), 422)
            except (StorageError, Busy) as e:
                return problem(str(e), 503)
            except Refused as e:
                return problem(str(e), 409)
            except TimeoutError:
                return problem("The question did not come whole.", 408)
            except ClientDisconnect:
                return problem("The question did not come whole.", 400)
            except (
                Exception
            ) as e:  # ours to correct: reported in one line, and neither a traceback nor a dead connection
                self._faults.add("page.request_failed", path=request.url.path, fault=f"{type(e).__name__}: {e}")
                return problem("The gateway failed at this question; its log shows how. Report it.", 500)

        return run

    def admit(self, op: Op, request: Request) -> Session | None:
        """The session, where there is one. Raises NotAllowed where the operation needs one."""
        session = self._sessions.find(request.cookies.get(COOKIE), touch=op.touch)
        if op.who == "anybody" or (op.who == "viewer" and (self._view or session is not None)):
            return session
        if session is None:
            raise NotAllowed("Log in first; nothing was done.")
        if op.who == "actor" and request.headers.get(TOKEN_HEADER) != session.csrf:
            raise NotAllowed("This page is of an earlier log-in; load it again. Nothing was done.")
        return session


def _query(op: Op, request: Request) -> Any:
    if op.query is None:
        return dict(request.query_params)
    return op.query.model_validate(dict(request.query_params))


async def _body(op: Op, request: Request) -> Any:
    if op.body is None and not op.takes:
        return None
    sent_as = request.headers.get("content-type", "").partition(";")[0].strip()
    if op.takes and sent_as not in op.takes:
        raise NotJson(f"Send one of: {', '.join(op.takes)}.")
    if op.body is not None and sent_as != "application/json":
        raise NotJson("Send JSON.")
    parts, size = [], 0
    async with asyncio.timeout(op.body_s):
        async for part in request.stream():
            size += len(part)
            if size > op.body_bytes_max:
                raise Refused(f"more than {op.body_bytes_max:,} bytes are not taken")
            parts.append(part)
    data = b"".join(parts)
    if op.body is None:
        return data
    if not data and op.body is NothingBody:
        return NothingBody()
    return op.body.model_validate(read_object(data))


def _fault(e: ValidationError) -> str:
    first = e.errors(include_url=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    text = first["msg"].removeprefix("Value error, ")
    return (f"{where}: {text}" if where else text)[:WHY_CHARS_MAX]
