"""A capture, the link's raw bytes in a file, read in order for replay."""

from collections.abc import Iterator
from io import FileIO
from pathlib import Path

from gateway.model.errors import PortError, Refused

CHUNK_BYTES = 1 << 20


def read_capture(path: Path, chunk_bytes: int = CHUNK_BYTES) -> Iterator[bytes]:
    """The capture's bytes in chunks of at most `chunk_bytes`, never the whole file at once.

    Raises at once, before the first chunk is asked for: Refused where the file is missing, empty, a folder or
    unreadable. Raises while reading: PortError where the disk fails under it.
    """
    try:
        file = path.open("rb", buffering=0)
    except FileNotFoundError:
        raise Refused(f"{path}: there is no such capture; give the path of a file of raw link bytes") from None
    except IsADirectoryError:
        raise Refused(f"{path}: is a folder; give one of the capture files in it") from None
    except OSError as e:
        raise Refused(f"{path}: cannot be read: {e.strerror}; check who may read it") from None
    try:
        first = file.read(chunk_bytes)
    except OSError as e:
        file.close()
        raise Refused(f"{path}: cannot be read: {e.strerror}; check the disk it is on") from None
    if not first:
        file.close()
        raise Refused(f"{path}: is empty, so there is nothing to replay; give another capture")
    return _chunks(path, file, first, chunk_bytes)


def _chunks(path: Path, file: FileIO, first: bytes, chunk_bytes: int) -> Iterator[bytes]:
    with file:
        chunk = first
        while chunk:
            yield chunk
            try:
                chunk = file.read(chunk_bytes)
            except OSError as e:
                raise PortError(
                    f"{path}: reading stopped part-way: {e.strerror}; check the disk. What came before was used"
                ) from None
