"""Every parser of bytes from outside, each behind one function that takes any bytes at all.

Used by the fuzzer (`bench/fuzz.py`) and by the test of its corpora. A target fails by an exception that is not one of
the product's own refusals, or by an answer without bounds. Where a checksum would keep a fuzzer out, bytes that begin
with an odd one are cut into pieces and sealed with the right checksum first.
"""

import asyncio
import json
import re
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import patch

import commands_rig
from cobs import cobs
from firmware_sim_voyages import pipeline, tern_settings
from panel_boards import alarm, board, engine
from pydantic import BaseModel
from starlette.requests import Request
from starlette.responses import Response

import gateway.link.plain
from gateway.alarm.table import ROWS
from gateway.app.receipts import Receipts
from gateway.cli.replay import Lines, pipeline_for
from gateway.cli.shore_record import booked_by
from gateway.encode.checked import adapter
from gateway.encode.messages import dump
from gateway.encode.photo import photo_name
from gateway.encode.sentence_lines import LineSplitter, checksum, lines_of
from gateway.encode.topics import Topics
from gateway.engine.commands import Commands
from gateway.engine.queues import Answers
from gateway.engine.seen_requests import SeenRequests
from gateway.link import Decoder
from gateway.measure.timeline import Now
from gateway.model.errors import Refused, SettingsError
from gateway.model.output import Batch, NewBooking, NewEvent, NewRetained
from gateway.model.panel_settings import SentenceSettings
from gateway.model.settings import GatewaySettings
from gateway.model.settings_file import checked_section, load_settings
from gateway.outlets.control import ControlServer
from gateway.outlets.modbus.frames import MbapSplitter, RtuReceiver, mbap, rtu_frame
from gateway.outlets.modbus.pdu import PDU_BYTES_MAX, Asked, answer
from gateway.outlets.page.calls import Call, Door, Op, answered
from gateway.outlets.page.shapes import (
    ActBody,
    BookBody,
    DoneAnswer,
    EventsTableQuery,
    HistoryQuery,
    LoginBody,
    NothingBody,
)
from gateway.outlets.sentences.queue import SentenceQueue
from gateway.shore.check import DETAIL_CHARS_MAX, Checked, check
from gateway.shore.page.frame import BODY_BYTES_MAX, typed
from gateway.store.reader import StateReader
from gateway.store.state import StateStore
from gateway.wear.bookings import KINDS, PHOTO_NAME
from gateway.web.sessions import Sessions
from gateway.worksheet.pressure_file import CYLINDERS_MAX, ROWS_MAX, read_pressures

GATEWAY_ID = "6f1d1f6a-3f6b-4a51-9a35-0a4c7f0a1b2c"
ANSWER_BYTES_MAX = 30_000
"""The longest answer of its own is a whole work sheet, Re-time: 21,240 bytes."""
LINE_CHARS_MAX = 1_500
"""No reason is longer: it stands in a log, on a screen, in a message."""


def pieces(data: bytes) -> Iterator[bytes]:
    """Cut by length: one byte says how long the next piece is."""
    at = 0
    while at < len(data):
        length = data[at]
        yield data[at + 1 : at + 1 + length]
        at += 1 + length


def is_sealed(data: bytes) -> bool:
    """Shall the rest be given its checksums?"""
    return bool(data[:1]) and data[0] % 2 == 1


def _is_short(reason: str) -> None:
    assert reason
    assert all(len(line) <= LINE_CHARS_MAX for line in reason.splitlines())


# -- the head ------------------------------------------------------------------------------------------------------


def head_bytes(data: bytes) -> bytes:
    """The rest raw, or as frames of the link: payload, CRC-32, COBS, delimiter."""
    if not is_sealed(data):
        return data[1:]
    return b"".join(cobs.encode(p + zlib.crc32(p).to_bytes(4, "little")) + b"\0" for p in pieces(data[1:]))


def link(data: bytes) -> None:
    """The decoder, trying for a table at once and never: no exception, no more items than bytes, the same counts."""
    stream = head_bytes(data)
    cut = len(stream) // 2
    counts = []
    for many in (1, len(stream) + 1):
        decoder = Decoder()
        with patch.object(gateway.link.plain, "MANY", many):
            items = [*decoder.feed(stream[:cut]), *decoder.feed(stream[cut:])]
        assert len(items) <= len(stream)
        counts.append(decoder.counts)
    assert counts[0] == counts[1]


