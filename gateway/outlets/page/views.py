"""What can be read: the present, the trends, the record, the work sheets."""

import asyncio
import io
import json
import time
from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import Any, TypeVar

from starlette.responses import Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from gateway.encode.topics import Topics
from gateway.model.errors import Refused, StorageError
from gateway.model.settings import EngineSettings
from gateway.outlets.page.calls import Call, Door, NotThere, Op, answered, problem
from gateway.outlets.page.commission_shapes import CommissionAnswer, CommissionQuery
from gateway.outlets.page.course import course
from gateway.outlets.page.inputs import PageInputs, StoreReaders
from gateway.outlets.page.mask import Mask
from gateway.outlets.page.present import present
from gateway.outlets.page.record import (
    PAGE_ROWS,
    PAGES_MAX,
    TABLE_ROWS,
    EventPage,
    bookings_answer,
    bookings_table,
    csv_head,
    csv_rows,
    event_page,
    events_answer,
    help_answer,
    newest,
)
from gateway.outlets.page.shapes import (
    BookingsAnswer,
    BookingsQuery,
    EventsAnswer,
    EventsQuery,
    EventsTableQuery,
    HelpAnswer,
    HistoryAnswer,
    HistoryQuery,
    PresentAnswer,
)
from gateway.outlets.page.shares import Busy, Shares
from gateway.outlets.page.sheet_shapes import SHEET_FILE_CHARS_MAX, SheetAnswer, SheetBody, SheetRow, SheetsAnswer
from gateway.outlets.page.stream import Stream, lines
from gateway.wear.bookings import Entry

READERS_MAX = 2
"""Questions to the disk at once: the page must not take both cores from what measures."""
STATUS_S = 5.0
SHEET_FIGURES_MAX = 64
SHEET_TEXT_MAX = 8_000
DOWNLOADS_MAX, DOWNLOADS_PER_ADDRESS = 4, 2
DOWNLOAD_S = 300.0
"""A whole record of 8 MB at 250 kbit/s."""
QUESTIONS_MAX, QUESTIONS_PER_ADDRESS = 64, 8
"""Waiting for the disk: one address must not fill the queue before the others."""
T = TypeVar("T")


def sheet_address(base: str, name: str) -> str:
    """Where a work sheet is found on the page at `base`."""
    return f"{base.rstrip('/')}/#sheets/{name}"


class PlacedResponse(StreamingResponse):
    """A streamed answer that holds a place. `leave` is called when it is over, also where it never began."""

    def __init__(self, content: AsyncIterator[bytes], leave: Callable[[], None], **more: Any) -> None:
        super().__init__(content, **more)
        self._leave = leave

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it. A peer that has gone before the first piece ends it before its generator has started."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._leave()


