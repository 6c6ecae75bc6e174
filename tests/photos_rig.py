"""Photos for tests: a real PNG of any size, and the headers of a JPEG, which is all that the gateway reads."""

import struct
import zlib


def png(width: int = 8, height: int = 6, shade: int = 128) -> bytes:
    """A grey PNG that any browser draws; of one that is too large only as much as shows its size."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = (b"\0" + bytes([shade]) * width) * height if width * height < 1e6 else b""
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def jpeg(width: int = 8, height: int = 6, rest: bytes = b"") -> bytes:
    """Start, an application's segment, the frame's header, whatever follows, and the end."""
    app = b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0\1\1\0\0\1\0\1\0\0"
    frame = b"\xff\xc0" + struct.pack(">HBHHB", 11, 8, height, width, 1) + b"\1\x11\0"
    return b"\xff\xd8" + app + frame + rest + b"\xff\xd9"
