"""A second broker that is hostile: what it grants, acknowledges and sends is wrong; the first is not held up."""

import contextlib
import random
import socket
import struct
import threading
import time
from collections.abc import Callable

from daemon_rig import until

from tests.attack.case import case
from tests.attack.on_mqtt import ROOT, Stranger
from tests.attack.rig import Ship

SPELL_S = 1.0


def packet(first: int, body: bytes) -> bytes:
    """An MQTT control packet."""
    length, n = b"", len(body)
    while True:
        n, low = divmod(n, 128)
        length += bytes([low | (128 if n else 0)])
        if not n:
            return bytes([first]) + length + body


def connack(properties: bytes = b"", code: int = 0) -> bytes:
    """Of version 5."""
    return packet(0x20, bytes([0, code, len(properties)]) + properties)


def publish(topic: bytes, payload: bytes, first: int = 0x32, mid: int = 1) -> bytes:
    """A PUBLISH of version 5; the id only with a QoS."""
    ident = struct.pack(">H", mid) if first & 6 else b""
    return packet(first, struct.pack(">H", len(topic)) + topic + ident + b"\0" + payload)


Answer = Callable[[random.Random], bytes]
GRANTED: dict[str, bytes] = {
    "server keep-alive 0": connack(b"\x13\0\0"),
    "server keep-alive 1": connack(b"\x13\0\1"),
    "receive maximum 1": connack(b"\x21\0\1"),
    "receive maximum 0": connack(b"\x21\0\0"),
    "maximum packet 0": connack(b"\x27\0\0\0\0"),
    "maximum packet 1": connack(b"\x27\0\0\0\1"),
    "maximum packet 30": connack(b"\x27\0\0\0\x1e"),
    "no QoS 1": connack(b"\x24\0"),
    "nothing retained": connack(b"\x25\0"),
    "topic aliases": connack(b"\x22\xff\xff"),
    "another client id": connack(b"\x12\xff\xff" + b"x" * 0),
    "the same property twice": connack(b"\x21\0\1\x21\0\2"),
    "an unknown property": connack(b"\x7f\0"),
    "session present at a clean start": packet(0x20, b"\1\0\0"),
    "refused for ever": connack(code=0x87),
    "busy": connack(code=0x89),
    "no such code": connack(code=0x7F),
    "use another server": connack(b"\x1c\0\x0cevil.example", 0x9D),
    "two of them": connack() + connack(),
    "short": packet(0x20, b"\0"),
    "long": packet(0x20, b"\0\0\0" + b"x" * 9_000),
    "length without end": b"\x20\xff\xff\xff\xff\xff\xff",
    "no MQTT": b"HTTP/1.1 400 Bad Request\r\n\r\n",
    "nothing": b"",
}
THEN: dict[str, Answer] = {
    "acknowledges what was never sent": lambda r: packet(0x40, struct.pack(">H", r.randrange(1, 65_536))),
    "acknowledges id 0": lambda _r: packet(0x40, b"\0\0"),
    "wrong codes": lambda r: packet(0x40, struct.pack(">HBB", r.randrange(1, 60), r.randrange(256), 0)),
    "PUBREC, PUBREL, PUBCOMP": lambda r: packet(r.choice((0x50, 0x62, 0x70)), struct.pack(">H", r.randrange(1, 60))),
    "SUBACK of nothing": lambda r: packet(0x90, struct.pack(">HBB", r.randrange(65_536), 0, 0x87)),
    "a flood of topics": lambda r: b"".join(publish(b"t/%d" % r.randrange(10**6), b"x" * 200) for _ in range(100)),
    "receipts at QoS 2": lambda r: publish(ROOT.encode() + b"/received", b"{}", 0x34, r.randrange(1, 65_536)),
    "receipts beyond": lambda r: publish(ROOT.encode() + b"/received", b'{"v":1,"seq":%d}' % r.getrandbits(60), 0x30),
    "a request from shore": lambda r: publish(
        ROOT.encode() + b"/do", b'{"v":1,"id":"%d","do":"shelve"}' % r.getrandbits(60)
    ),
    "topic alias 0": lambda _r: packet(0x30, b"\0\0\x03\x23\0\0x"),
    "an empty topic": lambda _r: publish(b"", b"x", 0x30),
    "a topic that is no UTF-8": lambda _r: publish(b"\xff\xfe\0", b"x", 0x30),
    "wildcards in a topic": lambda _r: publish(b"#/+", b"x", 0x30),
    "QoS 3": lambda _r: publish(b"t", b"x", 0x36),
    "a message of 63 KB": lambda _r: publish(ROOT.encode() + b"/received", b"[" * 63_000, 0x30),
    "answers to no ping": lambda _r: b"\xd0\0" * 100,
    "sends away": lambda r: packet(0xE0, bytes([r.choice((0x81, 0x8B, 0x8E, 0x93, 0x95, 0x9C, 0xFF)), 0])),
    "a CONNECT": lambda _r: packet(0x10, b"\0\4MQTT\5\2\0\0\0\0\0"),
    "noise": lambda r: r.randbytes(300),
    "QoS 1, and reads no answer": lambda r: (
        publish(ROOT.encode() + b"/received", b"{}", 0x32, r.randrange(1, 65_536)) * 500
    ),
    "AUTH": lambda _r: packet(0xF0, b"\x18\0"),
}


