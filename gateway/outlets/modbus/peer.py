"""One Modbus TCP connection: bytes come, answers go, in the event loop's own callbacks."""

import asyncio
import time
from collections.abc import Callable
from typing import Protocol, cast

import structlog

from gateway.outlets.modbus.frames import MbapSplitter, TcpRequest

_log = structlog.get_logger("ports")

READ_BYTES = 4_096
"""Taken at once: bounds what a peer can make the server do before another one has its turn."""


class Host(Protocol):
    """What a connection needs of its server."""

    def admit(self, peer: "Peer") -> bool:
        """Whether there is a place for it."""

    def dismiss(self, peer: "Peer") -> None:
        """It is gone."""

    def reply(self, request: TcpRequest, peer: "Peer") -> bytes:
        """The answer to one request."""


class Peer(asyncio.BufferedProtocol):
    """`host`, and with the port `address`. `heard_s`: when something came last; `stuck_s`: since when the peer takes no
    answers."""

    def __init__(self, host: Host, clock: Callable[[], float] = time.monotonic) -> None:
        self._host = host
        self._clock = clock
        self._buffer = memoryview(bytearray(READ_BYTES))
        self._splitter = MbapSplitter()
        self._transport: asyncio.Transport | None = None
        self.host = self.address = ""
        self.heard_s = clock()
        self.stuck_s: float | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by the loop."""
        self._transport = cast(asyncio.Transport, transport)
        self.host, port = (transport.get_extra_info("peername") or ("unknown", 0))[:2]
        self.address = f"[{self.host}]:{port}" if ":" in self.host else f"{self.host}:{port}"
        if not self._host.admit(self):
            self._transport.close()

    def get_buffer(self, sizehint: int) -> memoryview:
        """Called by the loop."""
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        """Called by the loop: `nbytes` have come."""
        transport = self._transport
        if transport is None or transport.is_closing():
            return
        self.heard_s = self._clock()
        try:
            requests, is_modbus = self._splitter.feed(bytes(self._buffer[:nbytes]))
            transport.write(b"".join(self._host.reply(r, self) for r in requests))
        except Exception as e:  # one peer's request must not cost the others their server, nor show a traceback
            _log.error("Modbus connection closed: unexpected fault, report this", peer=self.address, fault=repr(e))
            self.abort()
            return
        if not is_modbus:
            _log.info("Modbus connection closed: what came is no Modbus", peer=self.address)
            transport.close()

    def pause_writing(self) -> None:
        """Called by the loop: the peer does not take its answers, so it is not read either."""
        self.stuck_s = self._clock()
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        """Called by the loop."""
        self.stuck_s = None
        if self._transport is not None and not self._transport.is_closing():
            self._transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        """Called by the loop."""
        self._host.dismiss(self)

    def abort(self) -> None:
        """Close it without waiting for anything."""
        if self._transport is not None:
            self._transport.abort()