def replay(data: bytes) -> None:
    """A capture through the whole path to the lines that are printed: each a JSON text, none without bounds."""
    settings = _tern()
    p = pipeline_for(settings, "main", 1_700_000_000.0)
    lines = Lines(Topics("camdrift", settings.vessel.slug), "main", settings.vessel.slug, readings=True)
    stream = head_bytes(data)
    for line in lines.of(p.feed(stream, Now(0.0, 0.0))):
        assert len(line) <= ANSWER_BYTES_MAX
        json.loads(line)
    json.dumps(p.checkpoint(), allow_nan=False)


# -- the panel -----------------------------------------------------------------------------------------------------


def sentences(data: bytes) -> None:
    """ACN and ACK from a line or in datagrams, in both dialects, to the acts they ask for."""
    raw = data[1:]
    if is_sealed(data):
        bodies = [line.decode("latin-1") for line in raw.split(b"\n")]
        raw = b"".join(f"${b}*{checksum(b.encode('latin-1'))}\r\n".encode("latin-1") for b in bodies)
    splitter = LineSplitter()
    lines = [*splitter.feed(raw), *lines_of(raw), *lines_of(b"UdPbC\0" + raw)]
    for settings in _sentence_settings():
        acts: list[tuple[Any, ...]] = []
        queue = SentenceQueue(settings, lambda *act: acts.append(act))  # noqa: B023
        queue.look(_board(), 0.0)
        for line in lines[:100]:
            queue.hear(line, "panel", 1.0)
            assert len(acts) <= len(ROWS) + 1
            acts.clear()
        told = 0
        while queue.next(2.0, 1_700_000_000.0) is not None and told < 1_000:
            told += 1
        assert told < 1_000


def modbus_tcp(data: bytes) -> None:
    """Requests over TCP: each answered within the protocol's length, for either right of writing."""
    splitter = MbapSplitter()
    cut = len(data) // 2
    requests = [*splitter.feed(data[:cut])[0], *splitter.feed(data[cut:])[0]]
    for request in requests:
        _answered(request.pdu, lambda pdu, r=request: mbap(r.transaction, r.unit, pdu))  # type: ignore[misc]


def modbus_rtu(data: bytes) -> None:
    """A serial line with silences between its pieces: what is found is answered within the protocol's length."""
    receiver = RtuReceiver(frozenset({1, 2}))
    for piece in pieces(data[1:]):
        receiver.feed(rtu_frame(piece[0], piece[1:]) if is_sealed(data) and piece else piece)
        request = receiver.silence()
        if request is not None:
            _answered(request.pdu, lambda pdu, r=request: rtu_frame(r.unit, pdu))  # type: ignore[misc]
    receiver.quiet()
    assert not receiver.waiting


def _answered(pdu: bytes, framed: Callable[[bytes], bytes]) -> None:
    for may_write in (False, True):
        result = answer(pdu, Asked(_board(), _board().engines[0], may_write, "1.0"))
        assert 2 <= len(result.pdu) <= PDU_BYTES_MAX
        assert len(result.acts) <= 2_000
        assert framed(result.pdu)


# -- brokers -------------------------------------------------------------------------------------------------------


def do(data: bytes) -> None:
    """A request over MQTT: always answered by a message of the interface."""
    reply = Answers(_commands(), "ship", SeenRequests({}, lambda _: None)).to(data)
    assert len(reply) <= ANSWER_BYTES_MAX
    adapter("done").validate_json(reply)


def received(data: bytes) -> None:
    """A receipt of the shore: taken or passed over."""
    receipts = Receipts()
    receipts.take("ship", data, GATEWAY_ID)
    ranges = receipts.lacking("ship", 1_000, 1_000, 0.0)
    confirmed = receipts.confirmed("ship")
    assert confirmed is None or confirmed[0] <= 1_000
    assert all(first <= last <= 1_000 for first, last in ranges)


def shore(data: bytes) -> None:
    """A message from a ship: first line the topic, the rest the payload; refused in few words, or kept as checked."""
    topic, _, payload = data.partition(b"\n")
    found = check(topic.decode("utf-8", "replace"), payload, "camdrift")
    if isinstance(found, Checked):
        assert len(dump(found.message)) <= 10 * len(payload) + 1_000
    else:
        assert len(found.detail) <= DETAIL_CHARS_MAX


# -- people --------------------------------------------------------------------------------------------------------


