"""Writes frames of the sensor head link, for captures made from recordings. The gateway never writes to a head."""

import struct
import zlib

import numpy as np
import numpy.typing as npt
from cobs import cobs

from gateway.link.frames import HEALTH, IDENTITY, KIND_HEALTH, KIND_IDENTITY, KIND_SAMPLES, SAMPLES_HEAD, VERSION

NOT_FITTED_I16, NOT_FITTED_U16 = 0x7FFF, 0xFFFF


def _frame(payload: bytes) -> bytes:
    return bytes(cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))) + b"\0"


def identity_frame(sequence: int, head_us: int, name: str, interval_ns: int, counts: tuple[int, int]) -> bytes:
    """An identity of boot 1. `name`: at most 16 bytes of UTF-8. `counts`: crank's and cam's counts a turn."""
    text = name.encode()[:16]
    return _frame(
        IDENTITY.pack(VERSION, KIND_IDENTITY, sequence & 0xFFFF, 1, head_us, 0, 0, 0, interval_ns, *counts, text)
    )


def health_frame(sequence: int, head_us: int, crank_turns: int) -> bytes:
    """A health frame of boot 1 in which only the turns are known."""
    temperatures, counts = [NOT_FITTED_I16] * 3, [NOT_FITTED_U16] * 5
    return _frame(HEALTH.pack(VERSION, KIND_HEALTH, sequence & 0xFFFF, 1, head_us, *temperatures, *counts, crank_turns))


def samples_frame(
    sequence: int, head_us: int, interval_ns: int, valid: int, columns: tuple[npt.NDArray[np.uint16], ...]
) -> bytes:
    """Samples of boot 1. `columns`: crank and cam (binary angles) and loop (µA), uint16[n] each, n at most 256."""
    n = len(columns[0])
    head = SAMPLES_HEAD.pack(VERSION, KIND_SAMPLES, sequence & 0xFFFF, 1, head_us, interval_ns, n, valid, 0)
    return _frame(head + np.stack(columns, axis=1).astype("<u2").tobytes())
