"""The outlets on a real pty, real TCP and a real file: same bytes, readers that come, go, or are slow."""

import contextlib
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import head_decoder
import pytest
import serial
from pty_pair import one_pty, pty_pair
from waiting import PATIENCE_S

from firmware_sim import Head, load_scenario
from firmware_sim.outlets import FileOutlet, Outlet, OutletError, PtyOutlet, SerialOutlet, TcpOutlet
from firmware_sim.play import play

STEADY = load_scenario("steady")
CAPTURE_S = 60.0
WANTED = Head(STEADY).capture(CAPTURE_S)


class Flag:
    def __init__(self) -> None:
        self.up = False

    def __call__(self) -> bool:
        return self.up


@contextmanager
def playing(
    outlet: Outlet, stop: Flag, speed: float = 0.0, duration_s: float = CAPTURE_S
) -> Iterator[threading.Thread]:
    frames = Head(STEADY).frames(duration_s)
    thread = threading.Thread(target=play, args=(frames, outlet, speed, stop), daemon=True)
    thread.start()
    try:
        yield thread
    finally:
        stop.up = True
        thread.join(PATIENCE_S)
        outlet.close()
        assert not thread.is_alive()


def read_until(read: Callable[[], bytes], enough: Callable[[bytes], bool]) -> bytes:
    data, give_up = b"", time.monotonic() + PATIENCE_S
    while not enough(data) and time.monotonic() < give_up:
        data += read()
    return data


def test_pty_read_by_pyserial_gives_every_byte() -> None:
    """As fast as it is read, a pty hands pyserial the capture byte for byte, the end included."""
    stop = Flag()
    outlet = PtyOutlet(stop)
    with serial.Serial(outlet.path, 230_400, timeout=0.2) as port, playing(outlet, stop):
        data = read_until(lambda: port.read(4_096), lambda d: len(d) >= len(WANTED))
    assert data == WANTED


def test_pty_outlives_its_reader() -> None:
    """A reader who closes the pty and opens it again gets good frames again."""
    stop = Flag()
    outlet = PtyOutlet(stop)
    with playing(outlet, stop, duration_s=1e6):
        for _ in range(3):
            with serial.Serial(outlet.path, 230_400, timeout=0.2) as port:
                data = read_until(lambda p=port: p.read(4_096), lambda d: len(d) > 20_000)  # type: ignore[misc]
            assert len(head_decoder.decode(data).frames) > 40


def test_paced_pty_without_reader_drops_and_goes_on() -> None:
    """At a pace, with nobody reading, bytes are dropped and the head comes to its end by itself."""
    stop = Flag()
    outlet = PtyOutlet(stop)
    with playing(outlet, stop, speed=600.0, duration_s=300.0) as thread:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    assert outlet.dropped > 100_000


def test_patient_pty_without_reader_waits_and_stops_when_told() -> None:
    """As fast as it is read, with nobody reading, the head waits and can be stopped."""
    stop = Flag()
    outlet = PtyOutlet(stop)
    with playing(outlet, stop) as thread:
        thread.join(0.5)
        assert thread.is_alive()


def test_link_to_the_pty(tmp_path: Path) -> None:
    """A link is made to the pty, taken over from a dead one, gone at the end; a file in its place is left alone."""
    link = tmp_path / "head"
    link.symlink_to(tmp_path / "gone")
    outlet = PtyOutlet(Flag(), link)
    assert os.readlink(link) == outlet.path
    outlet.close()
    assert not link.is_symlink()
    link.write_text("mine")
    with pytest.raises(OutletError, match="cannot be made a link"):
        PtyOutlet(Flag(), link)
    assert link.read_text() == "mine"


def test_serial_port_gives_every_byte() -> None:
    """A serial port, here one end of a null-modem cable of ptys, carries the capture byte for byte."""
    stop = Flag()
    with pty_pair() as (near, far):
        fd = os.open(far, os.O_RDONLY | os.O_NOCTTY)
        tty.setraw(fd)
        outlet = SerialOutlet(near, 230_400, stop)
        with playing(outlet, stop):
            data = read_until(lambda: os.read(fd, 4_096), lambda d: len(d) >= len(WANTED))
        os.close(fd)
    assert data == WANTED


def test_serial_port_that_is_none() -> None:
    """A port that does not exist, is no device, or is somebody's already is told and not opened."""
    for port in ("/nonexistent/tty", "loop://"):
        with pytest.raises(OutletError, match="serial device"):
            SerialOutlet(port, 230_400, Flag())
    with one_pty() as (_, name), serial.Serial(name, exclusive=True):
        with pytest.raises(OutletError, match="cannot be opened"):
            SerialOutlet(name, 230_400, Flag())


def test_tcp_readers_get_every_byte() -> None:
    """As fast as it is read, the TCP server waits for its first reader and gives him the capture byte for byte."""
    stop = Flag()
    outlet = TcpOutlet("127.0.0.1", 0, stop)
    with playing(outlet, stop):
        with socket.create_connection(outlet.address, timeout=PATIENCE_S) as reader:
            data = read_until(lambda: reader.recv(4_096), lambda d: len(d) >= len(WANTED))
    assert data == WANTED


def test_tcp_reader_may_leave_and_another_come() -> None:
    """A TCP reader who leaves ends nothing; the next one gets frames from when he comes."""
    stop = Flag()
    outlet = TcpOutlet("127.0.0.1", 0, stop)
    with playing(outlet, stop, duration_s=1e6):
        for _ in range(2):
            with socket.create_connection(outlet.address, timeout=PATIENCE_S) as reader:
                data = read_until(lambda r=reader: r.recv(4_096), lambda d: len(d) > 20_000)  # type: ignore[misc]
            assert len(head_decoder.decode(data).frames) > 40


def test_tcp_paced_with_a_reader_who_does_not_read() -> None:
    """At a pace, a connected reader who does not read costs bytes, not the head."""
    stop = Flag()
    outlet = TcpOutlet("127.0.0.1", 0, stop)
    with socket.create_connection(outlet.address, timeout=PATIENCE_S):
        with playing(outlet, stop, speed=6_000.0, duration_s=6_000.0) as thread:
            thread.join(PATIENCE_S)
            assert not thread.is_alive()
    assert outlet.dropped > 1_000_000


def test_tcp_port_in_use() -> None:
    """A TCP port in use is told."""
    first = TcpOutlet("127.0.0.1", 0, Flag())
    with pytest.raises(OutletError, match="cannot be listened on"):
        TcpOutlet("127.0.0.1", first.address[1], Flag())
    first.close()


def test_file_is_the_capture(tmp_path: Path) -> None:
    """A capture file holds the capture; one that cannot be written is told."""
    outlet = FileOutlet(tmp_path / "x.cap")
    assert play(Head(STEADY).frames(CAPTURE_S), outlet, 0.0, Flag()) == len(WANTED)
    outlet.close()
    assert (tmp_path / "x.cap").read_bytes() == WANTED
    with pytest.raises(OutletError, match="cannot be written"):
        FileOutlet(tmp_path)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system to stand for a full disk")
def test_full_disk_is_told() -> None:
    """A full disk ends the capture with a message that says so."""
    outlet = FileOutlet(Path("/dev/full"))
    with pytest.raises(OutletError, match="make room"):
        play(Head(STEADY).frames(CAPTURE_S), outlet, 0.0, Flag())
    with contextlib.suppress(OutletError):
        outlet.close()
