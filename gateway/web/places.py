"""How many connections the page holds, in all and from one address, and for how long each may keep us waiting.

The web server has no time limit before a request's header is complete, and counts a connection only when a request
has come; with TLS it does not know of one before the handshake. So the limits stand where connections are accepted:
`Listener` is a socket whose `accept` asks `Places` first. One rule decides who goes when there is no room: the
connection that has kept us waiting longest for its peer. A viewer whose request is being answered is not waiting.
"""

import contextlib
import socket
import struct
import time
from collections.abc import Callable
from typing import Protocol

from gateway.fault_log import FaultLog

HEADER_S = 5.0
"""From the connection, or from the first byte of a further request, to its complete header."""
IDLE_S = 15.0
"""Between two requests."""
STILL_S = 10.0
"""A reader that takes nothing for so long is cut off."""
SLOW_S = 2.0
"""A reader that takes nothing for so long gives way to others where there is no room."""
SOCKET_BYTES = 65_536
"""The kernel's buffers of one connection, each way: they count as the service's memory, and grow to megabytes."""
UNSENT_BYTES_MAX = 2_000_000
"""Of all answers together that wait for their readers. Beyond, the one with most gives way."""
WRITE_BYTES_MAX = 32_768
"""Of an answer held back by a slow reader, beyond which its making pauses."""

Address = tuple[str, int]


class Transport(Protocol):
    """What a place needs of a connection."""

    def get_write_buffer_size(self) -> int:
        """Bytes written and not yet taken by the kernel."""

    def abort(self) -> None:
        """Close at once."""


class Place:
    """One connection. `host`: the peer's address without the port."""

    def __init__(self, address: Address, cut: Callable[[], None], now_s: float) -> None:
        self.address = address
        self.host = address[0]
        self._cut = cut
        self._transport: Transport | None = None
        self._until_s: float | None = now_s + HEADER_S
        self._waiting_s: float | None = now_s
        self._idle = False
        self._unsent, self._moved_s = 0, now_s

    def connected(self, transport: Transport) -> None:
        """The connection is set up, with TLS after its handshake."""
        self._transport = transport

    def heard(self, now_s: float) -> None:
        """Bytes came: between requests they begin the next one's header, whose time then runs."""
        if self._idle:
            self._idle = False
            self._until_s = now_s + HEADER_S

    def asked(self) -> None:
        """The header of a request is complete. Its body may still be awaited, so the peer may still be waited for."""
        self._until_s = None

    def complete(self) -> None:
        """The whole request is here: now the peer waits for us."""
        self._waiting_s = None

    def answered(self, now_s: float) -> None:
        """The answer is made."""
        self._idle = True
        self._until_s = now_s + IDLE_S
        self._waiting_s = now_s

    def waiting_since_s(self, now_s: float) -> float | None:
        """Since when its peer keeps us waiting, by sending nothing or by taking nothing; None: it waits for us."""
        if self._waiting_s is None and now_s - self._moved_s >= SLOW_S:
            return self._moved_s
        return self._waiting_s

    def is_over(self, now_s: float) -> bool:
        """Whether it has kept us waiting for too long, at its header, between requests, or by not reading."""
        if self._until_s is not None and now_s >= self._until_s:
            return True
        unsent = self.unsent
        if unsent == 0 or unsent < self._unsent:
            self._moved_s = now_s
        self._unsent = unsent
        return now_s - self._moved_s >= STILL_S

    @property
    def unsent(self) -> int:
        """Bytes of its answer that the kernel has not taken yet."""
        return 0 if self._transport is None else self._transport.get_write_buffer_size()

    def cut(self) -> None:
        """Close it at once."""
        if self._transport is not None:
            self._transport.abort()
        else:
            self._cut()


class Places:
    """All connections of the page; used by the page's own thread only."""

    def __init__(self, total: int, per_address: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._total, self._per_address, self._clock = total, per_address, clock
        self._held: dict[Address, Place] = {}
        self._faults = FaultLog("page")

    def __len__(self) -> int:
        return len(self._held)

    def now_s(self) -> float:
        """The clock that places are judged by."""
        return self._clock()

    def of(self, address: Address) -> Place | None:
        """The place of a peer's address and port."""
        return self._held.get(address)

    def take(self, address: Address, cut: Callable[[], None]) -> Place | None:
        """A place for a new connection, made free where need be; None where every peer is being served."""
        same = [p for p in self._held.values() if p.host == address[0]]
        full = same if len(same) >= self._per_address else list(self._held.values())
        if len(full) >= (self._per_address if full is same else self._total) and not self._make_room(full):
            self._faults.add("page.connection_refused", address=address[0], connections=len(self._held))
            return None
        place = Place(address, cut, self._clock())
        self._held[address] = place
        return place

    def _make_room(self, among: list[Place]) -> bool:
        now_s = self._clock()
        waiting = [(since_s, p) for p in among if (since_s := p.waiting_since_s(now_s)) is not None]
        if not waiting:
            return False
        _, place = min(waiting, key=lambda pair: pair[0])
        self._faults.add("page.connection_displaced", address=place.host, connections=len(self._held))
        self.free(place)
        place.cut()
        return True

    def free(self, place: Place) -> None:
        """The connection is closed. A second time does nothing, also when its address has been used again since."""
        if self._held.get(place.address) is place:
            del self._held[place.address]

    def sweep(self) -> None:
        """Once a second: cut off those that have kept us waiting for too long."""
        now_s = self._clock()
        for place in [p for p in self._held.values() if p.is_over(now_s)]:
            place.cut()
        self.relieve()

    def relieve(self) -> None:
        """Cut off the readers with most unsent bytes until all together have few enough."""
        unsent = sorted(((p.unsent, n, p) for n, p in enumerate(self._held.values()) if p.unsent), reverse=True)
        total = sum(size for size, _, _ in unsent)
        for size, _, place in unsent:
            if total <= UNSENT_BYTES_MAX:
                return
            total -= size
            self._faults.add("page.reader_cut", address=place.host, unsent_bytes=size)
            place.cut()


class _Connection(socket.socket):
    """An accepted socket that gives its place back when it is closed."""

    place: Place | None = None
    places: Places | None = None

    def close(self) -> None:
        super().close()
        place, self.place = self.place, None
        if place is not None and self.places is not None:
            self.places.free(place)

    def end(self) -> None:
        """Let whoever reads or writes here see that it is over."""
        with contextlib.suppress(OSError):
            self.shutdown(socket.SHUT_RDWR)


class Listener(socket.socket):
    """A listening socket whose `accept` knows only connections that have a place."""

    def __init__(self, listening: socket.socket, places: Places) -> None:
        """Take `listening` over."""
        super().__init__(listening.family, listening.type, listening.proto, fileno=listening.detach())
        self._places = places
        for option in (socket.SO_SNDBUF, socket.SO_RCVBUF):
            self.setsockopt(socket.SOL_SOCKET, option, SOCKET_BYTES)

    def accept(self) -> tuple[socket.socket, tuple[str, int]]:
        """As a socket's; BlockingIOError, which means "none just now", where the newcomer was sent away."""
        accepted, address = super().accept()
        connection = _Connection(self.family, self.type, self.proto, fileno=accepted.detach())
        place = self._places.take(address[:2], connection.end)
        if place is None:
            # Reset instead of closing politely: nothing of it stays in the kernel.
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            connection.close()
            raise BlockingIOError
        connection.place, connection.places = place, self._places
        return connection, address
