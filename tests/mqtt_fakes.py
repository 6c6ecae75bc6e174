"""What the MQTT tests stand on: an outbox in memory, a scripted broker, and a real Mosquitto where there is one."""

import contextlib
import os
import random
import re
import select
import shutil
import signal
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from waiting import until as until

from gateway.cli.embedded_broker import find_mosquitto
from gateway.model.settings import BrokerSettings
from gateway.model.settings_file import checked_section

needs_mosquitto = pytest.mark.skipif(
    find_mosquitto() is None or shutil.which("mosquitto_sub") is None,
    reason="mosquitto and mosquitto_sub are not installed (apt install mosquitto mosquitto-clients): the check against "
    "the second MQTT implementation is left out",
)


PORT_MIN, EPHEMERAL_PORT_MIN = 10_000, 32_768
WORKERS_MAX = 16


def free_port() -> int:
    """A port of loopback that is free now, and that nothing else of this run takes.

    It is below those that the kernel gives to clients, and each worker has a range of its own: between here and the
    moment in which a process binds it, no other test can come by it.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0")[2:]) % WORKERS_MAX
    each = (EPHEMERAL_PORT_MIN - PORT_MIN) // WORKERS_MAX
    chance = random.SystemRandom()
    for _ in range(100):
        port = PORT_MIN + worker * each + chance.randrange(each)
        with socket.socket() as s, contextlib.suppress(OSError):
            s.bind(("127.0.0.1", port))
            return port
    raise OSError("no free port among a hundred tried")


def broker_settings(port: int, **more: object) -> BrokerSettings:
    """A broker of loopback with short pauses."""
    return checked_section(
        BrokerSettings,
        {"name": "ship", "host": "127.0.0.1", "port": port, "backoff_s_min": 0.05, "backoff_s_max": 0.4, **more},
    )


@dataclass(frozen=True)
class Event:
    """A row of the outbox."""

    seq: int
    topic: str
    payload: bytes
    kind: str = "alarm"


@dataclass(frozen=True)
class Retained:
    """A retained state."""

    topic: str
    klass: str
    rev: int
    payload: bytes


@dataclass(frozen=True)
class Trend:
    """A trend in line."""

    n: int
    topic: str
    payload: bytes


class MemoryOutbox:
    """The outbox, in memory, for one broker; keeps what `done` was told."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.events: list[Event] = []
        self.retained: dict[str, Retained] = {}
        self.retained_done: dict[str, int] = {}
        self.placed = 0
        self.places: list[int] = []
        self.trends: list[Trend] = []
        self.trends_placed = 0

    def line_up(self, topic: str, payload: bytes) -> None:
        """A trend for a broker that wants every one: in line, and the latest of its topic."""
        self.put(topic, payload, "trend")
        with self.lock:
            self.trends.append(Trend(self.retained[topic].rev, topic, payload))

    def add(self, count: int, topic: str = "camdrift/1/t/main/event", size: int = 0) -> None:
        """Append events whose payload is their seq, filled up to `size` bytes."""
        with self.lock:
            for _ in range(count):
                seq = self.events[-1].seq + 1 if self.events else 1
                self.events.append(Event(seq, topic, str(seq).encode().ljust(size)))

    def put(self, topic: str, payload: bytes, klass: str = "alarm") -> None:
        """Set a retained state."""
        with self.lock:
            old = self.retained.get(topic)
            self.retained[topic] = Retained(topic, klass, (old.rev if old else 0) + 1, payload)

    def reader(self) -> "MemoryOutbox":
        """As the factory gives it."""
        return self

    def retained_due(self, limit: int) -> list[Retained]:
        with self.lock:
            in_line = {(t.topic, t.n) for t in self.trends if t.n > self.trends_placed}
            due = [r for r in self.retained.values() if self.retained_done.get(r.topic, 0) < r.rev]
            return [r for r in due if (r.topic, r.rev) not in in_line][:limit]

    def trends_due(self, after: int, limit: int) -> list[Trend]:
        with self.lock:
            return [t for t in self.trends if t.n > max(after, self.trends_placed)][:limit]

    def events_due(self, after_seq: int, limit: int) -> list[Event]:
        with self.lock:
            return [e for e in self.events if e.seq > max(after_seq, self.placed)][:limit]

    def done(self, upto_seq: int | None, retained: object, upto_trend: int | None = None) -> None:
        with self.lock:
            if upto_trend is not None:
                self.trends_placed = upto_trend
                self.retained_done |= {t.topic: t.n for t in self.trends if t.n <= upto_trend}
            if upto_seq is not None:
                self.placed = upto_seq
                self.places.append(upto_seq)
            for topic, rev in retained:  # type: ignore[attr-defined]
                self.retained_done[topic] = max(rev, self.retained_done.get(topic, 0))

    def alarm_waits(self) -> int:
        with self.lock:
            alarms = [r for r in self.retained.values() if r.klass == "alarm"]
            return max((r.rev for r in alarms if self.retained_done.get(r.topic, -1) not in (0, r.rev)), default=0)

    def forget_retained(self) -> None:
        with self.lock:
            self.retained_done = dict.fromkeys(self.retained_done, 0)

    def place(self) -> int:
        return self.placed

    def trend_place(self) -> int:
        return self.trends_placed


