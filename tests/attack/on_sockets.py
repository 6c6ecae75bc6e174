"""Attacks on the local socket, on Modbus, and on the process's descriptors."""

import contextlib
import json
import os
import socket
import struct
import subprocess
import sys
import threading
import time

import pytest
from daemon_rig import until

from gateway.model.errors import CamdriftError
from gateway.outlets.control_client import ask
from tests.attack.case import case
from tests.attack.panel import PANEL_ADDRESS, ModbusPanel
from tests.attack.rig import Ship, more_descriptors
from tests.attack.web import asked, connected, viewer_s

NOBODY = 65_534
HOLDER = """
import os, socket, sys, time
os.setuid(int(sys.argv[3]))
held = []
for _ in range(int(sys.argv[2])):
    s = socket.socket(socket.AF_UNIX)
    s.settimeout(2.0)
    try:
        s.connect(sys.argv[1])
    except OSError:
        break
    held.append(s)
print(len(held), flush=True)
time.sleep(60)
"""
"""Holds connections to the local socket as another user."""


def status_s(ship: Ship) -> float:
    """How long the shell's question takes, as this user. Raises Refused, PortError."""
    begun = time.monotonic()
    answer = ask(ship.socket_path, {"do": "status"})
    assert answer["status"]["version"]
    return time.monotonic() - begun


def held_by_nobody(ship: Ship, count: int) -> int:
    """Connections to the local socket held by another user; how many he got."""
    ship.socket_path.parent.chmod(0o755)
    ship.socket_path.parent.parent.chmod(0o755)
    ship.socket_path.chmod(0o666)
    words = [sys.executable, "-c", HOLDER, str(ship.socket_path), str(count), str(NOBODY)]
    child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)

    def end() -> None:
        child.kill()
        child.wait(10)

    ship.attackers.callback(end)
    assert child.stdout is not None
    with child.stdout:
        return int(child.stdout.readline())


@case("another user holds all places of the local socket")
def local_socket_held(ship: Ship) -> None:
    """Root and the daemon's own user are answered all the same. Needs root, to be another user."""
    if os.geteuid() != 0:
        pytest.skip("needs root")
    assert held_by_nobody(ship, 40) >= 8
    for _ in range(5):
        assert status_s(ship) < 5.0


class Asker(threading.Thread):
    """Holds a Modbus connection from an address and asks every `pause_s`; connects again when it is cut off."""

    def __init__(self, port: int, source: str, pause_s: float) -> None:
        super().__init__(daemon=True)
        self._port, self._source, self._pause_s = port, source, pause_s
        self.over = threading.Event()

    def run(self) -> None:
        """Until `over`."""
        while not self.over.is_set():
            try:
                with contextlib.closing(ModbusPanel(self._port, self._source)) as panel:
                    while not self.over.is_set():
                        panel.register(0)
                        self.over.wait(self._pause_s)
            except OSError:
                self.over.wait(0.1)


@case("60 Modbus connections that ask again and again, from one address and from 30", quick=True)
def modbus_places(ship: Ship) -> None:
    """The panel named in the settings is never kept waiting nor displaced."""
    askers = [Asker(ship.modbus_port, f"127.0.3.{1 + n % 30}", 0.5) for n in range(30)]
    askers += [Asker(ship.modbus_port, "127.0.3.99", 0.5) for _ in range(30)]
    for asker in askers:
        asker.start()

    def end() -> None:
        for asker in askers:
            asker.over.set()
        for asker in askers:
            asker.join(5.0)

    ship.attackers.callback(end)
    time.sleep(2.0)
    failed = ship.watch.failed
    for _ in range(10):
        with contextlib.closing(ModbusPanel(ship.modbus_port, PANEL_ADDRESS)) as panel:
            assert panel.register(0) == 1
        time.sleep(0.2)
    assert ship.watch.failed == failed, "the panel's own connection was cut off"


@case("Modbus: broken requests and floods of good ones that nobody reads", quick=True)
def modbus_garbage(ship: Ship) -> None:
    """Neither delays the panel."""
    logged = ship.log_bytes()
    for n in range(200):
        with contextlib.suppress(OSError), connected(ship.modbus_port, f"127.0.4.{1 + n % 9}") as s:
            s.sendall(struct.pack(">HHHB", n, n % 3, n % 300, n % 256) + os.urandom(n % 40))
    flood = ship.attackers.enter_context(connected(ship.modbus_port, "127.0.4.77", 4_096))
    flood.settimeout(0.5)
    with contextlib.suppress(OSError):
        flood.sendall((struct.pack(">HHHB", 1, 0, 6, 1) + struct.pack(">BHH", 4, 0, 16)) * 200_000)
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log"


