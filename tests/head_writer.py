"""A writer of the link's frames for the tests alone, straight from section 2 of the interface; it shares no line with
the decoder or the simulated head. COBS is written out here, so that an error in the library's would show."""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass, field


def cobs(data: bytes) -> bytes:
    """Consistent overhead byte stuffing after Cheshire and Baker."""
    out = bytearray()
    block = bytearray()
    open_end = True
    for byte in data:
        open_end = True
        if byte:
            block.append(byte)
            if len(block) == 254:
                out += b"\xff" + block
                block.clear()
                open_end = False
        else:
            out.append(len(block) + 1)
            out += block
            block.clear()
    if open_end:
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def frame(payload: bytes) -> bytes:
    """A whole frame with its delimiter."""
    return cobs(payload + struct.pack("<I", binascii.crc32(payload))) + b"\0"


@dataclass
class HeadWriter:
    """Writes frames one after another, as a head would; every field may be set from outside between two frames."""

    boot: int = 7
    sequence: int = 0
    head_us: int = 1_000_000
    interval_ns: int = 2_000_000
    sent: list[tuple[int, int, int]] = field(default_factory=list)

    def header(self, kind: int, head_us: int | None = None, version: int = 1) -> bytes:
        made = struct.pack(
            "<BBHIQ", version, kind, self.sequence & 0xFFFF, self.boot, self.head_us if head_us is None else head_us
        )
        self.sequence = (self.sequence + 1) & 0xFFFF
        return made

    def samples(self, rows: list[tuple[int, int, int]], valid: int = 7) -> bytes:
        """A sample frame at the present head time, which it moves on."""
        payload = self.header(2) + struct.pack("<IHBB", self.interval_ns, len(rows), valid, 0)
        payload += b"".join(struct.pack("<HHH", *row) for row in rows)
        self.head_us += len(rows) * self.interval_ns // 1000
        self.sent.extend(rows)
        return frame(payload)

    def ramp(self, n: int = 50, valid: int = 7) -> bytes:
        """A sample frame whose crank angle goes on from the last one's, so that an order shows."""
        at = len(self.sent)
        return self.samples(
            [((at + i) * 7 & 0xFFFF, (at + i) * 5 & 0xFFFF, 4000 + (at + i) % 16000) for i in range(n)], valid
        )

    def health(self, head_us: int | None = None, turns: int = 1234) -> bytes:
        return frame(self.header(3, head_us) + struct.pack("<hhhHHHHHI", 412, 553, 487, 23950, 11200, 0, 1, 0, turns))

    def identity(self, name: bytes = b"port-head") -> bytes:
        return frame(self.header(1) + struct.pack("<IHHIII16s", 99, 1, 4, self.interval_ns, 14400, 14400, name))
