"""One connection to a broker: paho-mqtt as a dumb pipe, driven by one thread, thrown away when it breaks.

Callbacks only put what they get into a queue. paho queues nothing that our own window did not let through.
"""

import contextlib
import queue
import select
import socket
import ssl
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from paho.mqtt import MQTTException
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gateway.model.errors import PortError
from gateway.model.limits import INBOUND_MESSAGE_BYTES_MAX
from gateway.model.settings import BrokerSettings
from gateway.mqtt_client import BoundedClient, too_long_text
from gateway.outlets.mqtt.access import (
    Unreachable,
    alert_text,
    read_password,
    reason_text,
    tls_context,
    unreachable,
    why_not,
)
from gateway.outlets.mqtt.wake import Wake

TOPIC_BYTES_MAX = 512
"""Room for topic and header beside an inbound message at its cap."""
PROTOCOL_ERROR = 0x82
LOST = "the connection broke"


@dataclass(frozen=True, slots=True)
class Granted:
    """What the broker's CONNACK allows; without version 5 the standard's defaults."""

    receive_maximum: int = 65_535
    packet_bytes: int | None = None
    retain: bool = True


@dataclass(frozen=True, slots=True)
class Ack:
    """A PUBACK: message id and reason; below 0x80 the broker has taken it."""

    mid: int
    code: int
    name: str


class Inbound(NamedTuple):
    """A message from the broker."""

    topic: str
    payload: bytes
    retained: bool


@dataclass(slots=True)
class Inbox:
    """A topic to subscribe to and where its messages wait; what is too long or finds no room is dropped and counted."""

    topic: str
    queue: "queue.Queue[Inbound]" = field(default_factory=lambda: queue.Queue(maxsize=64))
    dropped: int = 0

    def offer(self, message: Inbound) -> None:
        """Take a message, or count it."""
        try:
            if len(message.payload) > INBOUND_MESSAGE_BYTES_MAX:
                raise queue.Full
            self.queue.put_nowait(message)
        except queue.Full:
            self.dropped += 1


class Will(NamedTuple):
    """What the broker publishes when this client goes without a DISCONNECT."""

    topic: str
    payload: bytes