class HostileBroker(threading.Thread):
    """Takes one connection after another. `tried`: how often each answer was given."""

    def __init__(self, port: int, seed: int, spell_s: float = SPELL_S) -> None:
        super().__init__(daemon=True)
        self._server = socket.create_server(("127.0.0.1", port))
        self._server.settimeout(0.5)
        self._rng, self._spell_s = random.Random(seed), spell_s
        self._moods = [(g, "") for g in GRANTED] + [("", t) for t in THEN]
        self._rng.shuffle(self._moods)
        self.tried = 0
        self._over = threading.Event()

    def run(self) -> None:
        """Until `end`."""
        while not self._over.is_set():
            with contextlib.suppress(OSError):
                connection, _ = self._server.accept()
                with connection, contextlib.suppress(OSError):
                    self._answer(connection, *self._moods[self.tried % len(self._moods)])
                self.tried += 1

    def _answer(self, connection: socket.socket, granted: str, then: str) -> None:
        connection.settimeout(0.05)
        time.sleep(0.05)
        connection.sendall(GRANTED.get(granted, connack()))
        until_s = time.monotonic() + self._spell_s
        while time.monotonic() < until_s and not self._over.is_set():
            if then:
                connection.sendall(THEN[then](self._rng))
            with contextlib.suppress(TimeoutError):
                if "reads no answer" not in then and not connection.recv(65_536):
                    return

    @property
    def moods(self) -> int:
        """How many there are."""
        return len(self._moods)

    def end(self) -> None:
        """Hang up."""
        self._over.set()
        self.join(10.0)
        self._server.close()


@case("a broker that grants, acknowledges and sends nonsense, one answer a connection", second=True)
def hostile_broker(ship: Ship) -> None:
    """Events go on to the other broker; the log hardly grows."""
    logged = ship.log_bytes()
    listener = Stranger(ship.broker.port, f"{ROOT}/main/event")
    ship.attackers.callback(listener.close)
    ship.attackers.enter_context(ship.broker_turn)
    broker = HostileBroker(ship.second_broker_port, 17)
    ship.attackers.callback(broker.end)
    broker.start()
    until(lambda: broker.tried >= broker.moods, "every answer was given once", 150.0)
    heard = len(listener.heard[f"{ROOT}/main/event"])
    until(lambda: len(listener.heard[f"{ROOT}/main/event"]) > heard, "alarms go on to the ship's broker", 30.0)
    assert ship.log_bytes() - logged < 60_000, f"{ship.log_bytes() - logged} bytes of log"


@case("a broker that hangs up at once, for 20 s", second=True)
def broker_hangs_up(ship: Ship) -> None:
    """The pauses between the tries grow, the log does not."""
    logged = ship.log_bytes()
    ship.attackers.enter_context(ship.broker_turn)
    broker = HostileBroker(ship.second_broker_port, 3, spell_s=0.0)
    ship.attackers.callback(broker.end)
    broker.start()
    time.sleep(20.0)
    assert broker.tried <= 20.0 / 0.1, f"{broker.tried} connections in 20 s"
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log"
