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
from dataclasses import dataclass, field

import structlog

from gateway.model.board import ActSender, BoardReader, EngineView
from gateway.model.errors import PortError
from gateway.model.panel_settings import ModbusTcpSettings
from gateway.ports.modbus_frames import MbapSplitter, TcpRequest, mbap
from gateway.ports.modbus_pdu import TARGET_SILENT, Asked, answer, exception

_log = structlog.get_logger("ports")

READ_BYTES = 4_096
DRAIN_WITHIN_S = 10.0
"""A peer that asks and does not take the answers is let go."""
IDLE_BEFORE_PUSHED_OUT_S = 30.0
"""When all places are taken, a newcomer gets the place of the one longest silent, if it has been silent for so long:
panels that lost power come back before their old connections time out."""
START_WITHIN_S = 5.0
DEVICE_UNITS = frozenset((0, 255))


@dataclass(eq=False)
class _Peer:
    writer: asyncio.StreamWriter
    address: str
    may_write: bool
    heard_s: float
    splitter: MbapSplitter = field(default_factory=MbapSplitter)


class ModbusTcpServer:
    """The server. `port` is the port listened on, `connections` how many peers there are."""

    def __init__(self, settings: ModbusTcpSettings, board: BoardReader, act: ActSender, version: str) -> None:
        self.name = f"modbus-tcp:{settings.listen}:{settings.port}"
        self.fault = ""
        self.port = settings.port
        self.answered = 0
        self._settings = settings
        self._board = board
        self._act = act
        self._version = version
        self._peers: set[_Peer] = set()
        self._full_told = False
        self._tasks: set[asyncio.Task[None]] = set()
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
        server = await asyncio.start_server(self._connected, s.listen, s.port, limit=READ_BYTES)
        self.port = server.sockets[0].getsockname()[1]
        self._end = _threadsafe(loop, ending)
        self._started.set()
        await ending.wait()
        server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        address = _address(writer)
        peer = _Peer(writer, address, self._may_write(address), time.monotonic())
        try:
            if self._place_for(peer):
                await self._converse(reader, peer)
        except (TimeoutError, OSError, asyncio.CancelledError):
            pass
        finally:
            self._peers.discard(peer)
            self._tasks.discard(task)
            await _close(writer)

    def _place_for(self, peer: _Peer) -> bool:
        if len(self._peers) >= self._settings.connections_max:
            oldest = min(self._peers, key=lambda p: p.heard_s)
            if peer.heard_s - oldest.heard_s < IDLE_BEFORE_PUSHED_OUT_S:
                self._tell_full(peer)
                return False
            self._peers.discard(oldest)
            oldest.writer.transport.abort()
        self._peers.add(peer)
        self._full_told = self._full_told and len(self._peers) == self._settings.connections_max
        return True

    def _tell_full(self, peer: _Peer) -> None:
        tell = _log.debug if self._full_told else _log.warning
        tell("Modbus connection refused: all places taken", peer=peer.address)
        self._full_told = True

    async def _converse(self, reader: asyncio.StreamReader, peer: _Peer) -> None:
        is_modbus = True
        while is_modbus:
            data = await asyncio.wait_for(reader.read(READ_BYTES), self._settings.idle_timeout_s)
            if not data:
                return
            peer.heard_s = time.monotonic()
            requests, is_modbus = peer.splitter.feed(data)
            if requests:
                peer.writer.write(b"".join(self._reply(r, peer) for r in requests))
                await asyncio.wait_for(peer.writer.drain(), DRAIN_WITHIN_S)
        _log.info("Modbus connection closed: what came is no Modbus", peer=peer.address)

    def _reply(self, request: TcpRequest, peer: _Peer) -> bytes:
        self.answered += 1
        board = self._board()
        engine = engine_of_unit(request.unit, board.engines)
        if engine is None:
            return mbap(request.transaction, request.unit, exception(request.pdu[0], TARGET_SILENT))
        result = answer(request.pdu, Asked(board, engine, peer.may_write, self._version))
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


def _address(writer: asyncio.StreamWriter) -> str:
    name = writer.get_extra_info("peername") or ("unknown", 0)
    host, port = name[:2]
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


async def _close(writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError, TimeoutError, asyncio.CancelledError):
        writer.close()
        await asyncio.wait_for(writer.wait_closed(), 1.0)
