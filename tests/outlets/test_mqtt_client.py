"""The bound on what a broker may send, in both versions of MQTT, on both sides of it."""

import contextlib
import socket
import threading
from collections.abc import Iterator

import pytest
import structlog
from daemon_rig import until
from mqtt_fakes import MemoryOutbox
from waiting import PATIENCE_S

from gateway.encode.topics import Topics
from gateway.model.settings import BrokerSettings
from gateway.mqtt_client import PACKET_BYTES_MAX
from gateway.outlets.mqtt.link import BrokerLink, Inbox, Timing

TOPIC = "camdrift/1/tern-passage/received"
CONNACK = {"5": b"\x20\x03\x00\x00\x00", "3.1.1": b"\x20\x02\x00\x00"}


def length(n: int) -> bytes:
    """A remaining length as MQTT writes it (MQTT 5, section 1.5.5)."""
    found = bytearray()
    while True:
        n, low = divmod(n, 128)
        found.append(low | (0x80 if n else 0))
        if not n:
            return bytes(found)


def small(protocol: str, qos: int, mid: int) -> bytes:
    """A PUBLISH with two bytes of payload."""
    body = len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + mid.to_bytes(2, "big")
    body += (b"\0" if protocol == "5" else b"") + b"{}"
    return bytes([0x30 | qos << 1]) + length(len(body)) + body


def publish(size: int, protocol: str) -> bytes:
    """Header and topic of a PUBLISH of QoS 0 whose remaining length is `size`, and its payload as spaces."""
    head = len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + (b"\0" if protocol == "5" else b"")
    return b"\x30" + length(size) + head + b" " * (size - len(head))


class Flooder:
    """A broker that accepts and at once sends `data`, then reads on; or, where it never `reads`, sends `data` again and
    again. `sent`: how much of it the client let in, for each connection."""

    def __init__(self, data: bytes, protocol: str, reads: bool = True) -> None:
        self._data, self._reads = CONNACK[protocol] + data, reads
        self._again = data
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        self.port = int(self._server.getsockname()[1])
        self.sent: list[int] = []
        self.subscribed: list[bool] = []
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._server.accept()
                peer.settimeout(PATIENCE_S)
                with peer, contextlib.suppress(OSError):
                    peer.recv(4_096)
                    self.sent.append(0)
                    for at in range(0, len(self._data), 65_536):
                        peer.sendall(self._data[at : at + 65_536])
                        self.sent[-1] += 65_536
                    while not self._reads:
                        peer.sendall(self._again)
                    while more := peer.recv(4_096):
                        self.subscribed.append(b"received" in more)

    def close(self) -> None:
        """Stop listening."""
        self._server.close()


@contextlib.contextmanager
def linked(flooder: Flooder, protocol: str) -> Iterator[tuple[BrokerLink, Inbox]]:
    """A link to it that listens for receipts."""
    settings = BrokerSettings(
        name="ship", host="127.0.0.1", port=flooder.port, protocol=protocol,  # type: ignore[arg-type]
        backoff_s_min=0.1, backoff_s_max=0.2,
    )  # fmt: skip
    inbox, topics = Inbox(TOPIC), Topics("camdrift", "tern-passage")
    link = BrokerLink(settings, MemoryOutbox, topics, "0", subscribe=[inbox], timing=Timing(connack_s=PATIENCE_S))
    link.start()
    try:
        yield link, inbox
    finally:
        link.stop(0.1)
        flooder.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_packet_beyond_the_bound_is_not_read(protocol: str) -> None:
    """Pins that 50 MB are not read into memory but end the connection, with the reason in the log, and that the link
    comes back without its subscriptions: what was sent may be retained."""
    flooder = Flooder(publish(50_000_000, protocol), protocol)
    with structlog.testing.capture_logs() as logs, linked(flooder, protocol):
        until(lambda: len(flooder.sent) > 2, "the link has come back")
    assert max(flooder.sent) < 20_000_000
    assert any("50,000,000 bytes" in str(line.get("reason")) for line in logs)
    assert any(line["event"] == "mqtt.subscriptions_paused" for line in logs)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_packet_at_the_bound_is_read(protocol: str) -> None:
    """Pins the bound from below: the message is dropped and counted as too long, and the connection goes on."""
    flooder = Flooder(publish(PACKET_BYTES_MAX, protocol), protocol)
    with linked(flooder, protocol) as (link, inbox):
        until(lambda: inbox.dropped == 1, "the message was counted")
        # The other end reads what the link subscribes to only once it has sent its own.
        until(lambda: True in flooder.subscribed, "the link has subscribed")
        assert link.status().connected
        assert len(flooder.sent) == 1


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_of_qos_2_are_not_kept(protocol: str) -> None:
    """Pins that the first of them ends the connection: 65,535 could wait for their release, 1 kB of memory each."""
    flooder = Flooder(b"".join(small(protocol, 2, mid) for mid in range(1, 60)), protocol)
    with structlog.testing.capture_logs() as logs, linked(flooder, protocol):
        until(lambda: len(flooder.sent) > 1, "the link has come back")
    assert any("a message of QoS 2" in str(line.get("reason")) for line in logs)


def test_answers_that_the_broker_does_not_read_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a broker that sends and sends and reads nothing is left, with the reason in the log."""

    def set_options(_client: object, _data: object, sock: socket.socket) -> None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4_096)

    monkeypatch.setattr("gateway.mqtt_client._set_options", set_options)
    flooder = Flooder(b"".join(small("5", 1, mid) for mid in range(1, 10_000)), "5", reads=False)
    with structlog.testing.capture_logs() as logs, linked(flooder, "5"):
        until(lambda: len(flooder.sent) > 1, "the link has come back")
    assert any("the broker does not read" in str(line.get("reason")) for line in logs)
