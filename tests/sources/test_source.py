"""The head's port: opened, read in batches, bounded, stopped; over a pty and over TCP on loopback."""

import os
import queue
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
import serial.rfc2217
from structlog.testing import capture_logs
from waiting import PATIENCE_S

from gateway.model.settings import HeadSettings
from gateway.sources.head import BATCH_S, Chunk, HeadSource


def wait_for(true: Callable[[], bool]) -> bool:
    """Whether it became true in PATIENCE_S."""
    until = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.01)
    return True


def take(out: "queue.Queue[Chunk]", size: int) -> bytes:
    """The next bytes of the queue, until `size` have come."""
    got = b""
    until = time.monotonic() + PATIENCE_S
    while len(got) < size and time.monotonic() < until:
        try:
            got += out.get(timeout=0.1)[0]
        except queue.Empty:
            continue
    return got


@pytest.fixture
def pty_pair() -> Iterator[tuple[int, str]]:
    """A raw pty: the head's end, and the name of the gateway's end."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


@pytest.fixture
def started() -> Iterator[Callable[[HeadSource], HeadSource]]:
    """Starts sources and stops them all at the end."""
    running: list[HeadSource] = []

    def start(source: HeadSource) -> HeadSource:
        running.append(source)
        source.start()
        return source

    yield start
    for source in running:
        assert source.stop()


def head(port: str) -> HeadSettings:
    return HeadSettings(slug="main", port=port)


Start = Callable[[HeadSource], HeadSource]


def test_bytes_of_a_pty_arrive_whole_and_in_order(pty_pair: tuple[int, str], started: Start) -> None:
    """All 256 byte values pass a pty unchanged, behind the word that the port was opened; the tap sees the same."""
    out: queue.Queue[Chunk] = queue.Queue(100)
    tapped: list[bytes] = []
    source = started(HeadSource(head(pty_pair[1]), out, tap=tapped.append))
    assert out.get(timeout=PATIENCE_S)[0] == b""
    sent = bytes(range(256)) * 8
    for at in range(0, len(sent), 100):
        os.write(pty_pair[0], sent[at : at + 100])
    assert take(out, len(sent)) == sent
    assert b"".join(tapped) == sent
    state = source.state()
    assert (state.is_open, state.opens, state.bytes_in, state.dropped_bytes) == (True, 1, len(sent), 0)
    assert state.last_bytes_s is not None and "listening" in state.text


def test_small_writes_are_gathered(pty_pair: tuple[int, str], started: Start) -> None:
    """Many small writes in quick succession come as few chunks: each wake-up costs."""
    out: queue.Queue[Chunk] = queue.Queue(1_000)
    started(HeadSource(head(pty_pair[1]), out))
    out.get(timeout=PATIENCE_S)
    began_s = time.monotonic()
    for _ in range(200):
        os.write(pty_pair[0], b"abcd")
        time.sleep(0.001)
    chunks, size = 0, 0
    while size < 800:
        size += len(out.get(timeout=PATIENCE_S)[0])
        chunks += 1
    # One wake-up each BATCH_S and no more, however long the machine takes over the writes.
    assert chunks < 20 + (time.monotonic() - began_s) / BATCH_S


def test_stop_before_bytes_came(pty_pair: tuple[int, str]) -> None:
    """A source that hears nothing stops when asked, and may be asked twice, and before it was started."""
    source = HeadSource(head(pty_pair[1]), queue.Queue(1))
    source.start()
    assert wait_for(lambda: source.state().is_open)
    assert source.stop() and source.stop()
    assert source.state().text == "stopped"
    assert HeadSource(head(pty_pair[1]), queue.Queue(1)).stop()


def test_full_queue_drops_the_oldest_and_counts(pty_pair: tuple[int, str], started: Start) -> None:
    """With the pipeline stuck the newest bytes are kept, the oldest go, and each byte gone is counted."""
    out: queue.Queue[Chunk] = queue.Queue(2)
    source = started(HeadSource(head(pty_pair[1]), out))
    assert wait_for(lambda: source.state().is_open)
    for i in range(6):
        os.write(pty_pair[0], bytes([i]) * 10)
        assert wait_for(lambda want=10 * (i + 1): source.state().bytes_in == want)  # type: ignore[misc]
    assert wait_for(lambda: source.state().dropped_bytes == 40)
    assert take(out, 20) == bytes([4]) * 10 + bytes([5]) * 10


def test_full_queue_may_hold_the_head_up_instead(pty_pair: tuple[int, str], started: Start) -> None:
    """With `when_full="wait"` nothing is dropped, and the thread still beats and still stops while it waits."""
    out: queue.Queue[Chunk] = queue.Queue(1)
    source = started(HeadSource(head(pty_pair[1]), out, when_full="wait"))
    assert wait_for(lambda: source.state().is_open)
    os.write(pty_pair[0], b"held")
    assert wait_for(lambda: source.state().bytes_in == 4)
    before = source.state().last_beat_s
    assert wait_for(lambda: source.state().last_beat_s > before)
    assert take(out, 4) == b"held" and source.state().dropped_bytes == 0


def test_unbounded_queue_is_refused(pty_pair: tuple[int, str]) -> None:
    """A queue without a bound is a mistake of the caller's, told at once."""
    with pytest.raises(ValueError, match="bounded"):
        HeadSource(head(pty_pair[1]), queue.Queue())


