"""What carries sentences: a serial line, or datagrams after IEC 61162-450."""

import contextlib
import socket
import threading
from abc import ABC, abstractmethod
from collections.abc import Sequence

from gateway.encode.sentence_lines import DATAGRAM_BYTES_MAX, LineSplitter, datagram, lines_of
from gateway.model.errors import PortError
from gateway.model.panel_settings import SentenceSettings
from gateway.outlets.panel_serial import SerialLine

BITS_PER_CHARACTER = 10
WRITE_WITHIN_S = 2.0
DATAGRAM_PAUSE_S = 0.002
"""Between groups on the network, so that a flood does not overrun the receivers' buffers."""
DATAGRAMS_AT_ONCE_MAX = 32


class Carrier(ABC):
    """One open outlet. All but `wake` belong to one thread."""

    @abstractmethod
    def hear(self, wait_s: float) -> list[tuple[bytes, str]]:
        """Lines that came, each with who sent it; empty after `wait_s` or a `wake`. Raises PortError."""

    @abstractmethod
    def send(self, lines: Sequence[str]) -> bool:
        """Hand over lines that belong together; `False`: not taken. Raises PortError."""

    @abstractmethod
    def busy_s(self, lines: Sequence[str]) -> float:
        """How long the medium needs for `lines`."""

    @abstractmethod
    def wake(self) -> None:
        """Make `hear` return now."""

    @abstractmethod
    def close(self) -> None:
        """Close it."""


class SerialCarrier(Carrier):
    """A serial line, 8 data bits, no parity, 1 stop bit, as IEC 61162-1 has it."""

    def __init__(self, settings: SentenceSettings) -> None:
        assert settings.port is not None
        self._line = SerialLine(settings.port, settings.baud)
        self._baud = settings.baud
        self._splitter = LineSplitter()

    def hear(self, wait_s: float) -> list[tuple[bytes, str]]:
        return [(line, self._line.port) for line in self._splitter.feed(self._line.read(wait_s))]

    def send(self, lines: Sequence[str]) -> bool:
        taken = self._line.write("".join(lines).encode("ascii"), WRITE_WITHIN_S)
        if not taken:
            self._line.discard_output()
        return taken

    def busy_s(self, lines: Sequence[str]) -> float:
        return sum(map(len, lines)) * BITS_PER_CHARACTER / self._baud

    def wake(self) -> None:
        self._line.wake()

    def close(self) -> None:
        self._line.close()


class UdpCarrier(Carrier):
    """Datagrams to a group, or to one host; heard on another port where the settings name one."""

    def __init__(self, settings: SentenceSettings) -> None:
        self._settings = settings
        self._to = (str(settings.group), settings.udp_port)
        self._count = 0
        self._pause = threading.Event()
        self._out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._in: socket.socket | None = None
        try:
            self._out.setblocking(False)
            self._out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, settings.interface.packed)
            if settings.receive_port is not None:
                self._in = _listening(settings, settings.receive_port)
        except OSError as e:
            self.close()
            raise PortError(
                f"sentences by UDP: {e.strerror or e}; check that interface {settings.interface} is an address of this "
                f"machine and that receive_port is free"
            ) from None

    @property
    def receive_port(self) -> int | None:
        """The port that is heard on."""
        return None if self._in is None else int(self._in.getsockname()[1])

    def hear(self, wait_s: float) -> list[tuple[bytes, str]]:
        if self._in is None:
            self._pause.wait(wait_s)
            return []
        self._in.settimeout(wait_s)
        heard: list[tuple[bytes, str]] = []
        for _ in range(DATAGRAMS_AT_ONCE_MAX):
            try:
                data, (host, port) = self._in.recvfrom(DATAGRAM_BYTES_MAX + 1)
            except (TimeoutError, BlockingIOError):
                break
            except OSError as e:
                raise PortError(f"sentences by UDP: {e.strerror or e}; the network is gone or not yet there") from None
            heard += [(line, f"{host}:{port}") for line in lines_of(data)]
            self._in.setblocking(False)
        return heard

    def send(self, lines: Sequence[str]) -> bool:
        for line in lines:
            self._count = self._count % 999 + 1
            try:
                self._out.sendto(datagram(self._settings.sfi, self._count, line), self._to)
            except BlockingIOError:
                return False
            except OSError as e:
                raise PortError(
                    f"sentences by UDP: {e.strerror or e}; check that a network leads to {self._to[0]}"
                ) from None
        return True

    def busy_s(self, lines: Sequence[str]) -> float:
        return DATAGRAM_PAUSE_S * len(lines)

    def wake(self) -> None:
        self._pause.set()

    def close(self) -> None:
        for one in (self._out, self._in):
            if one is not None:
                with contextlib.suppress(OSError):
                    one.close()


def _listening(settings: SentenceSettings, port: int) -> socket.socket:
    one = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Bound to a group, a socket hears that group only; bound to an address, whatever is sent to it.
        one.bind((str(settings.receive_group or settings.interface), port))
        if settings.receive_group is not None:
            member = settings.receive_group.packed + settings.interface.packed
            one.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    except OSError:
        one.close()
        raise
    return one


def open_carrier(settings: SentenceSettings) -> Carrier:
    """Open what the settings name. Raises PortError."""
    return SerialCarrier(settings) if settings.transport == "serial" else UdpCarrier(settings)