class Views:
    """Handlers that only read."""

    def __init__(self, inputs: PageInputs, store: StoreReaders, door: Door, relieve: Callable[[], None]) -> None:
        """`relieve`: called before a large answer is made, to let go of answers that nobody takes."""
        self._in, self._store, self._door, self._relieve = inputs, store, door, relieve
        self.stream = Stream(self.present_json, inputs.settings.page.viewers_max)
        self._names = Mask(u.name for u in inputs.settings.page.users)
        self._reading = asyncio.Semaphore(READERS_MAX)
        self._questions = Shares(QUESTIONS_MAX, QUESTIONS_PER_ADDRESS, "Too many questions at once; try again.")
        self._downloads = Shares(DOWNLOADS_MAX, DOWNLOADS_PER_ADDRESS, "Other downloads are running; try again.")
        self._status: dict[str, Any] = {}
        self._status_due_s = 0.0

    def ops(self) -> list[Op]:
        """All of them."""
        return [
            Op("GET", "/api/present", self.present, "The present of all engines.", answer=PresentAnswer, touch=False),
            Op(
                "GET",
                "/api/stream",
                self.follow,
                "The present each second, as server-sent events.",
                media_types=("text/event-stream",),
                touch=False,
            ),
            Op(
                "GET",
                "/api/history",
                self.history,
                "All series over time, thinned for a plot, with alarms and work.",
                query=HistoryQuery,
                answer=HistoryAnswer,
            ),
            Op("GET", "/api/events", self.events, "The record.", query=EventsQuery, answer=EventsAnswer),
            Op(
                "GET",
                "/api/events.csv",
                self.events_table,
                "The record as CSV.",
                query=EventsTableQuery,
                media_types=("text/csv",),
            ),
            Op("GET", "/api/help", self.help, "What each alarm means and what to do.", answer=HelpAnswer, touch=False),
            Op("GET", "/api/bookings", self.bookings, "The log book.", query=BookingsQuery, answer=BookingsAnswer),
            Op(
                "GET",
                "/api/bookings.csv",
                self.bookings_table,
                "The log book as CSV.",
                query=BookingsQuery,
                media_types=("text/csv",),
            ),
            Op("GET", "/api/status", self.status, "What `camdrift status` shows.", touch=False),
            Op(
                "GET",
                "/api/commission",
                self.commission,
                "The commissioning of a sensor head.",
                query=CommissionQuery,
                answer=CommissionAnswer,
                touch=False,
            ),
            Op("GET", "/api/sheet", self.sheets, "The work sheets that there are.", answer=SheetsAnswer),
            Op("GET", "/api/sheet/{name}", self.sheet, "A work sheet with its figures.", answer=SheetAnswer),
            Op(
                "GET",
                "/api/sheet/{name}/code.svg",
                self.sheet_code,
                "A QR code that leads to the sheet on this page.",
                media_types=("image/svg+xml",),
            ),
            Op(
                "POST",
                "/api/sheet/{name}",
                self.sheet_with_file,
                "A work sheet from a pressure/crank-angle file; nothing is kept of it.",
                "actor",
                body=SheetBody,
                answer=SheetAnswer,
                body_bytes_max=2 * SHEET_FILE_CHARS_MAX,
            ),
        ]

    def present_json(self) -> bytes:
        """The present as it stands, from any thread."""
        return present(self._in, self._store, time.time(), self._names).model_dump_json(by_alias=True).encode()

    async def present(self, _call: Call) -> Response:
        """GET /api/present."""
        data = await asyncio.to_thread(self.present_json)
        return Response(data, media_type="application/json", headers={"cache-control": "no-store"})

    async def follow(self, call: Call) -> Response:
        """GET /api/stream."""
        op = next(o for o in self.ops() if o.path == "/api/stream")

        def may_go_on() -> bool:
            try:
                self._door.admit(op, call.request)
            except Exception:
                return False
            return True

        if call.request.method == "HEAD":
            return Response(media_type="text/event-stream")
        try:
            viewer = self.stream.enter(call.address)
        except Busy as e:
            return problem(str(e), 503)
        return PlacedResponse(
            lines(self.stream, viewer, may_go_on),
            partial(self.stream.leave, viewer),
            media_type="text/event-stream",
            headers={"cache-control": "no-store", "x-accel-buffering": "no"},
        )

    async def history(self, call: Call) -> Response:
        """GET /api/history."""
        q: HistoryQuery = call.query
        engine = self._engine(q.engine)
        log = self._book(call, q.engine)
        topic = self._topics.event(engine.slug)
        return answered(
            await self._read(
                call.address, lambda: course(engine, log, self._store.history(), self._store.state(), topic, q)
            )
        )

    async def events(self, call: Call) -> Response:
        """GET /api/events."""
        return answered(
            await self._read(
                call.address, lambda: events_answer(self._topics, self._store.state(), call.query, self._mask(call))
            )
        )

    async def events_table(self, call: Call) -> Response:
        """GET /api/events.csv."""
        q: EventsTableQuery = call.query
        if call.request.method == "HEAD":
            return _csv_of("events", b"")
        self._downloads.take(call.address)
        leave = partial(self._downloads.leave, call.address)
        try:
            before = await self._read(call.address, lambda: newest(self._store.state(), q))
        except BaseException:
            leave()
            raise
        return PlacedResponse(
            self._table(call, q, before), leave, media_type="text/csv", headers=_csv_headers("events")
        )

    async def _table(self, call: Call, q: EventsTableQuery, before: int) -> AsyncIterator[bytes]:
        """The table, a piece at a time: the next is read when the reader has taken the last."""
        mask = self._mask(call)
        yield csv_head()
        left, until_s = q.limit, time.monotonic() + DOWNLOAD_S
        for _ in range(PAGES_MAX * PAGE_ROWS // TABLE_ROWS):
            if left <= 0 or before <= 1 or time.monotonic() > until_s:
                return
            page = await self._read(call.address, partial(self._page, q, before, mask))
            before = page.before
            yield csv_rows(page.events[:left])
            left -= len(page.events)

    def _page(self, q: EventsTableQuery, before: int, mask: Mask | None) -> EventPage:
        return event_page(self._topics, self._store.state(), q, before, TABLE_ROWS, mask)

    def _mask(self, call: Call) -> Mask | None:
        """What is left out for who asks."""
        return None if call.session is not None else self._names

    async def help(self, _call: Call) -> Response:
        """GET /api/help."""
        return answered(help_answer(self._in.settings))

    def _book(self, call: Call, slug: str) -> list[Entry]:
        mask = self._mask(call)
        log = self._store.bookings(slug)
        return log if mask is None else [mask.entry(e) for e in log]

    async def bookings(self, call: Call) -> Response:
        """GET /api/bookings."""
        engine = self._engine(call.query.engine)
        return answered(await self._read(call.address, lambda: bookings_answer(engine, self._book(call, engine.slug))))

    async def bookings_table(self, call: Call) -> Response:
        """GET /api/bookings.csv."""
        engine = self._engine(call.query.engine)
        table = await self._read(call.address, lambda: bookings_table(self._book(call, engine.slug)))
        return _csv_of("log-book", table.encode())

    async def status(self, call: Call) -> Response:
        """GET /api/status."""
        if time.monotonic() >= self._status_due_s:
            self._status_due_s = time.monotonic() + STATUS_S
            self._status = await self._read(call.address, self._in.status)
        data = json.dumps(self._status, ensure_ascii=False, separators=(",", ":"))
        return Response(data, media_type="application/json", headers={"cache-control": "no-store"})

    async def commission(self, call: Call) -> Response:
        """GET /api/commission."""
        q: CommissionQuery = call.query
        engine = self._engine(q.engine or self._in.settings.engine[0].slug).slug
        request = {"step": "show", "engine": engine, "task": q.task}
        shown = await self._read(call.address, lambda: self._in.commission(request, ""))
        answer = CommissionAnswer.model_validate(shown)
        mask = self._mask(call)
        return answered(answer if mask is None else mask.commission(answer))

    async def sheets(self, _call: Call) -> Response:
        """GET /api/sheet."""
        rows = [SheetRow(name=name, title=title) for name, (title, _) in self._in.sheets.items()]
        return answered(SheetsAnswer(sheets=tuple(rows)))

    async def sheet(self, call: Call) -> Response:
        """GET /api/sheet/{name}."""
        typed: dict[str, str] = dict(call.query)
        engine = typed.pop("engine", None)
        if len(typed) > SHEET_FIGURES_MAX or sum(len(k) + len(v) for k, v in typed.items()) > SHEET_TEXT_MAX:
            raise Refused("too many figures")
        return await self._sheet(call, engine, typed)

    async def sheet_with_file(self, call: Call) -> Response:
        """POST /api/sheet/{name}."""
        body: SheetBody = call.body
        return await self._sheet(call, body.engine, body.typed | ({"file": body.file} if body.file else {}))

    async def _sheet(self, call: Call, engine: str | None, typed: dict[str, str]) -> Response:
        name = str(call.request.path_params["name"])
        if name not in self._in.sheets:
            raise NotThere(f"there is no work sheet {name!r}")
        slug = self._engine(engine or self._in.settings.engine[0].slug).slug
        made = await self._read(call.address, lambda: self._in.sheets[name][1](slug, typed))
        mask = self._mask(call)
        return answered(SheetAnswer.model_validate(made if mask is None else mask.sheet(made)))

    async def sheet_code(self, call: Call) -> Response:
        """GET /api/sheet/{name}/code.svg."""
        name = str(call.request.path_params["name"])
        if name not in self._in.sheets:
            raise NotThere(f"there is no work sheet {name!r}")
        try:
            import segno
        except ImportError:
            raise NotThere("no QR code: the extra `print` is not installed") from None
        picture = io.BytesIO()
        segno.make_qr(sheet_address(str(call.request.base_url), name)).save(picture, kind="svg", scale=4)
        return Response(picture.getvalue(), media_type="image/svg+xml", headers={"cache-control": "no-store"})

    @property
    def _topics(self) -> Topics:
        return self._in.topics

    def _engine(self, slug: str) -> EngineSettings:
        for e in self._in.settings.engine:
            if e.slug == slug:
                return e
        raise NotThere(f"there is no engine {slug!r}; there are: {', '.join(e.slug for e in self._in.settings.engine)}")

    async def _read(self, address: str, read: Callable[[], T]) -> T:
        """What `read` gives, from the disk, for a question from `address`. Raises Busy."""
        self._relieve()
        self._questions.take(address)
        try:
            async with self._reading:
                return await asyncio.to_thread(read)
        except StorageError:
            self._store.reopen()
            raise
        finally:
            self._questions.leave(address)


def _csv_headers(name: str) -> dict[str, str]:
    return {"content-disposition": f'attachment; filename="{name}.csv"', "cache-control": "no-store"}


def _csv_of(name: str, table: bytes) -> Response:
    return Response(table, media_type="text/csv", headers=_csv_headers(name))
