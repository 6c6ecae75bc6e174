"""The data folder: made, locked against a second daemon, and kept with ballast for the day the disk is full."""

import errno
import fcntl
import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

import structlog

from gateway.model.errors import Refused, StorageError

BALLAST_BYTES = 4 * 1024 * 1024
"""On a full disk SQLite can neither delete nor checkpoint; so much is given back to it then."""

ODD = ".odd"


class Folder:
    """The data folder, held by one process. Raises StorageError where unusable, Refused where another holds it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        _make(path)
        # The lock first: one set aside later would no longer keep a second daemon out.
        _rename_what_waits([path / "lock"])
        self._lock_fd = _lock(path)
        _rename_what_waits(sorted(path.iterdir()))

    def close(self) -> None:
        """Give the folder free."""
        if self._lock_fd >= 0:
            os.close(self._lock_fd)
            self._lock_fd = -1


class Ballast:
    """A file that holds disk space which can be given back when the disk is full."""

    def __init__(self, folder: Path, size: int = BALLAST_BYTES) -> None:
        self._path = folder / "ballast"
        self._size = size

    @property
    def there(self) -> bool:
        """Whether the reserve stands in full."""
        try:
            return self._path.stat().st_size >= self._size
        except OSError:
            return False

    def disk_is_tight(self) -> bool:
        """Whether the disk has less free than the reserve is large."""
        try:
            room = os.statvfs(self._path.parent)
        except OSError:
            return True
        return room.f_bavail * room.f_frsize < self._size

    def release(self) -> bool:
        """Delete it; True if this freed anything."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True

    def restore(self) -> bool:
        """Make it again if the disk has room for it and as much again; True if it stands."""
        if self.there:
            return True
        try:
            room = os.statvfs(self._path.parent)
            if room.f_bavail * room.f_frsize < 2 * self._size:
                return False
            fd = os.open(self._path, os.O_CREAT | os.O_WRONLY | os.O_CLOEXEC, 0o600)
        except OSError:
            return False
        try:
            os.posix_fallocate(fd, 0, self._size)
        except OSError:
            self.release()
            return False
        finally:
            os.close(fd)
        return True


def _rename_what_waits(paths: Iterable[Path]) -> None:
    """A FIFO or a device in place of a file would hold up whoever opens it, for ever; `<name>.odd` is never opened."""
    for path in paths:
        with suppress(OSError):
            mode = path.stat().st_mode
            if path.suffix != ODD and (stat.S_ISFIFO(mode) or stat.S_ISCHR(mode) or stat.S_ISBLK(mode)):
                path.rename(path.with_name(path.name + ODD))
                structlog.get_logger("store").error("store.odd_file_renamed", file=path.name)


def _make(path: Path) -> None:
    try:
        path.mkdir(mode=0o700, exist_ok=True)
    except FileNotFoundError:
        raise StorageError(f"{path}: its parent folder is missing; make it, or set another gateway.data_dir") from None
    except FileExistsError:
        raise StorageError(f"{path}: is a file, not a folder; set another gateway.data_dir") from None
    except OSError as e:
        raise StorageError(f"{path}: cannot be made: {e.strerror}; {_advice(e)}") from None


def _lock(path: Path) -> int:
    try:
        fd = os.open(path / "lock", os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError as e:
        raise StorageError(f"{path}: cannot be written to: {e.strerror}; {_advice(e)}") from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as e:
        owner = os.pread(fd, 32, 0).decode("ascii", "replace").strip() or "unknown"
        os.close(fd)
        if e.errno not in (errno.EWOULDBLOCK, errno.EACCES):
            raise StorageError(f"{path}: cannot be locked: {e.strerror}; use a folder on a local disk") from None
        raise Refused(
            f"{path}: another camdrift (process {owner}) uses this data folder; stop it or set another gateway.data_dir"
        ) from None
    _note_owner(fd)
    return fd


def _note_owner(fd: int) -> None:
    try:
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
    except OSError:
        # Only the words of a refusal suffer on a full disk; the lock itself holds.
        pass


def _advice(e: OSError) -> str:
    if e.errno in (errno.EACCES, errno.EPERM):
        return "give the user that runs camdrift the right to write there, or set another gateway.data_dir"
    if e.errno == errno.EROFS:
        return "the disk is mounted read-only; mount it writable, or set another gateway.data_dir"
    if e.errno == errno.ENOSPC:
        return "the disk is full; free some space"
    return "set another gateway.data_dir"
