"""Lines of IEC 61162-1 and datagrams of IEC 61162-450: made, cut out of a stream, checked. No I/O.

Every bound is the standard's: 82 characters with `$` and CR LF. The escape `^hh` is from memory.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

LINE_CHARS_MAX = 82
"""With the `$` and CR LF."""
TAIL_CHARS = 5
"""`*hh` and CR LF."""
DATAGRAM_BYTES_MAX = 1_472

_RESERVED = frozenset("$*,!\\^~")
_CLOSEST = str.maketrans({"≥": ">=", "≤": "<=", "–": "-", "—": "-", "−": "-", "’": "'", "…": "..."})


class SentenceError(ValueError):
    """A line is no sentence; its text is the reason."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """One line that was read: its talker, what kind of sentence, its fields with their escapes undone."""

    talker: str
    formatter: str
    fields: tuple[str, ...]


def checksum(body: str | bytes) -> str:
    """XOR of all characters between `$` and `*`, as two hexadecimal digits."""
    data = body.encode("ascii") if isinstance(body, str) else body
    return f"{reduce(lambda a, b: a ^ b, data, 0):02X}"


def compose(fields: Sequence[str]) -> str:
    """The whole line with `$`, checksum and CR LF. Raises SentenceError if it is longer than 82 characters."""
    body = ",".join(fields)
    text = f"${body}*{checksum(body)}\r\n"
    if len(text) > LINE_CHARS_MAX:
        raise SentenceError(f"{len(text)} characters, allowed are {LINE_CHARS_MAX}")
    return text


def escape(text: str, room: int) -> str:
    """`text` with reserved and unprintable characters as `^hh`, cut to `room` characters, never within an escape."""
    out = ""
    for char in _latin(text):
        piece = f"^{ord(char):02X}" if char in _RESERVED or not " " <= char <= "~" else char
        if len(out) + len(piece) > room:
            break
        out += piece
    return out


def unescape(text: str) -> str:
    """Undo `escape`; a `^` that two hexadecimal digits do not follow stays as it is."""
    return re.sub(r"\^([0-9A-Fa-f]{2})", lambda m: chr(int(m[1], 16)), text)


def _latin(text: str) -> str:
    near = unicodedata.normalize("NFC", text.translate(_CLOSEST))
    return "".join(c if ord(c) < 256 else "?" for c in near)


_ADDRESS = re.compile(r"[A-OQ-Z0-9][A-Z0-9][A-Z0-9]{3}")
_HEX = re.compile(r"[0-9A-Fa-f]{2}")


def parse(line: bytes) -> Sentence:
    """Read one line, with or without its CR LF. Raises SentenceError for anything that is not a sound sentence."""
    body = line.removesuffix(b"\n").removesuffix(b"\r")
    if len(body) > LINE_CHARS_MAX - 2:
        raise SentenceError("longer than 82 characters")
    if not body.startswith(b"$") or any(not 0x20 <= c <= 0x7E for c in body):
        raise SentenceError("not printable ASCII that begins with $")
    inner, star, given = body[1:].decode("ascii").rpartition("*")
    if not star or not _HEX.fullmatch(given):
        raise SentenceError("no checksum")
    if checksum(inner) != given.upper():
        raise SentenceError(f"checksum {given}, calculated {checksum(inner)}")
    address, *fields = inner.split(",")
    if not _ADDRESS.fullmatch(address):
        raise SentenceError("no talker and formatter of five characters")
    return Sentence(address[:2], address[2:], tuple(unescape(f) for f in fields))


class LineSplitter:
    """Cuts a stream into lines; keeps at most one unfinished one, and of each only what begins at its last `$`."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that are complete now."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = self._cut(rest)
        return [self._cut(line) for line in lines if b"$" in line]

    @staticmethod
    def _cut(line: bytes) -> bytes:
        begin = line.rfind(b"$")
        return line[begin : begin + LINE_CHARS_MAX] if begin >= 0 else b""


_MARK = b"UdPbC\0"


def datagram(sfi: str, count: int, line: str) -> bytes:
    """One line as a datagram after IEC 61162-450: mark, tag block with source and line count (1–999), sentence."""
    tags = f"s:{sfi},n:{count}"
    return _MARK + f"\\{tags}*{checksum(tags)}\\{line}".encode("ascii")


def lines_of(data: bytes) -> list[bytes]:
    """The sentences in a datagram without their tag blocks; those with a damaged one are left out."""
    if not data.startswith(_MARK) or len(data) > DATAGRAM_BYTES_MAX:
        return []
    return [line for raw in data[len(_MARK) :].split(b"\n") if (line := _untagged(raw))]


def _untagged(raw: bytes) -> bytes:
    if not raw.startswith(b"\\"):
        return raw if raw.startswith(b"$") else b""
    block, closing, line = raw[1:].partition(b"\\")
    tags, star, given = block.rpartition(b"*")
    if not closing or not star or checksum(tags).encode() != given.upper():
        return b""
    return line
