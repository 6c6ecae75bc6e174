"""The fields of version 1's frames, after section 2 of the interface. All little-endian."""

import struct
from typing import Any

from gateway.link.counts import Refusal
from gateway.model.limits import INTERVAL_NS_MAX, INTERVAL_NS_MIN, SAMPLES_PER_FRAME_MAX
from gateway.model.records import Health, Identity

VERSION = 1
KIND_IDENTITY, KIND_SAMPLES, KIND_HEALTH = 1, 2, 3

CRC_BYTES = 4
CRC_RESIDUE = 0x2144DF1C
"""CRC-32/ISO-HDLC over any payload followed by its own CRC: one pass and one comparison, no slicing."""

HEADER = struct.Struct("<BBHIQ")
SAMPLES_HEAD = struct.Struct("<BBHIQIHBB")
"""Header, then interval ns, n, validity bits, reserved."""
SAMPLES_FIELDS = [
    ("version", "u1"),
    ("kind", "u1"),
    ("sequence", "<u2"),
    ("boot", "<u4"),
    ("head_us", "<u8"),
    ("interval_ns", "<u4"),
    ("n", "<u2"),
    ("valid", "u1"),
    ("reserved", "u1"),
]
"""The same as columns of a table of frames."""
IDENTITY = struct.Struct("<BBHIQIHHIII16s")
HEALTH = struct.Struct("<BBHIQhhhHHHHHI")
HEALTH_TAIL = struct.Struct("<HHHh")
"""Optional: mean speed since the last health frame, starts, sampling jitter, skew between the latches."""

SAMPLE_BYTES = 6
SAMPLES_BYTES_FIXED = SAMPLES_HEAD.size + CRC_BYTES
"""A sample frame of n samples decodes to this + 6n bytes."""

HEAD_US_MAX = 2**53
"""285 years of head time. Beyond it µs are no longer exact in a float64, nor ns held by an int64."""


def refusal(frame: bytes) -> Refusal | None:
    """Why a frame whose CRC is right is refused; `None` if it is not. `frame`: payload and CRC, COBS undone."""
    size = len(frame) - CRC_BYTES
    if size >= 1 and frame[0] != VERSION:
        return "version"
    if size < HEADER.size:
        return "length"
    _, kind, _, _, head_us = HEADER.unpack_from(frame)
    if head_us > HEAD_US_MAX:
        return "absurd"
    if kind == KIND_SAMPLES:
        return _samples_refusal(frame, size)
    if kind == KIND_IDENTITY:
        return "length" if size != IDENTITY.size else None
    if kind == KIND_HEALTH:
        return None if size in (HEALTH.size, HEALTH.size + HEALTH_TAIL.size) else "length"
    return "kind"


def _samples_refusal(frame: bytes, size: int) -> Refusal | None:
    if size < SAMPLES_HEAD.size:
        return "length"
    interval_ns, n = SAMPLES_HEAD.unpack_from(frame)[5:7]
    if not 1 <= n <= SAMPLES_PER_FRAME_MAX or size != SAMPLES_HEAD.size + SAMPLE_BYTES * n:
        return "length"
    if interval_ns == 0:
        return "interval"
    return None if INTERVAL_NS_MIN <= interval_ns <= INTERVAL_NS_MAX else "absurd"


def parse_identity(frame: bytes) -> Identity:
    """A good identity frame. Its name comes from outside: what is not printable text is replaced by U+FFFD."""
    _, _, sequence, boot, head_us, serial, major, minor, interval_ns, crank, cam, name = IDENTITY.unpack_from(frame)
    text = name.split(b"\0", 1)[0].decode("utf-8", errors="replace")
    return Identity(
        sequence=sequence,
        boot=boot,
        head_us=head_us,
        serial=serial,
        firmware=(major, minor),
        interval_ns=interval_ns,
        crank_counts=crank,
        cam_counts=cam,
        name="".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text),
    )


def parse_health(frame: bytes) -> Health:
    """A good health frame; what is not fitted becomes `None`."""
    fields = HEALTH.unpack_from(frame)
    counts = [None if v == 0xFFFF else v for v in fields[8:13]]
    return Health(
        sequence=fields[2],
        boot=fields[3],
        head_us=fields[4],
        head_c=_tenths(fields[5]),
        casing_c=_tenths(fields[6]),
        frame_c=_tenths(fields[7]),
        supply_mv=counts[0],
        fuel_index_ua=counts[1],
        crank_slips=counts[2],
        cam_slips=counts[3],
        lost=counts[4],
        crank_turns=None if fields[13] == 0xFFFFFFFF else fields[13],
        **_tail(frame),
    )


def _tail(frame: bytes) -> dict[str, Any]:
    """The optional tail's fields; of a frame without it, or where a figure is unknown, nothing."""
    if len(frame) - CRC_BYTES < HEALTH.size + HEALTH_TAIL.size:
        return {}
    rpm_x10, starts, jitter_us, skew_ns = HEALTH_TAIL.unpack_from(frame, HEALTH.size)
    found = {
        "rpm": None if rpm_x10 == 0xFFFF else rpm_x10 / 10,
        "starts": None if starts == 0xFFFF else starts,
        "jitter_us": None if jitter_us == 0xFFFF else jitter_us,
        "skew_ns": None if skew_ns == -0x8000 else skew_ns,
    }
    return {name: value for name, value in found.items() if value is not None}


def _tenths(value: int) -> float | None:
    return None if value == 0x7FFF else value / 10