@case("all descriptors used up for 8 s, by the page, Modbus and the local socket", together=False, descriptors=96)
def no_descriptors(ship: Ship) -> None:
    """Alarms go on meanwhile; afterwards the local socket, the page, a re-plugged broker and Modbus all work again.

    The limit is far below what the places of all outlets together need, so that they really run out.
    """
    more_descriptors()
    logged = ship.log_bytes()
    strangers: list[socket.socket] = []
    most = 0
    ends = [(ship.page_port, socket.AF_INET), (ship.modbus_port, socket.AF_INET)]
    until_s = time.monotonic() + 8.0
    while time.monotonic() < until_s:
        for port, _ in ends:
            with contextlib.suppress(OSError):
                strangers.append(connected(port, f"127.0.5.{1 + len(strangers) % 60}"))
        with contextlib.suppress(OSError):
            s = socket.socket(socket.AF_UNIX)
            s.setblocking(False)
            strangers.append(s)
            s.connect(str(ship.socket_path))
        most = max(most, ship.descriptors())
        if len(strangers) > 600:
            time.sleep(0.2)
    assert most >= 90, f"only {most} descriptors were used"
    ship.broker.kill()
    for s in strangers:
        s.close()
    ship.broker.start()
    until(lambda: works(ship), "local socket and page answer again", 20.0)
    until(lambda: _connected(ship), "the broker is connected again", 30.0)
    assert ship.log_bytes() - logged < 30_000, f"{ship.log_bytes() - logged} bytes of log"


def works(ship: Ship) -> bool:
    """Whether shell and page answer."""
    try:
        return status_s(ship) < 5.0 and viewer_s(ship.page_port) < 5.0
    except (OSError, AssertionError, CamdriftError):
        return False


def _connected(ship: Ship) -> bool:
    status, body, _ = asked(ship.page_port, "/api/status")
    return status == 200 and bool(json.loads(body)["brokers"]["ship"]["connected"])


PDUS: dict[str, bytes] = {
    "all coils at once": b"\x0f\0\x64\0\x20\x04\xff\xff\xff\xff",
    "2,000 coils": b"\x01\0\0\x07\xd0",
    "coils beyond": b"\x05\xff\xff\xff\0",
    "a coil half on": b"\x05\0\0\x12\x34",
    "registers to the end": b"\x04\xff\xff\0\x01",
    "registers round the corner": b"\x03\xff\xf0\0\x7d",
    "no registers": b"\x04\0\0\0\0",
    "65,535 registers": b"\x04\0\0\xff\xff",
    "a register written": b"\x06\0\0\0\0",
    "registers written and read": b"\x17\0\0\0\1\0\0\0\1\2\0\0",
    "identification, in pieces": b"\x2b\x0e\x01",
    "identification of nothing": b"\x2b\x0e\x04\xff",
    "CANopen": b"\x2b\x0d\0\0",
    "a count that is wrong": b"\x0f\0\0\0\x08\xff\xff",
    "diagnostics: restart": b"\x08\0\x01\xff\0",
    "a file": b"\x14\x07\x06\0\x04\0\x01\0\x02",
    "a queue": b"\x18\0\0",
    "an exception": b"\x84\x02",
    "function 0": b"\0",
    "nothing": b"",
}


@case(
    "Modbus requests that no panel makes: broadcasts, identification in pieces, coil storms from 20 addresses",
    quick=True,
)
def modbus_odd_requests(ship: Ship) -> None:
    """Each to every kind of unit a byte at a time; then 20,000 acknowledgements with nothing to acknowledge."""
    logged = ship.log_bytes()
    for n, (name, pdu) in enumerate(PDUS.items()):
        for unit in (0, 1, 2, 247, 255):
            whole = struct.pack(">HHHB", n, 0, len(pdu) + 1, unit) + pdu
            with contextlib.suppress(OSError), connected(ship.modbus_port, f"127.0.8.{1 + n % 20}") as s:
                s.settimeout(0.2)
                for at in range(len(whole)):
                    s.sendall(whole[at : at + 1])
                found = s.recv(300)
                assert len(found) <= 260, f"{name}: {len(found)} bytes"
    storm = (struct.pack(">HHHB", 1, 0, 6, 1) + b"\x05\0\0\xff\0") * 1_000
    for n in range(20):
        with contextlib.suppress(OSError), connected(ship.modbus_port, f"127.0.8.{1 + n}") as s:
            s.sendall(storm)
            s.settimeout(0.2)
            s.recv(65_536)
    assert ship.log_bytes() - logged < 40_000, f"{ship.log_bytes() - logged} bytes of log"


