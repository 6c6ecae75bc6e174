"""The Modbus TCP server, on a thread and an event loop of its own. Needs neither broker nor disk.

Engine n (0-based) is unit n + 1; units 0 and 255, which panels use for "the device itself", are engine 0. Another unit
is answered with exception 0B (no such target). What is no Modbus closes the connection: there is no way to find the
next request.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Iterable
from ipaddress import IPv4Network, IPv6Network, ip_address

from gateway.fault_log import FaultLog, loop_faults
from gateway.model.errors import PortError
from gateway.model.panel_settings import ModbusTcpSettings
from gateway.model.snapshot import ActSender, EngineView, SnapshotReader
from gateway.outlets.modbus.frames import TcpRequest, mbap
from gateway.outlets.modbus.pdu import TARGET_SILENT, Asked, answer, exception
from gateway.outlets.modbus.peer import Peer

STUCK_MAX_S = 10.0
"""A peer that asks and does not take the answers is let go."""
IDLE_BEFORE_DISPLACED_S = 5.0
"""Where no address holds more places than the others, the one silent longest gives way if it was silent for so long."""
ACCEPTED_AT_ONCE = 16
"""Of one turn of the loop: so many descriptors may be held above the number of places for a moment."""
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
        self._faults = FaultLog("ports")
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
        """Whether the thread runs; one that is dead without `stop` is to be reported and replaced."""
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
        loop_faults(loop, "modbus.loop_failed")
        ending = asyncio.Event()
        server = await loop.create_server(lambda: Peer(self), s.listen, s.port, backlog=ACCEPTED_AT_ONCE)
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
        """Called by a new connection: whether there is a place for it, freed where need be."""
        is_panel = self._is_panel(peer)
        group = [p for p in self._peers if self._is_panel(p) is is_panel]
        if len(group) >= self._places(is_panel):
            oldest = displaced(group, peer)
            if oldest is None:
                self._faults.add("modbus.connection_refused", peer=peer.address, connections=len(self._peers))
                return False
            self._faults.add("modbus.connection_displaced", peer=oldest.address, by=peer.address)
            self._peers.discard(oldest)
            oldest.abort()
        self._peers.add(peer)
        return True

    def _places(self, is_panel: bool) -> int:
        """How many connections panels, or all others, may have now."""
        most = self._settings.connections_max
        if not self._settings.panels:
            return most
        for_others = most // 2
        others = sum(not self._is_panel(p) for p in self._peers)
        return most - others if is_panel else for_others

    def _is_panel(self, peer: Peer) -> bool:
        return is_within(peer.host, self._settings.panels)

    def dismiss(self, peer: Peer) -> None:
        """Called by a connection that is gone."""
        self._peers.discard(peer)

    def reply(self, request: TcpRequest, peer: Peer) -> bytes:
        """Called by a connection: the answer to one request."""
        self.answered += 1
        board = self._board()
        engine = engine_of_unit(request.unit, board.engines)
        if engine is None:
            return mbap(request.transaction, request.unit, exception(request.pdu[0], TARGET_SILENT))
        result = answer(request.pdu, Asked(board, engine, self._may_write(peer.host), self._version))
        for act in result.acts:
            self._act(act.kind, act.engine, act.no, f"modbus-tcp:{peer.address}")
        return mbap(request.transaction, request.unit, result.pdu)

    def _may_write(self, host: str) -> bool:
        s = self._settings
        if not s.acknowledge_enabled or not s.acknowledge_from:
            return s.acknowledge_enabled
        return is_within(host, s.acknowledge_from)


def is_within(host: str, networks: Iterable[IPv4Network | IPv6Network]) -> bool:
    """Whether an address, as the kernel writes it, belongs to one of these networks."""
    try:
        address = ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return any(address in network for network in networks)


def displaced(peers: Iterable[Peer], newcomer: Peer) -> Peer | None:
    """Which of `peers` gives way to `newcomer`: the one silent longest of the address that holds most places.

    An address that holds most takes from itself. None: all hold as many as the newcomer would, and none is silent.
    """
    by_host: dict[str, list[Peer]] = {}
    for peer in peers:
        by_host.setdefault(peer.host, []).append(peer)
    most = max(map(len, by_host.values()), default=0)
    own = len(by_host.get(newcomer.host, ())) + 1
    candidates = [p for group in by_host.values() if len(group) == most for p in group]
    if own > most:
        candidates = by_host.get(newcomer.host, candidates)
    oldest = min(candidates, key=lambda p: p.heard_s, default=None)
    if oldest is None or (own == most == 1 and newcomer.heard_s - oldest.heard_s < IDLE_BEFORE_DISPLACED_S):
        return None
    return oldest


def engine_of_unit(unit: int, engines: tuple[EngineView, ...]) -> EngineView | None:
    """The engine behind a unit identifier of 0–255, or `None`."""
    index = 0 if unit in DEVICE_UNITS else unit - 1
    return engines[index] if index < len(engines) else None


def _threadsafe(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> Callable[[], None]:
    def end() -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed already
            loop.call_soon_threadsafe(event.set)

    return end