def settings_file(data: bytes) -> None:
    """A settings file: settings, or one short line per fault."""
    path = _folder() / "ship.toml"
    path.write_bytes(data)
    try:
        load_settings(path)
    except SettingsError as e:
        _is_short(str(e))


def control(data: bytes) -> None:
    """One line to the control socket: done or refused in words, never an unexpected fault."""
    reply = _control()._answer(data.split(b"\n", 1)[0], "second")
    assert reply["ok"] or not reply["why"].startswith("unexpected fault"), reply
    assert len(json.dumps(reply)) <= max(ANSWER_BYTES_MAX, 4 * len(data))


JSON = [(b"content-type", b"application/json")]
PAGE_OPS: tuple[tuple[type[BaseModel] | None, type[BaseModel] | None], ...] = (
    (None, LoginBody), (None, ActBody), (None, BookBody), (None, NothingBody), (HistoryQuery, None),
    (EventsTableQuery, None),
)  # fmt: skip


def page(data: bytes) -> None:
    """A question to the page: the first byte chooses its shape, the rest is its body or its query."""
    query, body = PAGE_OPS[(data[0] if data else 0) % len(PAGE_OPS)]
    op = Op("POST", "/x", _handler, "fuzzed", "anybody", query=query, body=body, answer=DoneAnswer)
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/x",
        "headers": JSON,
        "query_string": data[1:] if query else b"",
    }
    sent = [{"type": "http.request", "body": data[1:] if body else b"", "more_body": False}]

    async def receive() -> dict[str, Any]:
        return sent.pop() if sent else {"type": "http.disconnect"}

    response: Response = _loop().run_until_complete(_door().endpoint({"POST": op})(Request(scope, receive)))
    assert response.status_code in (200, 409, 422)
    assert len(bytes(response.body)) <= max(ANSWER_BYTES_MAX, 8 * len(data))
    json.loads(bytes(response.body))


async def _handler(call: Call) -> Response:
    if isinstance(call.body, BookBody):
        request = {"do": "book", "engine": call.body.engine, "entry": call.body.entry, "dry": call.body.dry}
        return answered(DoneAnswer(answer=_commands().handle("page", request, "second")))
    return answered(DoneAnswer())


def pressures(data: bytes) -> None:
    """A pressure file: a cycle within its bounds, or the reason why not."""
    text = data.decode("utf-8", "replace")
    for cycle_deg in (360.0, 720.0):
        try:
            found = read_pressures(text, cycle_deg)
        except Refused as e:
            _is_short(str(e))
            continue
        assert 3 <= len(found.angle_deg) <= ROWS_MAX
        assert 1 <= len(found.bar) <= CYLINDERS_MAX


def photo(data: bytes) -> None:
    """A photo for a note: a name of its own, or one short line."""
    try:
        name = photo_name(data)
    except Refused as e:
        _is_short(str(e))
        return
    assert re.fullmatch(PHOTO_NAME, name)


def store_file(data: bytes) -> None:
    """The bytes as changes to `state.db`, one after another: offset in 256 bytes (u16) and in bytes (u8), new bytes.

    Whatever is changed, the store opens at the first try, takes a row and gives it back.
    """
    sound, folder = _sound_store(), _folder() / "damaged"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(sound, folder)
    path = folder / "state.db"
    if data[:1] == b"!":
        path.write_bytes(data[1:])
    else:
        changed = bytearray(path.read_bytes())
        for piece in pieces(data):
            at = int.from_bytes(piece[:2], "little") * 256 % len(changed) + (piece[2] if len(piece) > 2 else 0)
            changed[at : at + len(piece[3:])] = piece[3:]
        path.write_bytes(changed)
    store = _opened_store(folder)
    try:
        (seq,) = store.commit(Batch(events=[NewEvent("t", "alarm", {"ts": "2026-03-02T12:00:00.000Z", "after": True})]))
    finally:
        store.close()
    reader = StateReader(folder)
    try:
        assert any(row.seq == seq for row in reader.events(0, 10_000))
    finally:
        reader.close()


# -- the fleet's page and the report ashore ------------------------------------------------------------------------