LINES: dict[str, bytes] = {
    "partial": b'{"do":"status"',
    "NUL": b'{"do":"sta\0tus"}\n',
    "only NUL": b"\0" * 60_000 + b"\n",
    "no UTF-8": b'{"do":"\xff\xfe"}\n',
    "surrogates": b'{"do":"\\ud800"}\n',
    "a list": b"[1,2,3]\n",
    "a number of 60,000 digits": b"9" * 60_000 + b"\n",
    "deep": b"[" * 60_000 + b"\n",
    "NaN": b'{"do":"shelve","engine":"main","alarm":"lag-limit","minutes":NaN}\n',
    "infinite": b'{"do":"shelve","engine":"main","alarm":"lag-limit","minutes":1e999}\n',
    "not a word": b'{"do":{"a":[]}}\n',
    "an engine that is none": b'{"do":"acknowledge","engine":["main"],"alarm":{"x":1}}\n',
    "a terminal's control characters": b'{"do":"\\u001b[2J","engine":"\\u0007\\r\\n"}\n',
    "the same key twice": b'{"do":"status","do":"shelve"}\n',
    "empty": b"\n",
    "100 requests in one": b'{"do":"status"}\n' * 100,
    "longer than allowed": b" " * 70_000,
}


@case("the local socket: partial, broken, deep and long requests, 300 times", quick=True)
def local_socket_odd_requests(ship: Ship) -> None:
    """Each is refused in one line without an unexpected fault; the shell is answered; the log hardly grows."""
    logged = ship.log_bytes()
    for n in range(300):
        name, line = list(LINES.items())[n % len(LINES)]
        with socket.socket(socket.AF_UNIX) as s, contextlib.suppress(OSError):
            s.settimeout(5.0)
            s.connect(str(ship.socket_path))
            s.sendall(line)
            s.shutdown(socket.SHUT_WR)
            found = s.recv(65_536)
            assert b"unexpected" not in found, f"{name}: {found[:200]!r}"
    assert status_s(ship) < 5.0
    assert ship.log_bytes() - logged < 40_000, f"{ship.log_bytes() - logged} bytes of log"


@case("500 Modbus connections that ask and reset at once", quick=True)
def modbus_churn(ship: Ship) -> None:
    """The panel's own connection stays, and no descriptor is left behind."""
    before, failed = ship.descriptors(), ship.watch.failed
    question = struct.pack(">HHHB", 1, 0, 6, 1) + struct.pack(">BHH", 4, 0, 16)
    for n in range(500):
        with contextlib.suppress(OSError), connected(ship.modbus_port, f"127.0.8.{1 + n % 200}") as s:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            s.sendall(question)
            s.send(b"!", socket.MSG_OOB)
    assert ship.watch.failed == failed, "the panel's own connection was cut off"
    until(lambda: ship.descriptors() <= before + 4, "the connections are given up", 20.0)


@case("descriptors passed over the local socket, and a request that comes a byte a second", quick=True)
def local_socket_descriptors(ship: Ship) -> None:
    """None of the descriptors is kept by the daemon; who trickles does not keep the shell waiting."""
    before = ship.descriptors()
    trickling = []
    for _ in range(6):
        s = ship.attackers.enter_context(socket.socket(socket.AF_UNIX))
        s.settimeout(2.0)
        s.connect(str(ship.socket_path))
        trickling.append(s)
    with open(os.devnull, "rb") as null:
        for n in range(100):
            with socket.socket(socket.AF_UNIX) as s, contextlib.suppress(OSError):
                s.settimeout(2.0)
                s.connect(str(ship.socket_path))
                socket.send_fds(s, [b'{"do":"status"}\n' if n % 2 else b"{"], [null.fileno()] * 50)
                s.shutdown(socket.SHUT_WR)
                s.recv(65_536)
            for held in trickling:
                with contextlib.suppress(OSError):
                    held.sendall(b" ")
            if n % 10 == 0:
                assert status_s(ship) < 5.0
    until(lambda: ship.descriptors() <= before + len(trickling) + 2, "the descriptors passed are closed", 20.0)
