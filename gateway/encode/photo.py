"""A photo from outside: what it is by its own first bytes, how large it would be drawn, and its name.

JPEG (ITU-T T.81, Annex B) and PNG (W3C Portable Network Graphics, clause 11.2.2) only; no pixel is decoded here.
"""

import struct
from hashlib import sha256

from gateway.model.errors import Refused

PHOTO_BYTES_MAX = 600_000
SIDE_MAX = 4_096
"""Pixels of either side: a small file may unpack to an image that fills a reader's memory."""
MEDIA_TYPES = {"jpg": "image/jpeg", "png": "image/png"}
_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8\xff"
_SIZE_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""Start of frame; the three left out are tables and a reserved one."""
_BARE_MARKERS = frozenset({0x01, *range(0xD0, 0xD9)})
"""Without a length: TEM, RST0 to RST7, SOI."""
_NEITHER = "this is neither a JPEG nor a PNG photo; choose another file"


def photo_name(data: bytes) -> str:
    """The name under which these bytes are kept: digits of their SHA-256, and what they are. Raises Refused."""
    if len(data) > PHOTO_BYTES_MAX:
        raise Refused(f"a photo has at most {PHOTO_BYTES_MAX:,} bytes; make it smaller")
    kind, sides = _seen(data)
    if sides is None or not all(0 < side <= SIDE_MAX for side in sides):
        raise Refused(f"a photo has 1 to {SIDE_MAX:,} pixels on each side; choose another file, or make it smaller")
    return f"{sha256(data).hexdigest()[:32]}.{kind}"


def _seen(data: bytes) -> tuple[str, tuple[int, int] | None]:
    if data.startswith(_PNG) and data[12:16] == b"IHDR" and len(data) >= 24:
        return "png", struct.unpack(">II", data[16:24])
    if data.startswith(_JPEG):
        return "jpg", _jpeg_sides(data)
    raise Refused(_NEITHER)


def _jpeg_sides(data: bytes) -> tuple[int, int] | None:
    """Width and height from the frame's header, `None` where there is none before the picture's own bytes."""
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
        elif marker in _BARE_MARKERS:
            at += 2
        elif marker in _SIZE_MARKERS:
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            return width, height
        else:
            (length,) = struct.unpack(">H", data[at + 2 : at + 4])
            at += 2 + max(length, 2)
    return None
