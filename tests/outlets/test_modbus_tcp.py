"""The TCP server on loopback: measured faults of usual servers that must not be there, and its bounds."""

import random
import socket
import struct
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from panel_boards import Box, alarm, board, engine

from gateway.model.errors import PortError
from gateway.model.panel_settings import ModbusTcpSettings
from gateway.model.settings_file import checked_section
from gateway.model.snapshot import Snapshot
from gateway.outlets.modbus import tcp as modbus
from gateway.outlets.modbus.frames import mbap
from gateway.outlets.modbus.tcp import ModbusTcpServer

READ_VERSION = struct.pack(">BHH", 4, 0, 1)
VERSION_1 = bytes.fromhex("04 02 0001")


@pytest.fixture
def box() -> Box:
    return Box(board(engine(0, (alarm(3),)), engine(1, rpm=-50.0)))


@pytest.fixture
def server(box: Box) -> Iterator[ModbusTcpServer]:
    one = ModbusTcpServer(
        ModbusTcpSettings(port=0, acknowledge_enabled=True, connections_max=3), box.read, box.act, "0"
    )
    one.start()
    yield one
    one.stop()
    assert not one.is_alive()


def connect(server: ModbusTcpServer) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), timeout=180)


def receive(peer: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        chunk = peer.recv(size - len(data))
        if not chunk:
            break
        data += chunk
    return data


def ask(peer: socket.socket, unit: int, pdu: bytes) -> bytes:
    peer.sendall(mbap(77, unit, pdu))
    head = receive(peer, 7)
    transaction, protocol, length, answered_unit = struct.unpack(">HHHB", head)
    assert (transaction, protocol, answered_unit) == (77, 0, unit)
    return receive(peer, length - 1)


def is_closed(peer: socket.socket) -> bool:
    try:
        return receive(peer, 1) == b""
    except ConnectionError:
        return True


def test_pipelined_requests_are_all_answered(server: ModbusTcpServer) -> None:
    """Pins that several requests in one segment get as many answers, in order (a usual server answers one)."""
    with connect(server) as peer:
        peer.sendall(b"".join(mbap(n, 1, READ_VERSION) for n in range(50)))
        assert receive(peer, 50 * 11) == b"".join(mbap(n, 1, VERSION_1) for n in range(50))


def test_garbage_closes_the_connection_and_the_next_one_works(server: ModbusTcpServer) -> None:
    """Pins that garbage does not leave a connection deaf for ever, and that a good request before it is answered."""
    with connect(server) as peer:
        peer.sendall(mbap(1, 1, READ_VERSION) + b"\xffgarbage of some length")
        assert receive(peer, 1_000) == mbap(1, 1, VERSION_1)
    with connect(server) as peer:
        assert ask(peer, 1, READ_VERSION) == VERSION_1


def test_exceptions_carry_the_function_and_leave_the_connection_working(server: ModbusTcpServer) -> None:
    """Pins 84 03 for a bad quantity, E3 01 for an unknown function (a usual server says 80 01), then an answer."""
    with connect(server) as peer:
        assert ask(peer, 1, struct.pack(">BHH", 4, 0, 0)) == b"\x84\x03"
        assert ask(peer, 1, struct.pack(">BHH", 4, 0, 126)) == b"\x84\x03"
        assert ask(peer, 1, bytes((99, 1, 2))) == b"\xe3\x01"
        assert ask(peer, 1, READ_VERSION) == VERSION_1


def test_units(server: ModbusTcpServer) -> None:
    """Pins unit n + 1 for engine n, 0 and 255 for engine 0, and exception 0B for nobody, without noise."""
    rpm = struct.pack(">BHH", 4, 3, 1)
    with connect(server) as peer:
        assert ask(peer, 1, rpm) == ask(peer, 0, rpm) == ask(peer, 255, rpm) == bytes.fromhex("04 02 0374")
        assert ask(peer, 2, rpm) == b"\x04\x02" + struct.pack(">h", -500)
        assert ask(peer, 3, rpm) == ask(peer, 254, rpm) == b"\x84\x0b"


def test_the_heartbeat_is_the_board_s(server: ModbusTcpServer, box: Box) -> None:
    """Pins that the heartbeat moves with the pipeline's board, not with the server."""
    beat = struct.pack(">BHH", 4, 1, 1)
    with connect(server) as peer:
        assert ask(peer, 1, beat) == ask(peer, 1, beat) == bytes.fromhex("04 02 0007")
        box.view = replace(box.view, heartbeat=8)
        assert ask(peer, 1, beat) == bytes.fromhex("04 02 0008")


def test_a_coil_acknowledges_with_the_peer_s_address(server: ModbusTcpServer, box: Box) -> None:
    """Pins that the act names who asked, by address and port."""
    pdu = struct.pack(">BHH", 5, 103, 0xFF00)
    with connect(server) as peer:
        host, port = peer.getsockname()
        assert ask(peer, 1, pdu) == pdu
    assert box.acts == [("acknowledge", "engine-0", 3, f"modbus-tcp:{host}:{port}")]


@pytest.mark.parametrize(
    "changes", [{"acknowledge_enabled": False}, {"acknowledge_enabled": True, "acknowledge_from": ["192.0.2.0/24"]}]
)
def test_no_coil_for_who_may_not(box: Box, changes: dict[str, object]) -> None:
    """Pins exception 01 where acknowledging is off, or not for this peer."""
    one = ModbusTcpServer(checked_section(ModbusTcpSettings, {"port": 0, **changes}), box.read, box.act, "0")
    one.start()
    try:
        with connect(one) as peer:
            assert ask(peer, 1, struct.pack(">BHH", 5, 0, 0xFF00)) == b"\x85\x01"
    finally:
        one.stop()
    assert box.acts == []


def connect_from(server: ModbusTcpServer, source: str) -> socket.socket:
    """From another address of loopback."""
    return socket.create_connection(("127.0.0.1", server.port), timeout=180, source_address=(source, 0))


def test_connections_are_bounded(server: ModbusTcpServer) -> None:
    """Pins that one connection too many from a fourth address is closed and that those that are served stay served."""
    peers = [connect_from(server, f"127.0.0.{n}") for n in (2, 3, 4)]
    try:
        for peer in peers:
            assert ask(peer, 1, READ_VERSION) == VERSION_1
        with connect_from(server, "127.0.0.5") as late:
            assert is_closed(late)
        for peer in peers:
            assert ask(peer, 1, READ_VERSION) == VERSION_1
        assert server.connections == 3
    finally:
        for peer in peers:
            peer.close()


def test_an_address_with_most_places_gives_way(server: ModbusTcpServer) -> None:
    """Pins that a newcomer displaces the longest silent connection of the address that holds most, however busy."""
    peers = [connect_from(server, "127.0.0.2") for _ in range(3)]
    try:
        for peer in peers:
            assert ask(peer, 1, READ_VERSION) == VERSION_1
        with connect_from(server, "127.0.0.3") as panel:
            assert ask(panel, 1, READ_VERSION) == VERSION_1
            assert is_closed(peers[0])
            with connect_from(server, "127.0.0.2") as greedy:
                assert ask(greedy, 1, READ_VERSION) == VERSION_1
            assert ask(panel, 1, READ_VERSION) == VERSION_1
    finally:
        for peer in peers:
            peer.close()


def test_a_silent_connection_makes_room(server: ModbusTcpServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that where each address holds one place, the one longest silent gives way."""
    monkeypatch.setattr(modbus, "IDLE_BEFORE_DISPLACED_S", 0.0)
    peers = []
    try:
        for n in range(4):
            peers.append(connect_from(server, f"127.0.0.{2 + n}"))
            assert ask(peers[-1], 1, READ_VERSION) == VERSION_1
        assert is_closed(peers[0])
    finally:
        for peer in peers:
            peer.close()


def test_places_are_reserved_for_the_panels(box: Box) -> None:
    """Pins that half of the places stay free for the addresses named in the settings, and those are never displaced."""
    settings = checked_section(ModbusTcpSettings, {"port": 0, "connections_max": 4, "panels": ["127.0.0.9"]})
    one = ModbusTcpServer(settings, box.read, box.act, "0")
    one.start()
    peers = []
    try:
        peers = [connect_from(one, f"127.0.0.{2 + n}") for n in range(2)]
        panels = [connect_from(one, "127.0.0.9") for _ in range(2)]
        peers += panels
        for peer in peers:
            assert ask(peer, 1, READ_VERSION) == VERSION_1
        with connect_from(one, "127.0.0.7") as late:
            assert is_closed(late)
        for panel in panels:
            assert ask(panel, 1, READ_VERSION) == VERSION_1
    finally:
        for peer in peers:
            peer.close()
        one.stop()


def test_idle_connections_are_closed(box: Box) -> None:
    """Pins the idle time-out."""
    one = ModbusTcpServer(ModbusTcpSettings(port=0, idle_timeout_s=0.05), box.read, box.act, "0")
    one.start()
    try:
        with connect(one) as peer:
            assert receive(peer, 1) == b""
    finally:
        one.stop()


def test_a_peer_that_never_reads_does_not_stop_the_others(
    server: ModbusTcpServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pins that one peer's full socket is its own trouble, and that it is let go in the end."""
    with connect(server) as deaf, connect(server) as good:
        deaf.settimeout(0.2)
        with pytest.raises(TimeoutError):
            deaf.sendall(mbap(1, 1, struct.pack(">BHH", 4, 0, 16)) * 1_000_000)
        assert ask(good, 1, READ_VERSION) == VERSION_1
        assert server.connections == 2
        monkeypatch.setattr(modbus, "STUCK_MAX_S", 0.0)
        end = time.monotonic() + 180
        while server.connections == 2 and time.monotonic() < end:
            time.sleep(0.01)
        assert ask(good, 1, READ_VERSION) == VERSION_1
        assert server.connections == 1


def test_an_address_in_use_is_told(server: ModbusTcpServer, box: Box) -> None:
    """Pins a clear error, with what to do, where the port is taken."""
    second = ModbusTcpServer(ModbusTcpSettings(port=server.port), box.read, box.act, "0")
    with pytest.raises(PortError, match="choose a free port"):
        second.start()


def test_a_fault_of_our_own_costs_one_connection(server: ModbusTcpServer, box: Box) -> None:
    """Pins that a board that cannot be read closes the connection that asked, and that the server serves on."""

    def broken() -> Snapshot:
        raise ZeroDivisionError

    server._board = broken
    with connect(server) as peer:
        peer.sendall(mbap(1, 1, READ_VERSION))
        assert is_closed(peer)
    server._board = box.read
    with connect(server) as peer:
        assert ask(peer, 1, READ_VERSION) == VERSION_1


def test_random_garbage_neither_kills_nor_acknowledges(server: ModbusTcpServer, box: Box) -> None:
    """Pins that a hundred connections full of seeded garbage leave the server serving, with no act made."""
    rng = random.Random(4)
    for _ in range(100):
        with connect(server) as peer:
            peer.sendall(rng.randbytes(rng.randrange(1, 600)))
            peer.shutdown(socket.SHUT_WR)
            assert any(is_closed(peer) for _ in range(1_000))
    with connect(server) as peer:
        assert ask(peer, 1, READ_VERSION) == VERSION_1
    assert box.acts == []
