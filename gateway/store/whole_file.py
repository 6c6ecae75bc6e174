"""Files that are written whole or not at all: reports, and the record of a commissioning."""

import contextlib
import errno
import os
import tempfile
from pathlib import Path

from gateway.model.errors import StorageError

_ADVICE = {
    errno.ENOSPC: "the disk is full; free some space",
    errno.EDQUOT: "the quota is used up; free some space",
    errno.EROFS: "the disk is mounted read-only; write to another place",
    errno.EACCES: "no right to write there; write to another place",
    errno.ENOENT: "its folder is missing; make it, or write to another place",
}


def write_whole(path: Path, data: bytes, mode: int | None = None) -> None:
    """All of it beside the old file and then in its place. `mode`: rights of the file; `None`: those that this process
    gives to a new one, which no second thread may ask for at the same time. Raises StorageError."""
    part: str | None = None
    try:
        fd, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(fd, "wb") as f:
            f.write(data)
            f.flush()
            os.fchmod(fd, 0o644 & ~_umask() if mode is None else mode)
            os.fsync(fd)
        os.replace(part, path)
        part = None
    except OSError as e:
        raise storage_error(path, e) from None
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                os.unlink(part)


def _umask() -> int:
    now = os.umask(0o077)
    os.umask(now)
    return now


def storage_error(path: Path, e: OSError) -> StorageError:
    """What the disk refused, and what to do."""
    advice = _ADVICE.get(e.errno or 0, "write to another place")
    return StorageError(f"{path}: cannot be written: {e.strerror}; {advice}")
