"""One connection of a keeper to the fleet's broker: MQTT 5, acknowledged by hand, thrown away when it breaks.

Who we are (password, certificates) is handed in, so that the rules for secrets stand in one place.
"""

import contextlib
import select
import ssl
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gateway.model.errors import PortError
from gateway.mqtt_client import PACKET_BYTES_MAX, BoundedClient, too_long_text

CONNECT_S = 10.0
ANSWER_S = 30.0
TAKEN_OVER = 0x8E
LOST = "the connection broke; where this comes again and again, look whether another keeper has the same --name"
"""Not every broker reports that another client takes over the name."""


class TakenOver(PortError):
    """Another keeper has come with our name: go, or the two throw each other out for ever."""


@dataclass(frozen=True, slots=True)
class Access:
    """Where the broker is and how to come in. The callables are asked at each connection."""

    host: str
    port: int
    user: str | None
    password: Callable[[], str | None]
    tls: Callable[[], ssl.SSLContext | None]
    why_not: Callable[[Exception], str]
    reason: Callable[[int, str], str]
    keepalive_s: int = 60


@dataclass(frozen=True, slots=True)
class Subscription:
    """What a connection is for. `group`: of shared subscriptions, '' for our own; `expiry_s`: of the session, 0 = none.

    `window`: messages under way to us and not acknowledged; the broker keeps to it.
    """

    client_id: str
    filters: Sequence[str]
    group: str
    expiry_s: int
    window: int

    @property
    def subscriptions(self) -> list[str]:
        """As the broker is asked for them."""
        return [f"$share/{self.group}/{f}" if self.group else f for f in self.filters]


