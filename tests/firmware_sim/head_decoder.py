"""A little decoder of the link for the simulator's own tests, written from the link's page alone.

COBS is undone by hand and the CRC taken from its polynomial bit by bit, since the simulator itself leans on libraries.
"""

import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ (0xEDB88320 if byte & 1 else 0)
        table.append(byte)
    return table


_CRC = _crc_table()


def crc32(data: bytes) -> int:
    crc = 0xFFFFFFFF
    for byte in data:
        crc = _CRC[(crc ^ byte) & 0xFF] ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF


def uncobs(data: bytes) -> bytes | None:
    out, at = bytearray(), 0
    while at < len(data):
        code = data[at]
        if at + code > len(data):
            return None
        out += data[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(data):
            out.append(0)
    return bytes(out)


@dataclass
class Frame:
    kind: int
    sequence: int
    boot: int
    head_us: int
    fields: dict[str, object]


@dataclass
class Stream:
    frames: list[Frame] = field(default_factory=list)
    refused: int = 0

    def of(self, kind: int) -> list[Frame]:
        return [f for f in self.frames if f.kind == kind]

    def samples(self) -> NDArray[np.int64]:
        """int64[N, 3]: crank, cam, loop of all sample frames in the order of arrival."""
        return np.array([row for f in self.of(2) for row in f.fields["samples"]], dtype=np.int64)  # type: ignore[attr-defined]

    def sample_times_s(self) -> NDArray[np.float64]:
        return np.array(
            [f.head_us / 1e6 + i * f.fields["interval_ns"] / 1e9 for f in self.of(2) for i in range(f.fields["n"])]  # type: ignore[operator,call-overload]
        )


def decode(data: bytes) -> Stream:
    stream = Stream()
    for chunk in data.split(b"\0")[:-1]:
        if not chunk:
            continue
        plain = uncobs(chunk)
        if plain is None or len(plain) < 20 or crc32(plain[:-4]) != int.from_bytes(plain[-4:], "little"):
            stream.refused += 1
            continue
        stream.frames.append(_frame(plain[:-4]))
    return stream


def _frame(payload: bytes) -> Frame:
    version, kind, sequence, boot, head_us = struct.unpack_from("<BBHIQ", payload)
    assert version == 1
    body = payload[16:]
    fields: dict[str, object]
    if kind == 1:
        serial, major, minor, interval, crank, cam, name = struct.unpack("<IHHIII16s", body)
        fields = {
            "serial": serial,
            "firmware": [major, minor],
            "interval_ns": interval,
            "crank_counts": crank,
            "cam_counts": cam,
            "name": name.rstrip(b"\0").decode(),
        }
    elif kind == 2:
        interval, n, valid, reserved = struct.unpack_from("<IHBB", body)
        assert reserved == 0
        assert len(body) == 8 + 6 * n
        rows = np.frombuffer(body, dtype="<u2", offset=8).reshape(n, 3).tolist()
        fields = {"interval_ns": interval, "n": n, "valid": valid, "samples": rows}
    else:
        assert kind == 3
        assert len(body) in (20, 28)
        v = struct.unpack_from("<hhhHHHHHI", body)
        names = ("head_c", "casing_c", "frame_c", "supply_mv", "fuel_index_ua")
        names += ("crank_slips", "cam_slips", "lost", "crank_turns")
        marks = (0x7FFF,) * 3 + (0xFFFF,) * 5 + (0xFFFFFFFF,)
        fields = {
            name: None if x == mark else x / 10 if i < 3 else x
            for i, (name, x, mark) in enumerate(zip(names, v, marks, strict=True))
        }
    return Frame(kind, sequence, boot, head_us, fields)


def tails(data: bytes) -> list[tuple[int, ...]]:
    """The optional tail of each health frame that has one: speed in tenths, starts, jitter in µs, skew in ns."""
    plain = (uncobs(chunk) for chunk in data.split(b"\0")[:-1] if chunk)
    return [struct.unpack_from("<HHHh", p, 36) for p in plain if p is not None and p[1] == 3 and len(p) == 48]
