"""The report of any period, from the page."""

import asyncio
from collections.abc import AsyncIterator
from functools import partial
from typing import Literal

from pydantic import Field, model_validator
from starlette.responses import Response

from gateway.model.fields import Slug
from gateway.outlets.page.calls import Call, NotAllowed, NotThere, Op
from gateway.outlets.page.inputs import PageInputs
from gateway.outlets.page.shapes import SPAN_S_MAX, Question, Utc
from gateway.outlets.page.shares import Shares
from gateway.outlets.page.views import PlacedResponse

PIECE_BYTES = 16_384
ANSWERS_MAX, PER_ADDRESS = 2, 1
"""Reports being made or sent: each holds its bytes until its reader has them."""


KINDS = {"html": ("text/html", "html"), "pdf": ("application/pdf", "pdf"), "survey": ("application/zip", "zip")}
"""Media type and ending of each kind."""


class ReportQuery(Question):
    """Which engine (all where it is left out), from when to when; as HTML, as PDF, or the survey file with its tables
    as ZIP."""

    engine: Slug | None = None
    start: Utc = Field(alias="from")
    end: Utc = Field(alias="to")
    kind: Literal["html", "pdf", "survey"] = "html"

    @model_validator(mode="after")
    def _ordered(self) -> "ReportQuery":
        if not 3_600.0 <= self.end - self.start <= SPAN_S_MAX:
            raise ValueError("from must lie an hour before to at least, and sixty years at most")
        return self


class ReportView:
    """GET /api/report."""

    def __init__(self, inputs: PageInputs) -> None:
        self._in = inputs
        self._answers = Shares(ANSWERS_MAX, PER_ADDRESS, "Another report is being made or sent; try again.")

    def ops(self) -> list[Op]:
        """The one operation."""
        return [
            Op(
                "GET",
                "/api/report",
                self.report,
                "A period's report, to save, print and sign, or the survey file; people's names after log-in only.",
                query=ReportQuery,
                media_types=tuple(media for media, _ in KINDS.values()),
            )
        ]

    async def report(self, call: Call) -> Response:
        """Make it and send it, a piece at a time."""
        q: ReportQuery = call.query
        slugs = [e.slug for e in self._in.settings.engine]
        if q.engine is not None and q.engine not in slugs:
            raise NotThere(f"there is no engine {q.engine!r}; there are: {', '.join(slugs)}")
        media, ending = KINDS[q.kind]
        name = f"{self._in.settings.vessel.slug}-{'survey' if q.kind == 'survey' else 'report'}.{ending}"
        headers = {"content-disposition": f'attachment; filename="{name}"', "cache-control": "no-store"}
        if call.request.method == "HEAD":
            return Response(b"", media_type=media, headers=headers)
        if q.kind == "survey" and call.session is None:
            raise NotAllowed("Log in first: a survey file bears the names of those who signed.")
        self._answers.take(call.address)
        leave = partial(self._answers.leave, call.address)
        try:
            made = await asyncio.to_thread(self._in.report, q.engine, q.start, q.end, call.session is not None, q.kind)
        except BaseException:
            leave()
            raise
        return PlacedResponse(pieces(made), leave, media_type=media, headers=headers)


async def pieces(made: bytes) -> AsyncIterator[bytes]:
    """The bytes, a piece at a time."""
    for at in range(0, len(made), PIECE_BYTES):
        yield made[at : at + PIECE_BYTES]
