"""The RTU server on a pseudo-terminal: silent where it must be, recovering from anything."""

import os
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from panel_boards import Box, alarm, board, engine
from pty_pair import one_pty, read_some
from waiting import PATIENCE_S

from gateway.model.panel_settings import ModbusRtuSettings
from gateway.outlets.modbus.frames import rtu_frame
from gateway.outlets.modbus.rtu import ModbusRtuServer

READ = bytes.fromhex("04 0000 0001")
ANSWER = bytes.fromhex("04 02 0001")
WRITE_ALL = bytes.fromhex("05 0000 ff00")


@dataclass
class Line:
    fd: int
    server: ModbusRtuServer
    box: Box

    def ask(self, frame: bytes, size: int) -> bytes:
        os.write(self.fd, frame)
        data = b""
        while len(data) < size and (chunk := read_some(self.fd, PATIENCE_S)):
            data += chunk
        return data

    def works(self) -> bool:
        return self.ask(rtu_frame(1, READ), 7) == rtu_frame(1, ANSWER)


@pytest.fixture
def line() -> Iterator[Line]:
    box = Box(board(engine(0, (alarm(3),)), engine(1)))
    with one_pty() as (fd, name):
        settings = ModbusRtuSettings(port=name, parity="N", acknowledge_enabled=True)
        server = ModbusRtuServer(settings, box.read, box.act, "0")
        server.start()
        assert server.ready.wait(180)
        yield Line(fd, server, box)
        server.stop()
        assert not server.is_alive()


@pytest.mark.parametrize(
    "frame",
    [
        rtu_frame(6, READ),
        rtu_frame(3, READ),
        rtu_frame(247, WRITE_ALL),
        rtu_frame(6, ANSWER),
        rtu_frame(0, READ),
        rtu_frame(0, WRITE_ALL),
        rtu_frame(1, b"\x84\x02"),
    ],
)
def test_not_for_us_stays_unanswered_and_undone(line: Line, frame: bytes) -> None:
    """Pins silence for foreign addresses, broadcasts and others' exceptions (a usual server answers 06 84 04)."""
    assert line.works()
    os.write(line.fd, frame)
    assert read_some(line.fd, 0.15) == b""
    assert line.works()
    assert line.box.acts == []


def test_exceptions_and_the_next_request(line: Line) -> None:
    """Pins that bad quantities and unknown functions are answered rightly and that the next request is not lost."""
    assert line.ask(rtu_frame(1, bytes.fromhex("04 0000 0000")), 5) == rtu_frame(1, b"\x84\x03")
    assert line.works()
    assert line.ask(rtu_frame(1, bytes.fromhex("04 0000 007e")), 5) == rtu_frame(1, b"\x84\x03")
    assert line.ask(rtu_frame(2, b"\x63"), 5) == rtu_frame(2, b"\xe3\x01")
    assert line.works()


@pytest.mark.parametrize("seed", range(5))
def test_the_first_request_after_garbage_is_heard(line: Line, seed: int) -> None:
    """Pins that garbage, bad CRCs and half frames cost no later request (a usual server loses one)."""
    rng = random.Random(seed)
    for junk in (rng.randbytes(rng.randrange(1, 900)), rtu_frame(1, READ)[:5], rtu_frame(1, READ)[:-1] + b"\0"):
        os.write(line.fd, junk)
        time.sleep(0.02)
        assert line.works()
    assert line.box.acts == []


def test_others_traffic_in_one_lump(line: Line) -> None:
    """Pins that a question and answer of another device that arrive glued to our request do not hide it."""
    others = rtu_frame(9, READ) + rtu_frame(9, ANSWER)
    assert line.ask(others + rtu_frame(1, READ), 7) == rtu_frame(1, ANSWER)


def test_a_coil_names_the_line(line: Line) -> None:
    """Pins that an acknowledgement over the line is done once and names the port it came by."""
    assert line.ask(rtu_frame(1, WRITE_ALL), 8) == rtu_frame(1, WRITE_ALL)
    assert line.box.acts == [("acknowledge-all", "engine-0", None, line.server.name)]


def test_a_missing_device_is_told_and_tried_again() -> None:
    """Pins that a port that cannot be opened is a fault in plain words and not a dead thread; stop still ends it."""
    box = Box(board())
    server = ModbusRtuServer(ModbusRtuSettings(port="/nonexistent/tty"), box.read, box.act, "0")
    server.start()
    end = time.monotonic() + 180
    while not server.fault and time.monotonic() < end:
        time.sleep(0.01)
    assert "/nonexistent/tty: cannot be opened" in server.fault
    assert server.is_alive()
    server.stop()
    assert not server.is_alive()
