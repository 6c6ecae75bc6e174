"""Reads the small files that people write: settings, passwords, keys. Never waits and never reads without end.

A FIFO, a device or a folder in place of a file is refused before it is opened. A secret must belong to root or to the
user of this process, nobody else may read or write it, and nobody else can have put another file or link in its place.
"""

import os
import stat
from pathlib import Path

from gateway.model.errors import Refused

SETTINGS_BYTES_MAX = 1_048_576
"""Sixteen engines with all that can be set are some 60 kB."""
SECRET_BYTES_MAX = 65_535
"""MQTT's own limit for binary data (MQTT 5, section 1.5.6); keys and hashes are shorter."""
LINKS_MAX = 40
"""As the kernel has it."""
OTHERS = 0o077
WORLD_WRITES = 0o002


class UnfitFile(Refused):
    """The file is not read; the text gives the reason and what to do, and never holds what is in it."""


def read_small(path: Path, most_bytes: int) -> bytes:
    """A regular file of at most so many bytes. Raises UnfitFile."""
    fd = _opened(path)
    with os.fdopen(fd, "rb") as file:
        data = _read(file.fileno(), most_bytes + 1, path)
    if len(data) > most_bytes:
        raise UnfitFile(f"is longer than {most_bytes:,} bytes; is it the right file?")
    return data


def read_secret(path: Path, most_bytes: int = SECRET_BYTES_MAX) -> bytes:
    """A file that holds a secret. Raises UnfitFile where others can read, write or replace it."""
    check_secret(path)
    return read_small(path, most_bytes)


def check_secret(path: Path) -> None:
    """For a file that a library reads by its path, such as a key. Raises UnfitFile."""
    _no_nul(path)
    for folder, place in _places(path):
        _check_place(folder, place)
    fd = _opened(path)
    try:
        found = os.fstat(fd)
    finally:
        os.close(fd)
    if found.st_uid not in _trusted():
        raise UnfitFile(f"belongs to {_owner(found.st_uid)}; chown it to the user that camdrift runs as")
    if found.st_mode & OTHERS:
        raise UnfitFile(f"others may read it (mode {found.st_mode & 0o777:03o}); chmod 600 {path}")


def _trusted() -> tuple[int, int]:
    return (0, os.geteuid())


def _owner(uid: int) -> str:
    return f"another user (uid {uid})"


def _opened(path: Path) -> int:
    """A descriptor of a regular file. Raises UnfitFile for anything else, which is not opened at all."""
    _no_nul(path)
    try:
        _regular(os.stat(path).st_mode)
        # Not to wait even where a FIFO was put in its place a moment ago, nor to take a terminal.
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except OSError as e:
        raise UnfitFile(f"cannot be read: {e.strerror or e}") from None
    try:
        _regular(os.fstat(fd).st_mode)
    except UnfitFile:
        os.close(fd)
        raise
    return fd


def _no_nul(path: Path) -> None:
    if "\0" in str(path):
        raise UnfitFile("cannot be read: the path has a NUL character in it")


def _regular(mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a FIFO"), (stat.S_ISSOCK, "a socket"))
    what = next((text for test, text in kinds if test(mode)), "a device")
    raise UnfitFile(f"is {what}, not a regular file")


def _read(fd: int, most_bytes: int, path: Path) -> bytes:
    data = b""
    try:
        while len(data) < most_bytes and (more := os.read(fd, most_bytes - len(data))):
            data += more
    except OSError as e:
        raise UnfitFile(f"cannot be read: {e.strerror or e}") from None
    return data


def _places(path: Path) -> list[tuple[Path, Path]]:
    """Each folder on the way, through all links, with what is looked up in it."""
    found: list[tuple[Path, Path]] = []
    rest, here = list(path.absolute().parts[1:]), Path("/")
    links = 0
    while rest:
        name = rest.pop(0)
        if name == "..":
            here = here.parent
            continue
        place = here / name
        found.append((here, place))
        try:
            target = os.readlink(place)
        except OSError:
            here = place
            continue
        links += 1
        if links > LINKS_MAX:
            raise UnfitFile("cannot be read: too many links on the way")
        rest = [p for p in Path(target).parts if p != "/"] + rest
        here = Path("/") if target.startswith("/") else here
    return found


def _check_place(folder: Path, place: Path) -> None:
    """Nobody but root and this user can have put `place` there. Raises UnfitFile."""
    try:
        there, it = folder.stat(), place.lstat()
    except OSError as e:
        raise UnfitFile(f"cannot be read: {e.strerror or e}") from None
    if there.st_uid not in _trusted():
        raise UnfitFile(f"lies in {folder}, which belongs to {_owner(there.st_uid)}; move it to a folder of root's")
    if not there.st_mode & WORLD_WRITES:
        return
    if stat.S_ISLNK(it.st_mode):
        raise UnfitFile(f"goes through the link {place} in a folder that all can write to; give the file's own path")
    if not there.st_mode & stat.S_ISVTX or it.st_uid not in _trusted():
        raise UnfitFile(f"lies in {folder}, where others can replace it; move it, or chmod o-w {folder}")