def _pack(first: int, body: bytes) -> bytes:
    assert len(body) < 128
    return bytes([first, len(body)]) + body


@dataclass
class Script:
    """How the scripted broker behaves; may be changed while it runs."""

    ack: bool = True
    connack: int = 0
    answer_connect: bool = True
    code: Callable[[str], int] = lambda _topic: 0
    receive_maximum: int | None = None
    packet_max: int | None = None
    drop_after: int | None = None
    """Close the connection after so many messages, those unacknowledged."""
    ping: bool = True


@dataclass
class ScriptedBroker:
    """A tiny MQTT broker that does what its script says and remembers what it heard: just enough of 5 and 3.1.1."""

    script: Script = field(default_factory=Script)
    heard: list[tuple[str, bytes, int, bool]] = field(default_factory=list)
    """(topic, payload, QoS, retain) in order of arrival."""
    connects: list[bytes] = field(default_factory=list)
    goodbyes: int = 0
    unacked_most: int = 0
    violated: bool = False
    _waiting: list[tuple[bytes, str]] = field(default_factory=list)
    _first: float = 0.0

    def __post_init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening and close what is open."""
        self._over.set()
        self._thread.join(180)
        self._server.close()

    def payloads(self, topic: str) -> list[bytes]:
        """What came on a topic, in order."""
        return [p for t, p, _, _ in self.heard if t == topic]

    def _accept(self) -> None:
        while not self._over.is_set():
            if select.select([self._server], [], [], 0.05)[0]:
                conn, _ = self._server.accept()
                with conn, contextlib.suppress(OSError, EOFError, IndexError):
                    conn.settimeout(0.05)
                    self._talk(conn)

    def _read(self, conn: socket.socket, count: int) -> bytes:
        got = b""
        while len(got) < count:
            if self._over.is_set():
                raise EOFError
            with contextlib.suppress(TimeoutError):
                more = conn.recv(count - len(got))
                if not more:
                    raise EOFError
                got += more
        return got

    def _length(self, conn: socket.socket) -> int:
        value = shift = 0
        while True:
            (byte,) = self._read(conn, 1)
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def _talk(self, conn: socket.socket) -> None:
        five, unacked, count = True, 0, 0
        self._waiting = []
        while True:
            (first,) = self._read(conn, 1)
            body = self._read(conn, self._length(conn))
            kind = first & 0xF0
            if kind == 0x10:
                five = body[6] == 5
                self.connects.append(body)
                if self.script.answer_connect:
                    conn.sendall(self._connack(five))
                if self.script.connack:
                    return
            elif kind == 0x30:
                unacked += self._publish(conn, five, first, body)
                count += 1
                self.unacked_most = max(self.unacked_most, unacked)
                if self.script.receive_maximum is not None and unacked > self.script.receive_maximum:
                    self.violated = True
                    conn.sendall(_pack(0xE0, b"\x93\x00"))
                    return
                if self.script.drop_after is not None and count >= self.script.drop_after:
                    return
                unacked -= self._answer(conn, five, unacked)
            elif kind == 0xC0 and self.script.ping:
                conn.sendall(b"\xd0\x00")
            elif kind == 0xE0:
                self.goodbyes += 1
                return

    def _connack(self, five: bool) -> bytes:
        if not five:
            return _pack(0x20, bytes([0, self.script.connack]))
        props = b""
        if self.script.receive_maximum is not None:
            props += b"\x21" + struct.pack(">H", self.script.receive_maximum)
        if self.script.packet_max is not None:
            props += b"\x27" + struct.pack(">I", self.script.packet_max)
        return _pack(0x20, bytes([0, self.script.connack, len(props)]) + props)

    def _publish(self, conn: socket.socket, five: bool, first: int, body: bytes) -> int:
        size = struct.unpack(">H", body[:2])[0]
        topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
        qos = first >> 1 & 3
        mid, rest = (rest[:2], rest[2:]) if qos else (b"", rest)
        payload = rest[1 + rest[0] :] if five else rest
        self.heard.append((topic, payload, qos, bool(first & 1)))
        if qos:
            self._first = self._first if self._waiting else time.monotonic()
            self._waiting.append((mid, topic))
        return int(qos > 0)

    def _answer(self, conn: socket.socket, five: bool, unacked: int) -> int:
        """Acknowledge once nothing more has come for a moment, so that the client's window fills up first."""
        if not self.script.ack or not unacked:
            return 0
        if select.select([conn], [], [], 0.02)[0] and time.monotonic() - self._first < 0.1:
            return 0
        waiting, self._waiting = self._waiting, []
        for mid, topic in waiting:
            code = self.script.code(topic)
            conn.sendall(_pack(0x40, mid + bytes([code, 0]) if five and code else mid))
        return unacked


