"""The web server's protocol of one connection, with what it lacks: it reports to `Places` what the peer has sent."""

import asyncio
import logging
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

from gateway.fault_log import FaultLog
from gateway.web.places import WRITE_BYTES_MAX, Place, Places


class PageProtocol(H11Protocol):
    """`places`: of the listener that accepted it. A subclass, since the server makes one for each connection."""

    def __init__(self, *args: Any, places: Places, **named: Any) -> None:
        super().__init__(*args, **named)
        self._places = places
        self._place: Place | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Called by the loop."""
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=WRITE_BYTES_MAX)
        peer = transport.get_extra_info("peername")
        self._place = self._places.of(peer[:2]) if peer else None
        if self._place is None:
            # Cut before its handshake was done.
            transport.abort()
        else:
            self._place.connected(transport)

    def data_received(self, data: bytes) -> None:
        """Called by the loop."""
        if self._place is not None:
            self._place.heard(self._places.now_s())
        super().data_received(data)

    def handle_events(self) -> None:
        """Called with what has come."""
        before = cast(object, self.cycle)
        super().handle_events()
        cycle = self.cycle
        if self._place is None or cycle is None or cycle.response_complete:
            return
        if cycle is not before:
            self._place.asked()
        if not cycle.more_body:
            self._place.complete()

    def on_response_complete(self) -> None:
        """Called when an answer is made; it may go on with the next request at once."""
        if self._place is not None:
            self._place.answered(self._places.now_s())
        if self.transport.get_write_buffer_size() and self.conn.trailing_data[0]:
            # Asked again before the last answer was taken: each further one would be held in memory beside it.
            self.transport.close()
        super().on_response_complete()


class ServerFaults(logging.Handler):
    """What the web server logs by itself: a line for the first of each kind, counted after that, no traceback."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._faults = FaultLog("page")

    def emit(self, record: logging.LogRecord) -> None:
        """Called by the library."""
        kind = "page.server_failed" if record.levelno >= logging.ERROR else "page.request_invalid"
        why = record.getMessage().strip()
        if record.exc_info and record.exc_info[1] is not None:
            why = f"{why}: {type(record.exc_info[1]).__name__}: {record.exc_info[1]}"
        self._faults.add(kind, why=why)


def take_over_logs() -> None:
    """The web server's own log goes through `ServerFaults`, nowhere else."""
    logger = logging.getLogger("uvicorn.error")
    logger.handlers, logger.propagate = [ServerFaults()], False