def test_tap_that_fails_is_put_off(pty_pair: tuple[int, str], started: Start) -> None:
    """A raw capture that fails costs the capture, not the measuring."""
    out: queue.Queue[Chunk] = queue.Queue(100)

    def broken(_: bytes) -> None:
        raise OSError("disk full")

    source = started(HeadSource(head(pty_pair[1]), out, tap=broken))
    assert wait_for(lambda: source.state().is_open)
    for word in (b"one", b"two"):
        os.write(pty_pair[0], word)
        assert take(out, 3) == word


def test_tcp_socket_is_read_and_found_again(started: Start) -> None:
    """A socket:// port loses nothing from the first byte on, and is connected to anew when it closes."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        out: queue.Queue[Chunk] = queue.Queue(1_000)
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        source = started(HeadSource(head(url), out, backoff_s=(0.05, 0.1)))
        big = os.urandom(3_000_000)
        for sent in (b"first" * 1_000, big):
            peer, _ = server.accept()
            with peer:
                peer.sendall(sent)
                assert take(out, len(sent)) == sent
        assert wait_for(lambda: source.state().opens >= 2)


def test_port_without_descriptor_is_read(started: Start) -> None:
    """A port that has no descriptor is read by pyserial's own call: here its loop://, into which the test writes."""
    made: list[serial.SerialBase] = []
    real = serial.serial_for_url

    def keep(*args: object, **kwargs: object) -> serial.SerialBase:
        made.append(real(*args, **kwargs))  # type: ignore[arg-type]
        return made[-1]

    out: queue.Queue[Chunk] = queue.Queue(100)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serial, "serial_for_url", keep)
        source = started(HeadSource(head("loop://"), out))
        assert wait_for(lambda: source.state().is_open)
    made[0].write(b"around")
    assert take(out, 6) == b"around"


class Converter(threading.Thread):
    """A serial-to-Ethernet converter that speaks RFC 2217, as pyserial's own server side does, over its loop://."""

    def __init__(self, server: socket.socket, sends: bytes) -> None:
        super().__init__(daemon=True)
        self.server, self.sends = server, sends
        self.may_send, self.done = threading.Event(), threading.Event()

    def run(self) -> None:
        line = serial.serial_for_url("loop://")
        peer, _ = self.server.accept()
        with peer:
            peer.settimeout(0.05)
            self.write = peer.sendall
            manager = serial.rfc2217.PortManager(line, self)
            left = self.sends
            while not self.done.is_set():
                try:
                    b"".join(manager.filter(peer.recv(1_000)))
                except TimeoutError:
                    if left and self.may_send.is_set():
                        peer.sendall(b"".join(manager.escape(left)))
                        left = b""


@pytest.mark.filterwarnings("ignore::DeprecationWarning:serial")
def test_rfc2217_port_is_read_and_its_loss_is_told(started: Start) -> None:
    """Behind a converter that speaks RFC 2217 all byte values arrive, and its going away is noticed and told."""
    sent = bytes(range(256)) * 3
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        converter = Converter(server, sent)
        converter.start()
        out: queue.Queue[Chunk] = queue.Queue(100)
        source = started(HeadSource(head(f"rfc2217://127.0.0.1:{server.getsockname()[1]}"), out))
        assert wait_for(lambda: source.state().is_open)
        converter.may_send.set()
        assert take(out, len(sent)) == sent
        converter.done.set()
        converter.join(PATIENCE_S)
    assert wait_for(lambda: "lost rfc2217" in source.state().text or "cannot open" in source.state().text)


