"""The Modbus TCP server, on a thread and an event loop of its own. Needs neither broker nor disk.

Engine n (0-based) is unit n + 1; units 0 and 255, which panels use for "the device itself", are engine 0. Another unit
is answered with exception 0B (no such target). What is no Modbus closes the connection: there is no way to find the
next request.
"""

import asyncio
import contextlib
import ipaddress
import threading
import time
from collections.abc import Callable

import structlog

from gateway.model.errors import PortError
from gateway.model.panel_settings import ModbusTcpSettings
from gateway.model.snapshot import ActSender, EngineView, SnapshotReader
from gateway.outlets.modbus.frames import TcpRequest, mbap
from gateway.outlets.modbus.pdu import TARGET_SILENT, Asked, answer, exception
from gateway.outlets.modbus.peer import Peer

_log = structlog.get_logger("ports")

STUCK_MAX_S = 10.0
"""A peer that asks and does not take the answers is let go."""
IDLE_BEFORE_PUSHED_OUT_S = 30.0
"""When all places are taken, a newcomer gets the place of the one longest silent, if it has been silent for so long:
panels that lost power come back before their old connections time out."""
SWEEP_S_MAX = 1.0
START_WITHIN_S = 5.0
DEVICE_UNITS = frozenset((0, 255))


class ModbusTcpServer:
    """The server. `port` is the port listened on, `connections` how many peers there are."""

    def __init__(self, settings: ModbusTcpSettings, board: SnapshotReader, act: ActSender, version: str) -> None:
        self.name = f"modbus-tcp:{settings.listen}:{settings.port}"
        self.fault = ""
        self.port = settings.port
        self.answered = 0
        self._settings = settings
        self._board = board
        self._act = act
        self._version = version
        self._peers: set[Peer] = set()
        self._full_told = False
        self._started = threading.Event()
        self._end: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)

    @property
    def connections(self) -> int:
        """Peers connected now."""
        return len(self._peers)

    def start(self) -> None:
        """Listen. Raises PortError where the address cannot be had."""
        self._thread.start()
        self._started.wait(START_WITHIN_S)
        if self.fault:
            raise PortError(self.fault)

    def stop(self) -> None:
        """Close all connections and wait for the thread, at most five seconds."""
        self._end()
        if self._thread.ident is not None:
            self._thread.join(5.0)

    def is_alive(self) -> bool:
        """Whether the thread runs; one that is dead without `stop` is to be told and replaced."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except OSError as e:
            s = self._settings
            self.fault = (
                f"Modbus TCP cannot listen on {s.listen} port {s.port}: {e.strerror or e}; choose a free port "
                "above 1023 and an address of this machine"
            )
        finally:
            self._started.set()

    async def _serve(self) -> None:
        s = self._settings
        loop = asyncio.get_running_loop()
        ending = asyncio.Event()
        server = await loop.create_server(lambda: Peer(self), s.listen, s.port)
        self.port = server.sockets[0].getsockname()[1]
        self._end = _threadsafe(loop, ending)
        self._started.set()
        sweep_s = min(SWEEP_S_MAX, s.idle_timeout_s / 4)
        while not ending.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(ending.wait(), sweep_s)
            self._sweep(time.monotonic())
        server.close()
        for peer in list(self._peers):
            peer.abort()
        await asyncio.sleep(0)

    def _sweep(self, now: float) -> None:
        for peer in list(self._peers):
            is_stuck = peer.stuck_s is not None and now - peer.stuck_s > STUCK_MAX_S
            if is_stuck or now - peer.heard_s > self._settings.idle_timeout_s:
                peer.abort()

    def admit(self, peer: Peer) -> bool:
        """Called by a new connection: whether there is a place for it."""
        if len(self._peers) >= self._settings.connections_max:
            oldest = min(self._peers, key=lambda p: p.heard_s)
            if peer.heard_s - oldest.heard_s < IDLE_BEFORE_PUSHED_OUT_S:
                self._tell_full(peer)
                return False
            self._peers.discard(oldest)
            oldest.abort()
        self._peers.add(peer)
        self._full_told = self._full_told and len(self._peers) == self._settings.connections_max
        return True

    def dismiss(self, peer: Peer) -> None:
        """Called by a connection that is gone."""
        self._peers.discard(peer)

    def _tell_full(self, peer: Peer) -> None:
        tell = _log.debug if self._full_told else _log.warning
        tell("Modbus connection refused: all places taken", peer=peer.address)
        self._full_told = True

    def reply(self, request: TcpRequest, peer: Peer) -> bytes:
        """Called by a connection: the answer to one request."""
        self.answered += 1
        board = self._board()
        engine = engine_of_unit(request.unit, board.engines)
        if engine is None:
            return mbap(request.transaction, request.unit, exception(request.pdu[0], TARGET_SILENT))
        result = answer(request.pdu, Asked(board, engine, self._may_write(peer.address), self._version))
        for act in result.acts:
            self._act(act.kind, act.engine, act.no, f"modbus-tcp:{peer.address}")
        return mbap(request.transaction, request.unit, result.pdu)

    def _may_write(self, address: str) -> bool:
        s = self._settings
        if not s.acknowledge_enabled or not s.acknowledge_from:
            return s.acknowledge_enabled
        try:
            peer = ipaddress.ip_address(address.rpartition(":")[0].strip("[]").partition("%")[0])
        except ValueError:
            return False
        return any(peer in network for network in s.acknowledge_from)


def engine_of_unit(unit: int, engines: tuple[EngineView, ...]) -> EngineView | None:
    """The engine behind a unit identifier of 0–255, or `None`."""
    index = 0 if unit in DEVICE_UNITS else unit - 1
    return engines[index] if index < len(engines) else None


def _threadsafe(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> Callable[[], None]:
    def end() -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed already
            loop.call_soon_threadsafe(event.set)

    return end
