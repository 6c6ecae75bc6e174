"""The MQTT client that ship and shore share: paho with a bound on what a broker may send, and the socket's options.

A module of its own below `outlets` and `shore`, since neither of these may import the other.
"""

import contextlib
import socket
from typing import Any

from paho.mqtt.client import Client, MQTTMessageInfo, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

PACKET_BYTES_MAX = 65_536
"""Of anything a broker sends, in either version of the protocol (interface, section 3)."""
QOS_BITS, QOS_1 = 0b110, 0b010
"""Of the first byte of a PUBLISH."""
UNSENT_PACKETS_MAX = 1_024
"""Answers that wait while the broker sends and does not read; our own messages are bounded by their window."""
USER_TIMEOUT_MS = 30_000
"""Sent and not acknowledged by the other end's TCP for so long: the connection is dead, whatever the keep-alive."""


class BoundedClient(Client):
    """A client for one connection, driven by one thread. `too_long`: bytes of the packet that was refused, else 0.
    `refused`: what else the broker sent for which the connection is closed, else empty.

    paho reads a whole packet into memory, up to the standard's 256 MiB, and only MQTT 5 lets a client forbid that. So
    the length is looked at where paho asks the socket for the rest of a packet: that is in one piece, before any of it
    is read. The method is paho's own and not public; `tests/outlets/test_mqtt_client.py` fails if a new version of the
    library no longer calls it so. The same is true of the two others: paho keeps every message of QoS 2, up to 65,535
    of them, until the broker asks for it, and every answer that the broker does not read.
    """

    def __init__(self, client_id: str, *, version_5: bool, connect_s: float, manual_ack: bool = False) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if version_5 else True,
            protocol=MQTTv5 if version_5 else MQTTv311,
            reconnect_on_failure=False,
            manual_ack=manual_ack,
        )
        self.too_long = 0
        self.refused = ""
        self.connect_timeout = connect_s
        # Our own window bounds what is under way.
        self.max_inflight_messages_set(0)
        self.on_socket_open = _set_options

    def _sock_recv(self, bufsize: int) -> bytes:
        if bufsize > PACKET_BYTES_MAX:
            self.too_long = bufsize
            raise OSError(f"a packet of {bufsize} bytes")
        return super()._sock_recv(bufsize)

    def _handle_publish(self) -> MQTTErrorCode:
        if self._in_packet["command"] & QOS_BITS > QOS_1:
            # Nobody here subscribes above QoS 1, and a broker sends nothing above what was granted (MQTT 5, 3.8.4).
            self.refused = "the broker sent a message of QoS 2, above what it was granted: connection closed"
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        return super()._handle_publish()

    def _packet_queue(
        self, command: int, packet: bytes | bytearray, mid: int, qos: int, info: MQTTMessageInfo | None = None
    ) -> MQTTErrorCode:
        if len(self._out_packet) >= UNSENT_PACKETS_MAX:
            self.refused = f"the broker does not read: {UNSENT_PACKETS_MAX:,} packets wait, connection closed"
            return MQTTErrorCode.MQTT_ERR_CONN_LOST
        return super()._packet_queue(command, packet, mid, qos, info)


def too_long_text(size: int) -> str:
    """Why the connection was closed."""
    return f"the broker sent a packet of {size:,} bytes, more than {PACKET_BYTES_MAX:,}: not read, connection closed"


def _set_options(_client: Client, _data: Any, sock: Any) -> None:
    for name, value in (("TCP_NODELAY", 1), ("TCP_USER_TIMEOUT", USER_TIMEOUT_MS)):
        option = getattr(socket, name, None)
        if option is not None:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, option, value)