def test_stop_after_a_fast_batch_tells_no_fault(pty_pair: tuple[int, str]) -> None:
    """A stop right after a burst of bytes is no loss of the port: nothing is warned of."""
    out: queue.Queue[Chunk] = queue.Queue(100)
    with capture_logs() as logs:
        source = HeadSource(head(pty_pair[1]), out)
        source.start()
        assert wait_for(lambda: source.state().is_open)
        feeder = threading.Thread(target=os.write, args=(pty_pair[0], bytes(60_000)), daemon=True)
        feeder.start()
        take(out, 60_000)
        feeder.join(PATIENCE_S)
        assert source.stop()
    assert [e for e in logs if e["log_level"] == "warning"] == []


def test_second_reader_of_a_port_is_refused(pty_pair: tuple[int, str], started: Start) -> None:
    """The second source on one port does not open it and says that another process holds it; the first reads on."""
    out: queue.Queue[Chunk] = queue.Queue(100)
    first = started(HeadSource(head(pty_pair[1]), out))
    assert wait_for(lambda: first.state().is_open)
    second = started(HeadSource(head(pty_pair[1]), queue.Queue(1)))
    assert wait_for(lambda: "held by another process" in second.state().text)
    assert not second.state().is_open
    os.write(pty_pair[0], b"still")
    assert take(out, 5) == b"still"


def test_thread_outlives_a_fault_nobody_thought_of(
    pty_pair: tuple[int, str], started: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even an error of a kind that should not be does not end the thread: it says so and tries again."""
    import gateway.sources.head as under_test

    opened = under_test.open_port
    calls: list[int] = []

    def sometimes(settings: HeadSettings) -> object:
        calls.append(1)
        if len(calls) == 1:
            raise ZeroDivisionError("nobody thought of it")
        return opened(settings)

    monkeypatch.setattr(under_test, "open_port", sometimes)
    source = started(HeadSource(head(pty_pair[1]), queue.Queue(9), backoff_s=(0.01, 0.01)))
    assert wait_for(lambda: source.state().is_open) and source.is_alive()


def test_missing_port_then_plugged_in(tmp_path: Path, pty_pair: tuple[int, str], started: Start) -> None:
    """A port that is not there yet is told, and used as soon as it is."""
    link = tmp_path / "head"
    out: queue.Queue[Chunk] = queue.Queue(100)
    source = started(HeadSource(head(str(link)), out, backoff_s=(0.02, 0.05)))
    assert wait_for(lambda: "does not exist" in source.state().text)
    link.symlink_to(pty_pair[1])
    assert wait_for(lambda: source.state().is_open)
    os.write(pty_pair[0], b"here")
    assert take(out, 4) == b"here"


def raw_pty() -> tuple[int, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave


def test_a_port_that_vanishes_is_reported_once_it_cannot_be_opened_again(started: Start, tmp_path: Path) -> None:
    """A link to a pty stands for a plugged adapter: gone with its pty, and back with another one."""
    texts: queue.Queue[str] = queue.Queue()
    port = tmp_path / "head"
    master, slave = raw_pty()
    port.symlink_to(os.ttyname(slave))
    out: queue.Queue[Chunk] = queue.Queue(100)
    source = started(HeadSource(head(str(port)), out, lost=texts.put, backoff_s=(0.02, 0.02)))
    # What waited in the port before it is opened is discarded.
    assert wait_for(lambda: source.state().is_open)
    os.write(master, b"abc")
    assert take(out, 3) == b"abc"
    assert texts.empty()
    port.unlink()
    os.close(slave)
    os.close(master)
    text = texts.get(timeout=PATIENCE_S)
    assert str(port) in text and "vanished" in text and "check the plug" in text
    master, slave = raw_pty()
    port.symlink_to(os.ttyname(slave))
    try:
        while texts.get(timeout=PATIENCE_S):
            pass
    finally:
        os.close(slave)
        os.close(master)
