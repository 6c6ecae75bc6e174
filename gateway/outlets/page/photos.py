"""Photos of notes: taken in from somebody who has logged in, one at a time, and shown to those who have."""

import asyncio
import json
import re
from functools import partial

from starlette.responses import Response

from gateway.encode.photo import MEDIA_TYPES, PHOTO_BYTES_MAX
from gateway.model.errors import Refused
from gateway.outlets.page.calls import Call, NotAllowed, NotThere, Op, TooMany, answered
from gateway.outlets.page.inputs import PageInputs
from gateway.outlets.page.report import pieces
from gateway.outlets.page.shapes import PhotoAnswer
from gateway.outlets.page.shares import Shares
from gateway.outlets.page.views import PlacedResponse
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import PHOTO_NAME, Entry, Note
from gateway.wear.logbook import standing

TAKEN_WITHIN_S = 30.0
READ_MAX, PER_ADDRESS = 4, 2
"""Photos being sent: each is held in memory until its reader has it."""


class PhotoView:
    """`/api/photo`."""

    def __init__(self, inputs: PageInputs) -> None:
        self._in = inputs
        self._one = asyncio.Lock()
        self._sent = Shares(READ_MAX, PER_ADDRESS, "Other photos are being sent; try again.")

    def ops(self) -> list[Op]:
        """Take one, show one."""
        return [
            Op(
                "POST",
                "/api/photo",
                self.take,
                "Keep a photo (JPEG or PNG) for a note; book the note with its name afterwards.",
                "actor",
                answer=PhotoAnswer,
                takes=tuple(MEDIA_TYPES.values()),
                body_bytes_max=PHOTO_BYTES_MAX,
                body_s=TAKEN_WITHIN_S,
            ),
            Op(
                "GET",
                "/api/photo/{name}",
                self.show,
                "A photo of a note; after log-in only.",
                media_types=tuple(MEDIA_TYPES.values()),
            ),
        ]

    async def take(self, call: Call) -> Response:
        """POST /api/photo."""
        photos = self._in.photos
        if photos is None:
            raise NotThere("no photos are kept here")
        if self._one.locked():
            raise TooMany("Another photo is being kept; try again.")
        async with self._one:
            return answered(PhotoAnswer(name=await asyncio.to_thread(photos.keep, call.body, self._used)))

    async def show(self, call: Call) -> Response:
        """GET /api/photo/{name}."""
        if call.session is None:
            raise NotAllowed("Log in to see photos.")
        name = str(call.request.path_params["name"])
        self._sent.take(call.address)
        leave = partial(self._sent.leave, call.address)
        try:
            data = None if self._in.photos is None else await asyncio.to_thread(self._in.photos.read, name)
            if data is None:
                raise NotThere("there is no such photo")
        except BaseException:
            leave()
            raise
        headers = {
            "content-length": str(len(data)),
            "content-disposition": f'inline; filename="{name}"',
            "cache-control": "private, max-age=3600, immutable",
        }
        media_type = MEDIA_TYPES[name.rpartition(".")[2]]
        return PlacedResponse(pieces(data), leave, media_type=media_type, headers=headers)

    def _used(self) -> set[str]:
        """Names that stand in notes. What cannot be read may name one too, so it counts."""
        found: set[str] = set()
        state = self._in.state()
        try:
            rows = {e.slug: state.bookings(e.slug) for e in self._in.settings.engine}
        finally:
            state.close()
        for of_engine in rows.values():
            log: list[Entry] = []
            for row in of_engine:
                entry = row.entry if isinstance(row.entry, dict) else json.loads(row.entry)
                try:
                    log.append(read_entry(entry))
                except Refused:
                    found.update(re.findall(PHOTO_NAME, json.dumps(entry)))
            found.update(name for x in standing(log) if isinstance(x, Note) for name in x.photos)
        return found
