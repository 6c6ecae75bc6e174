"""Where a Modbus request begins and ends: the TCP header and the RTU silence. Bytes in, requests out, no I/O.

MBAP header: Modbus Messaging on TCP/IP V1.0b. RTU: Modbus over Serial Line V1.02; CRC-16/MODBUS, low byte first.
"""

import struct
from dataclasses import dataclass

import fastcrc

from gateway.outlets.modbus.pdu import PDU_BYTES_MAX

RTU_BYTES_MAX = 256
RTU_BYTES_KEPT = 1_024
"""Traffic of other devices that came in one lump; more is not looked at."""
RTU_READ_REQUEST_BYTES = 8
READ_FUNCTIONS = frozenset((1, 2, 3, 4))


@dataclass(frozen=True, slots=True)
class TcpRequest:
    """One request: transaction identifier, unit identifier, PDU of 1–253 bytes."""

    transaction: int
    unit: int
    pdu: bytes


class MbapSplitter:
    """Cuts a TCP stream into requests; holds at most one unfinished one."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> tuple[list[TcpRequest], bool]:
        """All requests that are complete now, and whether the stream is still Modbus (`False`: answer, then close)."""
        stream = self._rest + data
        requests: list[TcpRequest] = []
        at = 0
        while len(stream) - at >= 7:
            transaction, protocol, length, unit = struct.unpack_from(">HHHB", stream, at)
            if protocol != 0 or not 2 <= length <= 1 + PDU_BYTES_MAX:
                self._rest = b""
                return requests, False
            end = at + 6 + length
            if end > len(stream):
                break
            requests.append(TcpRequest(transaction, unit, stream[at + 7 : end]))
            at = end
        self._rest = stream[at:]
        return requests, self._rest[2:4] in (b"", b"\0", b"\0\0")


def mbap(transaction: int, unit: int, pdu: bytes) -> bytes:
    """The answer as it goes on the wire: header, then PDU."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS."""
    return int(fastcrc.crc16.modbus(data))


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Address, PDU, CRC with its low byte first (serial guide V1.02, 6.2.2)."""
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def silence_s(baud: int) -> float:
    """Silence that ends a frame: 3.5 characters of 11 bits, 1.75 ms above 19,200 baud (serial guide V1.02, 2.5.1.1)."""
    return 0.001_75 if baud > 19_200 else 3.5 * 11 / baud


@dataclass(frozen=True, slots=True)
class RtuRequest:
    """One frame with a good CRC: address and PDU; whether it is meant for us the caller judges."""

    unit: int
    pdu: bytes


class RtuReceiver:
    """Finds frames in a serial stream cut by silences.

    A silence seen here may be of the driver's own making (a FIFO, a USB packet), so an unfinished frame is kept
    until `quiet` reports that the line has been still for long. After garbage, frames are looked for from each silence
    on; a read request for one of `units` also at the very end, since it can do no harm if it was none.
    """

    def __init__(self, units: frozenset[int]) -> None:
        self._units = units
        self._kept = bytearray()
        self._starts = [0]
        self.garbage = 0
        """Bytes thrown away because no frame was found in them."""

    @property
    def waiting(self) -> bool:
        """Whether an unfinished frame is kept."""
        return bool(self._kept)

    def feed(self, data: bytes) -> None:
        """Take what came; beyond RTU_BYTES_KEPT the oldest goes."""
        self._kept += data
        over = len(self._kept) - RTU_BYTES_KEPT
        if over > 0:
            self.garbage += over
            del self._kept[:over]
            self._starts = [max(0, s - over) for s in self._starts if s >= over] or [0]

    def silence(self) -> RtuRequest | None:
        """The line was silent for 3.5 characters: the frame that ends here, if it is one."""
        for start in self._starts:
            frame = bytes(self._kept[start:])
            if 4 <= len(frame) <= RTU_BYTES_MAX and crc16(frame) == 0:
                return self._take(start, frame)
        tail = bytes(self._kept[-RTU_READ_REQUEST_BYTES:])
        if self._is_read_for_us(tail):
            return self._take(len(self._kept) - len(tail), tail)
        if self._kept and self._starts[-1] != len(self._kept):
            self._starts = [*self._starts[-15:], len(self._kept)]
        return None

    def quiet(self) -> None:
        """The line was silent for long: what is kept is garbage."""
        self.garbage += len(self._kept)
        self._clear()

    def _is_read_for_us(self, tail: bytes) -> bool:
        return (
            len(tail) == RTU_READ_REQUEST_BYTES
            and tail[0] in self._units
            and tail[1] in READ_FUNCTIONS
            and crc16(tail) == 0
        )

    def _take(self, start: int, frame: bytes) -> RtuRequest:
        self.garbage += start
        self._clear()
        return RtuRequest(frame[0], frame[1:-2])

    def _clear(self) -> None:
        self._kept.clear()
        self._starts = [0]
