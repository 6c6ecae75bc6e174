"""`logbook.jsonl`: the second copy of the log book, the only record that nobody can measure again.

One line a booking, written after its commit and confirmed by the disk: eight hexadecimal digits of CRC-32, a space, and
a JSON list of engine, id, kind, time of typing and the entry's own JSON text. A line that was cut short or does not
match its checksum is passed over; the next write begins a new line, and the next start writes the whole file again.
"""

import json
import os
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path

from gateway.model.errors import StorageError

FILE_BYTES_MAX = 16 * 1024 * 1024
"""Some 20,000 bookings: more than the life of a ship."""
Line = tuple[str, str, str, str, str]
"""Engine, id, kind, UTC and entry of a booking."""


class Logbook:
    """The file `path`. `damaged`: the last `read` passed something over."""

    def __init__(self, path: Path) -> None:
        self.path, self.damaged = path, False

    @property
    def there(self) -> bool:
        """Whether the file was ever made."""
        return os.path.lexists(self.path)

    def read(self) -> list[Line]:
        """All sound lines, each booking once, in the order of typing; nothing where there is no such file."""
        self.damaged = False
        try:
            with self.path.open("rb") as f:
                data = f.read(FILE_BYTES_MAX)
        except FileNotFoundError:
            return []
        except OSError:
            self.damaged = True
            return []
        found: dict[tuple[str, str], Line] = {}
        for raw in data.split(b"\n"):
            line = _decoded(raw)
            if line is None:
                self.damaged |= raw != b""
            else:
                found.setdefault(line[:2], line)
        return list(found.values())

    def append(self, lines: Iterable[Line]) -> None:
        """Add bookings and wait for the disk. Raises StorageError."""
        try:
            fd = os.open(self.path, os.O_CREAT | os.O_RDWR | os.O_APPEND | os.O_CLOEXEC, 0o600)
            try:
                size = os.fstat(fd).st_size
                torn = size > 0 and os.pread(fd, 1, size - 1) != b"\n"
                data = b"\n" * torn + b"".join(map(_encoded, lines))
                if size + len(data) > FILE_BYTES_MAX:
                    raise StorageError(f"{self.path}: is full; move it away, and camdrift writes a new one")
                _write(fd, data)
            finally:
                os.close(fd)
        except OSError as e:
            raise _refused(self.path, e) from None

    def rewrite(self, lines: Sequence[Line]) -> None:
        """Replace the file as a whole, or leave it as it is; a damaged one stays beside. Raises StorageError."""
        new, old = self.path.with_name(self.path.name + ".new"), self.path.with_name(self.path.name + ".corrupt")
        try:
            fd = os.open(new, os.O_CREAT | os.O_TRUNC | os.O_WRONLY | os.O_CLOEXEC, 0o600)
            try:
                _write(fd, b"".join(map(_encoded, lines)))
            finally:
                os.close(fd)
            if self.damaged:
                os.rename(self.path, old)
            os.replace(new, self.path)
        except OSError as e:
            raise _refused(self.path, e) from None
        self.damaged = False


def _encoded(line: Line) -> bytes:
    text = json.dumps(line, separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _decoded(raw: bytes) -> Line | None:
    crc, _, text = raw.partition(b" ")
    if crc != b"%08x" % zlib.crc32(text):
        return None
    try:
        engine, name, kind, utc, entry = json.loads(text)
        sound = isinstance(json.loads(entry), dict)
    except (ValueError, TypeError, RecursionError):
        return None
    line = (engine, name, kind, utc, entry)
    return line if sound and all(isinstance(part, str) for part in line) else None


def _write(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]
    os.fsync(fd)


def _refused(path: Path, e: OSError) -> StorageError:
    return StorageError(f"{path}: the second copy of the log book was not written: {e.strerror}; look at the disk")