class Mosquitto:
    """A real broker on a port of its own, to be killed and started again."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        user = ["user root"] if _is_root() else []
        base = [f"listener {self.port} 127.0.0.1", "set_tcp_nodelay true", *user]
        self._conf.write_text("\n".join([*base, *(lines or ("allow_anonymous true",))]) + "\n")
        self._child: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start and wait until it listens, at each of its doors: they open one after the other."""
        program = find_mosquitto()
        assert program is not None
        child = subprocess.Popen([program, "-c", str(self._conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._child = child
        ports = [int(port) for port in re.findall(r"^listener (\d+)", self._conf.read_text(), re.MULTILINE)]

        def listens() -> bool:
            assert child.poll() is None, "mosquitto has ended at once: its settings are wrong"
            for port in ports:
                try:
                    socket.create_connection(("127.0.0.1", port), 1).close()
                except OSError:
                    return False
            return True

        until(listens, "mosquitto listens")

    def kill(self) -> None:
        """As a power cut would."""
        assert self._child is not None
        self._child.kill()
        self._child.wait(180)

    def stop(self) -> None:
        """End it."""
        assert self._child is not None
        self._child.send_signal(signal.SIGTERM)
        try:
            self._child.wait(180)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait(180)


def _is_root() -> bool:
    return os.geteuid() == 0


class Subscriber:
    """`mosquitto_sub` as an independent reader: lines `retained topic payload`."""

    def __init__(self, port: int, topic: str = "#", *more: str) -> None:
        self.lines: list[tuple[str, str, str]] = []
        self._child = subprocess.Popen(
            ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-V", "mqttv5", "-q", "1", "-t", topic,
             "-t", "subscribed/marker", "-F", "%r %t %p", *more],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, bufsize=1,
        )  # fmt: skip
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            retained, topic, payload = line.rstrip("\n").split(" ", 2)
            self.lines.append((retained, topic, payload))

    def payloads(self, topic: str) -> list[str]:
        """What came on a topic, in order."""
        return [p for _, t, p in self.lines if t == topic]

    def close(self) -> None:
        """End it."""
        self._child.kill()
        self._child.wait(180)
        self._thread.join(180)


def publish(port: int, topic: str, payload: str, *more: str) -> None:
    """One message by `mosquitto_pub`."""
    command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic, "-m", payload, *more]
    subprocess.run(command, check=True, timeout=180)


@contextlib.contextmanager
def mosquitto(folder: Path, *lines: str) -> Iterator[Mosquitto]:
    """A Mosquitto for one test."""
    broker = Mosquitto(folder, *lines)
    try:
        yield broker
    finally:
        broker.stop()


@contextlib.contextmanager
def subscriber(port: int, topic: str = "#", *more: str) -> Iterator[Subscriber]:
    """A reader that has its subscription in place."""
    reader = Subscriber(port, topic, *more)
    try:

        def there() -> bool:
            publish(port, "subscribed/marker", "here", *more)
            time.sleep(0.02)
            return bool(reader.payloads("subscribed/marker"))

        until(there, "mosquitto_sub has subscribed")
        yield reader
    finally:
        reader.close()


@contextlib.contextmanager
def scripted(**script: object) -> Iterator[ScriptedBroker]:
    """A scripted broker for one test."""
    broker = ScriptedBroker(Script(**script))  # type: ignore[arg-type]
    try:
        yield broker
    finally:
        broker.close()
