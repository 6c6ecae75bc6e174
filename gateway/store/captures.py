"""A bounded ring of raw bytes as the heads sent them: `captures/<head>-<UTC of its start>.cap`, a new one each hour.

The name carries the UTC for `camdrift replay --start`, as 20260301T120000.000Z. Files begin after a frame's delimiter,
so that no frame is cut between two. The oldest go when the ring is older than its hours or larger than its megabytes.
"""

import errno
import os
import re
from pathlib import Path

from gateway.encode.times import rfc3339
from gateway.model.errors import StorageError

FILE_S = 3_600.0
FILES_PER_RING_MIN = 8
"""A file takes at most this part of the megabytes, so that the oldest can go without losing the most."""

_SLUG = re.compile(r"[a-z0-9-]{1,32}")
_NAME = re.compile(r"[a-z0-9-]{1,32}-(\d{8}T\d{6}\.\d{3}Z)\.cap")


class CaptureRing:
    """Writes the ring; used by one thread. Raises StorageError when the disk refuses; what was given is then lost."""

    def __init__(self, folder: Path, *, hours: float, megabytes: float) -> None:
        self._folder = folder
        self._age_s = hours * 3_600
        self._bytes_max = int(megabytes * 1_000_000)
        self._open: dict[str, _File] = {}
        self._look = True
        try:
            folder.mkdir(mode=0o700, exist_ok=True)
            self._total = sum(p.stat().st_size for p in self._files())
        except OSError as e:
            raise StorageError(
                f"{folder}: cannot be used for captures: {e.strerror}; see to the folder or the disk"
            ) from None

    def write(self, head: str, utc_s: float, data: bytes) -> None:
        """Append what `head` has sent, received at `utc_s`. Raises ValueError for a head that is not a slug."""
        if not _SLUG.fullmatch(head):
            raise ValueError(f"{head!r} is not a head's slug")
        try:
            self._write(head, utc_s, data)
            self._keep_bounds(utc_s)
        except OSError as e:
            self.give_way()
            raise StorageError(f"{self._folder}: capture not written: {e.strerror}; see to the disk") from None

    def give_way(self) -> bool:
        """Delete the oldest file that is not being written, to make room for what matters more; True if one went."""
        writing = {f.path for f in self._open.values()}
        try:
            oldest = next((path for path in self._files() if path not in writing), None)
        except OSError:
            return False
        return oldest is not None and self._delete(oldest)

    def close(self) -> None:
        """Close the files being written."""
        for head in list(self._open):
            self._close_file(head)

    def _write(self, head: str, utc_s: float, data: bytes) -> None:
        now = self._open.get(head)
        if now is not None and now.is_over(utc_s, self._bytes_max // FILES_PER_RING_MIN):
            cut = data.rfind(b"\0") + 1
            if cut == 0 and 0 <= now.size < 2 * self._bytes_max // FILES_PER_RING_MIN:
                # Still within a frame: the next delimiter will do.
                self._append(now, data)
                return
            self._append(now, data[:cut])
            self._close_file(head)
            data, now = data[cut:], None
        if not data:
            return
        if now is None:
            now = self._open[head] = _File(self._folder, head, utc_s)
            self._look = True
        self._append(now, data)

    def _append(self, file: "_File", data: bytes) -> None:
        before = file.size
        try:
            file.append(data)
        finally:
            self._total += file.size - before

    def _keep_bounds(self, utc_s: float) -> None:
        if self._total <= self._bytes_max and not self._look:
            return
        self._look = False
        writing = {f.path for f in self._open.values()}
        for path in self._files():
            if path in writing:
                continue
            if self._total <= self._bytes_max and not _older(path, utc_s - self._age_s - FILE_S):
                break
            self._delete(path)

    def _delete(self, path: Path) -> bool:
        try:
            size = path.stat().st_size
            path.unlink()
        except OSError:
            return False
        self._total -= size
        return True

    def _files(self) -> list[Path]:
        found = [(m[1], p) for p in self._folder.iterdir() if (m := _NAME.fullmatch(p.name))]
        return [p for _, p in sorted(found)]

    def _close_file(self, head: str) -> None:
        file = self._open.pop(head, None)
        if file is not None:
            file.close()


class _File:
    """One capture being written."""

    def __init__(self, folder: Path, head: str, utc_s: float) -> None:
        self.start_s = utc_s
        self.size = 0
        for step in range(1_000):
            # A clock set back may meet an old name; a millisecond later is as good.
            self.path = folder / f"{head}-{_stamp(utc_s + step / 1_000)}.cap"
            try:
                self._fd = os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC, 0o600)
                return
            except FileExistsError:
                continue
        raise FileExistsError(errno.EEXIST, "a thousand captures of the same second", str(self.path))

    def is_over(self, utc_s: float, bytes_max: int) -> bool:
        """Whether the hour is over, the clock stepped back, or the file has its share."""
        return not 0 <= utc_s - self.start_s < FILE_S or self.size >= bytes_max

    def append(self, data: bytes) -> None:
        """Write all of it."""
        while data:
            written = os.write(self._fd, data)
            self.size += written
            data = data[written:]

    def close(self) -> None:
        """Close the file."""
        os.close(self._fd)


def _stamp(utc_s: float) -> str:
    return rfc3339(utc_s).replace("-", "").replace(":", "")


def _older(path: Path, utc_s: float) -> bool:
    found = _NAME.fullmatch(path.name)
    return found is not None and found[1] < _stamp(max(utc_s, 0.0))