def shore_form(data: bytes) -> None:
    """A form as a browser posts it, in two pieces: read as short texts by name, or refused."""
    cut = len(data) // 2
    parts = iter((data[:cut], data[cut:]))

    async def receive() -> dict[str, Any]:
        part = next(parts, None)
        return {"type": "http.request", "body": part or b"", "more_body": part is not None}

    kind = [(b"content-type", b"application/x-www-form-urlencoded")]
    scope = {"type": "http", "method": "POST", "path": "/plan/stay", "query_string": b"", "headers": kind}
    try:
        found = _loop().run_until_complete(typed(Request(scope, receive)))
    except Refused as e:
        _is_short(str(e))
        return
    assert len(found) <= 64 and sum(map(len, found.values())) <= BODY_BYTES_MAX


def shore_record(data: bytes) -> None:
    """The figures of a maintenance record's event, after the keeper's check, to a booking or to none."""
    for kind in KINDS:
        body = b'{"v":1,"gateway":"%s","seq":1,"ts":"2031-05-06T10:00:00.000Z","hours":1.0,"kind":"adjustment",' % (
            GATEWAY_ID.encode()
        )
        body += b'"what":"%s","by":"x","text":"","before":{},"after":%s}' % (kind.encode(), data)
        item = check("camdrift/1/tern-passage/main/event", body, "camdrift/1")
        if isinstance(item, Checked):
            entry = booked_by(GATEWAY_ID, 1, json.loads(dump(item.message)))
            assert entry is None or entry.kind == kind


TARGETS: dict[str, Callable[[bytes], None]] = {
    "store": store_file,
    "link": link,
    "replay": replay,
    "sentences": sentences,
    "modbus-tcp": modbus_tcp,
    "modbus-rtu": modbus_rtu,
    "do": do,
    "received": received,
    "shore": shore,
    "shore-form": shore_form,
    "shore-record": shore_record,
    "settings": settings_file,
    "control": control,
    "page": page,
    "pressures": pressures,
    "photo": photo,
}


# -- what stands behind them ---------------------------------------------------------------------------------------


@cache
def _tern() -> Any:
    return tern_settings()


@cache
def _board() -> Any:
    alarms = tuple(alarm(no) for no in range(len(ROWS)))
    return board(engine(0, alarms), engine(1))


@cache
def _sentence_settings() -> tuple[SentenceSettings, ...]:
    return tuple(
        checked_section(SentenceSettings, {"transport": "udp", "accept": True, "dialect": dialect})
        for dialect in ("alf", "alr")
    )


@cache
def _control() -> ControlServer:
    return ControlServer(_folder() / "socket", lambda request, who: _commands().handle("shell", request, who))


def _opened_store(folder: Path) -> StateStore:
    return StateStore(folder, GatewaySettings(), brokers={"ship": frozenset({"event"})}, ballast_bytes=4_096)


@cache
def _sound_store() -> Path:
    """A closed store with a few rows in each table."""
    folder = _folder() / "sound"
    store = _opened_store(folder)
    for n in range(20):
        rows = [NewBooking("main", f"b{n}", "hand-play", "2026-03-01T12:00:00.000Z", '{"kind":"hand-play"}')]
        store.commit(
            Batch(
                [NewEvent("t", "alarm", {"ts": "2026-03-01T12:00:00.000Z", "n": n})],
                [NewRetained(f"a{n}", "alarm", b"{}")],
                {"e": {"n": n}},
                rows,
            )
        )
    store.close()
    return folder


@cache
def _folder() -> Path:
    folder = tempfile.TemporaryDirectory()
    _kept.append(folder)
    return Path(folder.name)


_kept: list[Any] = []


@cache
def _loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


@cache
def _door() -> Door:
    return Door(cast(Sessions, SimpleNamespace(find=lambda *_a, **_k: None)), view_without_login=True)


class _Outlets(commands_rig.Outlets):
    """Written out as it is stored and sent: what cannot be written would stop the store's writer."""

    def record(self, batch: Batch) -> Future[int]:
        assert all(len(json.dumps(e.body, allow_nan=False, default=str)) <= 20 * ANSWER_BYTES_MAX for e in batch.events)
        assert all(isinstance(json.loads(b.entry), dict) for b in batch.bookings)
        assert all(len(r.payload) <= ANSWER_BYTES_MAX for r in batch.retained)
        self.events.clear()
        self.bookings.clear()
        return super().record(batch)


@cache
def _engine() -> commands_rig.InStep:
    return commands_rig.InStep(pipeline(), _Outlets())


def _commands() -> Commands:
    """The way in to one engine, whose log book is empty again each time."""
    _engine()._log = ()
    return commands_rig.commands(_tern(), _engine())
