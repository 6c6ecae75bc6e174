"""What may be done from the page, by somebody who has logged in: acknowledge, shelve, stop the sound, book."""

import asyncio
import time
from typing import Any

from starlette.responses import Response

from gateway.alarm.table import BY_TAG, GATEWAY_TAGS
from gateway.model.errors import Refused
from gateway.outlets.page.calls import COOKIE, Call, NotThere, Op, TooMany, answered, problem
from gateway.outlets.page.commission_shapes import CommissionAnswer, CommissionBody
from gateway.outlets.page.inputs import PageInputs, StoreReaders
from gateway.outlets.page.shapes import ActBody, BookBody, DoneAnswer, LoginBody, NothingBody, SessionAnswer
from gateway.outlets.page.sheet_shapes import SheetActBody
from gateway.web.sessions import Session, Sessions
from gateway.web.tries import TooSoon

ACTS = ("acknowledge", "shelve", "unshelve", "out-of-service", "in-service", "try-alarm")
ACTS_A_SECOND = 10
STILL_ACTS = "The alarm panel and the ship's own shell still act."
NOTICE = (
    "Every act is put on record with your name. camdrift is a monitoring aid: the manual, the class rules and the "
    "permit to work decide."
)


class Acts:
    """Handlers that change something, and those of logging in and out."""

    def __init__(self, inputs: PageInputs, store: StoreReaders, sessions: Sessions) -> None:
        self._in, self._store, self._sessions = inputs, store, sessions
        self._page = inputs.settings.page
        self._second, self._done = 0, 0

    def ops(self) -> list[Op]:
        """All of them."""
        alarm = [
            Op("POST", f"/api/alarm/{{tag}}/{do}", self._alarm(do), text, "actor", body=ActBody, answer=DoneAnswer)
            for do, text in zip(
                ACTS,
                (
                    "Acknowledge an alarm.",
                    "Shelve an alarm for a time.",
                    "Unshelve an alarm.",
                    "Take an alarm out of service.",
                    "Put an alarm back in service.",
                    "Raise the trial alarm.",
                ),
                strict=True,
            )
        ]
        return [
            *alarm,
            Op("POST", "/api/silence", self.silence, "Stop the sound.", "actor", body=NothingBody, answer=DoneAnswer),
            Op("POST", "/api/book", self.book, "Book what was done.", "actor", body=BookBody, answer=DoneAnswer),
            Op(
                "POST",
                "/api/commission",
                self.commission,
                "A step of the commissioning.",
                "actor",
                body=CommissionBody,
                answer=CommissionAnswer,
            ),
            Op(
                "POST",
                "/api/sheet-act/{name}",
                self.sheet_act,
                "Act at a work sheet: open, tick, countersign, take a figure, close.",
                "actor",
                body=SheetActBody,
                answer=DoneAnswer,
            ),
            Op("GET", "/api/session", self.session, "Who is logged in.", "anybody", answer=SessionAnswer, touch=False),
            Op("POST", "/api/login", self.log_in, "Log in.", "anybody", body=LoginBody, answer=SessionAnswer),
            Op("POST", "/api/logout", self.log_out, "Log out.", "anybody", body=NothingBody, answer=SessionAnswer),
        ]

    def _alarm(self, do: str) -> Any:
        async def handler(call: Call) -> Response:
            tag = str(call.request.path_params["tag"])
            body: ActBody = call.body
            if tag not in BY_TAG:
                raise NotThere(f"there is no alarm {tag!r}")
            if tag not in GATEWAY_TAGS and body.engine is None and len(self._in.settings.engine) > 1:
                raise Refused("name the engine")
            request = {"do": do, "alarm": tag, "engine": body.engine, "minutes": body.minutes, "why": body.why}
            return await self._do(request, call)

        return handler

    async def silence(self, call: Call) -> Response:
        """POST /api/silence."""
        return await self._do({"do": "silence"}, call)

    async def book(self, call: Call) -> Response:
        """POST /api/book."""
        body: BookBody = call.body
        # Who books is who has logged in; whoever did the work may be another and stands in the entry.
        entry = {"person": call.user, **body.entry}
        photos, kept = entry.get("photos"), self._in.photos
        for name in photos if isinstance(photos, list) else ():
            if kept is None or not isinstance(name, str) or not kept.has(name):
                raise Refused("a photo of this note is no longer kept; choose it again")
        request = {"do": "book", "engine": body.engine, "entry": entry, "dry": body.dry}
        more = {"sheet": body.sheet, "reason": body.reason, "corrects": body.corrects}
        answer = await self._do(request | more, call)
        self._store.forget()
        return answer

    async def commission(self, call: Call) -> Response:
        """POST /api/commission."""
        body: CommissionBody = call.body
        answer = await self._asked({"do": "commission", **body.model_dump()}, call)
        return answered(CommissionAnswer.model_validate(answer["commission"]))

    async def sheet_act(self, call: Call) -> Response:
        """POST /api/sheet-act/{name}."""
        body: SheetActBody = call.body
        name = str(call.request.path_params["name"])
        return await self._do({"do": "sheet-act", "name": name, **body.model_dump()}, call)

    async def _do(self, request: dict[str, Any], call: Call) -> Response:
        return answered(DoneAnswer(answer=await self._asked(request, call)))

    async def _asked(self, request: dict[str, Any], call: Call) -> dict[str, Any]:
        second = int(time.monotonic())
        self._second, self._done = second, (self._done + 1 if second == self._second else 1)
        if self._done > ACTS_A_SECOND:
            raise TooMany("Too many acts at once; nothing was done.")
        wanted = {k: v for k, v in request.items() if v not in (None, "")} | {"by": call.user}
        return await asyncio.to_thread(self._in.act, wanted, "page")

    # -- log-in -------------------------------------------------------------------------------------------------

    async def session(self, call: Call) -> Response:
        """GET /api/session."""
        return answered(self._answer(call.session))

    async def log_in(self, call: Call) -> Response:
        """POST /api/login."""
        body: LoginBody = call.body
        try:
            token, session = await self._sessions.log_in_beside(body.name, body.password, call.address)
        except TooSoon as e:
            return problem(f"{e} {STILL_ACTS}", 429)
        except Refused as e:
            return problem(str(e), 403)
        answer = answered(self._answer(session))
        self._set_cookie(answer, token)
        return answer

    async def log_out(self, call: Call) -> Response:
        """POST /api/logout."""
        self._sessions.log_out(call.request.cookies.get(COOKIE))
        answer = answered(self._answer(None))
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict", secure=self._tls)
        return answer

    @property
    def _tls(self) -> bool:
        return self._page.cert_file is not None

    def _set_cookie(self, answer: Response, token: str) -> None:
        answer.set_cookie(COOKIE, token, path="/", httponly=True, samesite="strict", secure=self._tls)

    def _answer(self, session: Session | None) -> SessionAnswer:
        return SessionAnswer(
            user=session.user if session else None,
            token=session.csrf if session else None,
            users=bool(self._page.users),
            minutes=self._page.session_minutes,
            view_without_login=self._page.view_without_login,
            notice=NOTICE,
        )