class Pipe:
    """One connection, used by one thread: `open`, then `step` again and again; `lost` is why it is over."""

    def __init__(
        self, broker: BrokerSettings, client_id: str, will: Will | None, inboxes: Sequence[Inbox], connect_s: float
    ) -> None:
        self._broker, self._inboxes, self._connect_s = broker, inboxes, connect_s
        self.granted: Granted | None = None
        self.lost: str | None = None
        self.too_long = False
        """The broker sent a packet beyond the bound."""
        self.acks: queue.SimpleQueue[Ack] = queue.SimpleQueue()
        self._client = self._made(client_id)
        if will is not None:
            self._client.will_set(will.topic, will.payload, qos=1, retain=True)

    def _made(self, client_id: str) -> BoundedClient:
        client = BoundedClient(client_id, version_5=self._broker.protocol == "5", connect_s=self._connect_s)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        client.on_log = self._on_log
        return client

    def open(self) -> None:
        """Connect and send CONNECT; blocks for the resolver, and `connect_s` each for TCP and TLS. Raises PortError,
        Unreachable where nobody answered."""
        broker, client = self._broker, self._client
        if broker.user:
            client.username_pw_set(broker.user, read_password(broker))
        context = tls_context(broker)
        if context is not None:
            client.tls_set_context(context)
        extra: dict[str, Any] = {}
        if broker.protocol == "5":
            asked = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            asked.MaximumPacketSize = INBOUND_MESSAGE_BYTES_MAX + TOPIC_BYTES_MAX
            extra = {"clean_start": True, "properties": asked}
        try:
            client.connect(broker.host, broker.port, broker.keepalive_s, **extra)
        except Exception as e:
            kind = Unreachable if unreachable(e) else PortError
            raise kind(why_not(e, broker.host, broker.port, self._connect_s)) from None

    def step(self, timeout_s: float, wake: Wake) -> None:
        """Wait until the broker or `wake` has something or the time is up, then read, write and keep alive."""
        sock = self._client.socket()
        if sock is None or self.lost:
            self.lost = self.lost or LOST
            return
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            timeout_s = 0.0
        poll = select.poll()
        poll.register(wake.fileno(), select.POLLIN)
        poll.register(sock.fileno(), select.POLLIN | (select.POLLOUT if self._client.want_write() else 0))
        events = dict(poll.poll(int(timeout_s * 1000)))
        if events.get(wake.fileno()):
            wake.clear()
        self._turn(events.get(sock.fileno(), 0) or (select.POLLIN if timeout_s == 0.0 else 0))

    def _turn(self, events: int) -> None:
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        if events & ~select.POLLOUT:
            code = self._read()
            if self._client.too_long:
                self.lost, self.too_long = too_long_text(self._client.too_long), True
            self.lost = self._client.refused or self.lost
        if not code and events & select.POLLOUT:
            code = self._client.loop_write()
        if not code:
            code = self._client.loop_misc()
        if code:
            self.lost = self.lost or LOST

    def _read(self) -> MQTTErrorCode:
        try:
            return self._client.loop_read()
        except (MQTTException, ValueError, LookupError, struct.error, AssertionError) as e:
            self.lost = f"the broker sends what is not MQTT ({type(e).__name__}); check host and port"
            return MQTTErrorCode.MQTT_ERR_PROTOCOL

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> int | None:
        """Hand a message to the socket; its id, or None when the connection is gone (see `lost`)."""
        retain = retain and (self.granted is None or self.granted.retain)
        info = self._client.publish(topic, payload, qos=qos, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.lost = self.lost or LOST
            return None
        return info.mid

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """What is published meanwhile leaves in as few packets as it fits into: each header ashore is paid for."""
        self._cork(1)
        try:
            yield
        finally:
            self._cork(0)

    def _cork(self, on: int) -> None:
        sock, option = self._client.socket(), getattr(socket, "TCP_CORK", None)
        if isinstance(sock, socket.socket) and option is not None:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, option, on)

    @property
    def choked(self) -> bool:
        """The socket takes no more for now."""
        return self._client.want_write()

    def close(self, *, politely: bool) -> None:
        """Politely: with DISCONNECT, so that the will is forgotten. Else cut, so that the broker publishes it."""
        if politely and not self.lost:
            self._client.disconnect()
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_WR if politely else socket.SHUT_RDWR)
            with contextlib.suppress(OSError):
                sock.close()
        self.lost = self.lost or "closed"
        # The callbacks hold this object and it holds the client: untie them, so that nothing waits for the collector.
        self._client.on_connect = self._client.on_disconnect = self._client.on_publish = None
        self._client.on_message = self._client.on_socket_open = self._client.on_log = None

    def _on_connect(
        self, client: Client, _data: Any, _flags: ConnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        if reason.is_failure:
            self.lost = "the broker refuses us: " + reason_text(reason.value, reason.getName())
            return
        if getattr(properties, "MaximumQoS", 1) == 0:
            self.lost = "the broker takes no messages of QoS 1; delivery could not be confirmed"
            return
        self.granted = Granted(
            receive_maximum=getattr(properties, "ReceiveMaximum", 65_535),
            packet_bytes=getattr(properties, "MaximumPacketSize", None),
            retain=bool(getattr(properties, "RetainAvailable", 1)),
        )
        for inbox in self._inboxes:
            client.subscribe(inbox.topic, qos=1)

    def _on_disconnect(
        self, _client: Client, _data: Any, flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        # Called twice when the keep-alive is lost, and after a refusal with a worse reason: the first word stands.
        if flags.is_disconnect_packet_from_server:
            text = "the broker sent us away: " + reason_text(reason.value, reason.getName())
        elif reason.getName() == "Keep alive timeout":
            text = "the broker no longer answers (keep-alive)"
        elif self.granted is None and reason.value == PROTOCOL_ERROR:
            # How paho passes on that a 3.1.1 broker does not support 3.1.1, or answers with what is no CONNACK.
            text = "the broker refuses us: " + reason_text(0x84, "")
        elif self.granted is None:
            text = "the broker closed the connection before its CONNACK; it may want TLS or another client certificate"
        else:
            text = LOST
        self.lost = self.lost or text

    def _on_log(self, _client: Client, _data: Any, _level: int, text: str) -> None:
        # With TLS 1.3 a refused certificate shows only at the first reading, and paho keeps the reason to its log.
        if "[SSL:" in text and not self.lost:
            self.lost = alert_text(text) or None

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any) -> None:
        self.acks.put(Ack(mid, reason.value, reason.getName()))

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        for inbox in self._inboxes:
            if inbox.topic == message.topic:
                inbox.offer(Inbound(message.topic, bytes(message.payload), message.retain))