class FleetLink:
    """Used by one thread: `open`, then `step` again and again. Raises PortError when it is over."""

    def __init__(self, access: Access, subscription: Subscription, take: Callable[[MQTTMessage], None]) -> None:
        self._access, self._subscription, self._take = access, subscription, take
        self._lost = ""
        self._taken_over = False
        self._answered: set[int] = set()
        self._granted: list[int] | None = None
        self._connected = False
        self.session_present = False
        self.heard = 0
        client = BoundedClient(subscription.client_id, version_5=True, connect_s=CONNECT_S, manual_ack=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        self._client = client

    def open(self, *, subscribe: bool = True) -> None:
        """Connect and subscribe (else only come for what waits). Raises PortError with the reason."""
        a, client = self._access, self._client
        if a.user:
            client.username_pw_set(a.user, a.password())
        context = a.tls()
        if context is not None:
            client.tls_set_context(context)
        asked = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        asked.MaximumPacketSize = PACKET_BYTES_MAX
        asked.ReceiveMaximum = self._subscription.window
        asked.SessionExpiryInterval = self._subscription.expiry_s
        clean = self._subscription.expiry_s == 0
        try:
            client.connect(a.host, a.port, a.keepalive_s, clean_start=clean, properties=asked)
        except Exception as e:
            raise PortError(a.why_not(e)) from None
        self._await(lambda: self._connected, "no CONNACK; does MQTT 5 listen there?")
        if subscribe:
            # 1: retained messages only for a subscription that is new (MQTT 5, section 3.8.3.1).
            options = SubscribeOptions(qos=1, retainHandling=1)
            client.subscribe([(s, options) for s in self._subscription.subscriptions])
            self._await(lambda: self._granted is not None, "subscriptions not answered")
            self._refused_subscriptions()

    def unsubscribe(self) -> None:
        """Want no more than what already waits."""
        self._granted = None
        self._client.unsubscribe(self._subscription.subscriptions)
        self._await(lambda: self._granted is not None, "unsubscribing not answered")

    def step(self, timeout_s: float) -> None:
        """Wait for the broker at most so long, then read all there is, write, keep alive. Raises PortError."""
        sock = self._client.socket()
        if sock is not None and not self._lost:
            if isinstance(sock, ssl.SSLSocket) and sock.pending():
                timeout_s = 0.0
            poll = select.poll()
            poll.register(sock.fileno(), select.POLLIN | (select.POLLOUT if self._client.want_write() else 0))
            events = poll.poll(int(timeout_s * 1000))
            code = MQTTErrorCode.MQTT_ERR_SUCCESS
            if any(what & ~select.POLLOUT for _, what in events) or timeout_s == 0.0:
                code = self._read()
            if not code and self._client.want_write():
                code = self._client.loop_write()
            code = code or self._client.loop_misc()
            if code:
                self._lost = self._lost or LOST
        self._fail_if_lost()

    def read_on(self) -> None:
        """Take what has come by now. To be called before writing: writing to a broker that has died throws away what it
        had sent us before, and it may remember nothing of that. Raises PortError."""
        code = self._read()
        if code:
            self._lost = self._lost or LOST
        self._fail_if_lost()

    def _read(self) -> MQTTErrorCode:
        """Packet by packet until there is none, or as many as may be under way."""
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        for _ in range(self._subscription.window):
            if not self._readable():
                break
            code = self._client.loop_read()
            if self._client.too_long:
                self._lost = too_long_text(self._client.too_long)
            self._lost = self._client.refused or self._lost
            if code:
                break
        return code

    def _readable(self) -> bool:
        sock = self._client.socket()
        if sock is None:
            return False
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            return True
        poll = select.poll()
        poll.register(sock.fileno(), select.POLLIN)
        return bool(poll.poll(0))

    def ack(self, messages: Sequence[MQTTMessage]) -> None:
        """These are kept: the broker may forget them."""
        for message in messages:
            if message.qos:
                self._client.ack(message.mid, message.qos)

    def publish(self, topic: str, payload: bytes) -> int:
        """Publish, QoS 1, retained; its id for `published`."""
        info = self._client.publish(topic, payload, qos=1, retain=True)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._lost = self._lost or LOST
            self._fail_if_lost()
        return info.mid

    def published(self, mid: int) -> bool:
        """The broker has taken it."""
        return mid in self._answered

    def close(self, *, forget_session: bool = False) -> None:
        """Disconnect. `forget_session`: the broker keeps nothing more for this name."""
        with contextlib.suppress(Exception):
            if not self._lost:
                properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
                if forget_session:
                    properties.SessionExpiryInterval = 0
                self._client.disconnect(properties=properties)
                self._client.loop_write()
        sock = self._client.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.close()

    def _await(self, happened: Callable[[], bool], otherwise: str) -> None:
        until = time.monotonic() + ANSWER_S
        while not happened():
            self.step(0.2)
            if time.monotonic() > until:
                raise PortError(f"{self._access.host}:{self._access.port}: {otherwise}")

    def _fail_if_lost(self) -> None:
        if self._taken_over:
            raise TakenOver(
                f"another keeper has connected as {self._subscription.client_id}; give each keeper a --name of its own"
            )
        if self._lost:
            raise PortError(self._lost)
        if self._client.socket() is None:
            raise PortError(LOST)

    def _refused_subscriptions(self) -> None:
        for asked, code in zip(self._subscription.subscriptions, self._granted or (), strict=False):
            if code >= 0x80:
                raise PortError(f"the broker refuses the subscription to {asked} (0x{code:02X}); see its access list")

    def _on_connect(
        self, _client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._lost = "the broker refuses us: " + self._access.reason(reason.value, reason.getName())
            return
        self.session_present = flags.session_present
        self._connected = True

    def _on_disconnect(
        self, _client: Client, _data: Any, flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._taken_over = self._taken_over or reason.value == TAKEN_OVER
            self._lost = self._lost or "the broker sent us away: " + self._access.reason(reason.value, reason.getName())
        self._lost = self._lost or LOST

    def _on_subscribe(
        self, _client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        self._granted = [reason.value for reason in reasons]

    def _on_unsubscribe(self, _client: Client, _data: Any, _mid: int, _reasons: Any, _properties: Any) -> None:
        self._granted = []

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any) -> None:
        if len(self._answered) > 65_535:
            self._answered.clear()
        if not reason.is_failure:
            self._answered.add(mid)

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.heard += 1
        self._take(message)
