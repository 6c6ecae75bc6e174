"""Writer of the sensor head link's frames, version 1: `COBS(payload ‖ CRC-32) ‖ 0x00`, little-endian throughout."""

import struct
import zlib

from cobs import cobs

VERSION = 1
IDENTITY = 1
SAMPLES = 2
HEALTH = 3

NOT_FITTED_I16 = 0x7FFF
NOT_FITTED_U16 = 0xFFFF
NOT_FITTED_U32 = 0xFFFF_FFFF

_HEADER = struct.Struct("<BBHIQ")
_SAMPLES = struct.Struct("<IHBB")
_IDENTITY = struct.Struct("<IHHIII16s")
_TAIL = struct.Struct("<HHHh")
_HEALTH = struct.Struct("<hhhHHHHHI")


def frame(payload: bytes) -> bytes:
    """The payload as it goes on the wire, with its CRC-32/ISO-HDLC and the closing delimiter."""
    return bytes(cobs.encode(payload + zlib.crc32(payload).to_bytes(4, "little"))) + b"\0"


def header(kind: int, sequence: int, boot: int, head_us: int) -> bytes:
    """The 16 bytes that every payload begins with; `sequence` wraps at 65,536."""
    return _HEADER.pack(VERSION, kind, sequence & 0xFFFF, boot & 0xFFFF_FFFF, head_us)


def identity_payload(
    head: bytes, serial: int, firmware: tuple[int, int], interval_ns: int, counts: tuple[int, int], name: str
) -> bytes:
    """Kind 1. `head`: from `header`. `counts`: crank, cam counts per turn. `name`: at most 16 bytes of UTF-8."""
    return head + _IDENTITY.pack(serial, *firmware, interval_ns, *counts, name.encode())


def samples_payload(head: bytes, interval_ns: int, n: int, valid: int, rows: bytes) -> bytes:
    """Kind 2. `rows`: n × (u16 crank, u16 cam, u16 loop µA), little-endian. `valid`: bits 0 crank, 1 cam, 2 loop."""
    return head + _SAMPLES.pack(interval_ns, n, valid, 0) + rows


def health_payload(
    head: bytes,
    *,
    head_c: float | None,
    casing_c: float | None,
    frame_c: float | None,
    supply_mv: int | None,
    fuel_index_ua: int | None,
    crank_slips: int | None,
    cam_slips: int | None,
    lost: int | None,
    crank_turns: int | None,
    tail: bytes = b"",
) -> bytes:
    """Kind 3. `None` = not fitted. Figures beyond their field are held at its last value that is not the mark.

    `tail`: from `health_tail`, or none.
    """
    return (
        head
        + _HEALTH.pack(
            *(_tenths(v) for v in (head_c, casing_c, frame_c)),
            *(_u16(v) for v in (supply_mv, fuel_index_ua, crank_slips, cam_slips, lost)),
            NOT_FITTED_U32 if crank_turns is None else crank_turns % NOT_FITTED_U32,
        )
        + tail
    )


def health_tail(rpm: float | None, starts: int, jitter_us: int, skew_ns: int | None) -> bytes:
    """The optional tail of a health frame. `None` = not known."""
    skew = -0x8000 if skew_ns is None else max(-0x7FFF, min(0x7FFF, skew_ns))
    return _TAIL.pack(_u16(None if rpm is None else round(rpm * 10)), _u16(starts), _u16(jitter_us), skew)


def _tenths(celsius: float | None) -> int:
    if celsius is None:
        return NOT_FITTED_I16
    return max(-0x8000, min(NOT_FITTED_I16 - 1, round(celsius * 10)))


def _u16(value: int | None) -> int:
    return NOT_FITTED_U16 if value is None else max(0, min(NOT_FITTED_U16 - 1, value))
