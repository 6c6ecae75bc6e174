"""A capture file: read in chunks, and refused in plain words where it cannot be."""

import os
from pathlib import Path

import pytest

from gateway.model.errors import Refused
from gateway.sources.capture_file import read_capture


@pytest.mark.parametrize("size", [1, 999, 1_000, 1_001, 5_500])
def test_bytes_are_the_file_s(tmp_path: Path, size: int) -> None:
    """The chunks put together are the file, none larger than asked for, none empty."""
    path = tmp_path / "a.bin"
    path.write_bytes(os.urandom(size))
    chunks = list(read_capture(path, chunk_bytes=1_000))
    assert b"".join(chunks) == path.read_bytes()
    assert all(1 <= len(c) <= 1_000 for c in chunks)


def test_refusals(tmp_path: Path) -> None:
    """Missing, empty and folder are refused at the call, before anything is read, each in its own words."""
    with pytest.raises(Refused, match="no such capture"):
        read_capture(tmp_path / "none")
    (tmp_path / "empty").touch()
    with pytest.raises(Refused, match="is empty"):
        read_capture(tmp_path / "empty")
    with pytest.raises(Refused, match="is a folder"):
        read_capture(tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read anything")
def test_unreadable(tmp_path: Path) -> None:
    """A capture that may not be read is refused with what to check."""
    path = tmp_path / "a.bin"
    path.write_bytes(b"x")
    path.chmod(0)
    with pytest.raises(Refused, match="who may read"):
        read_capture(path)
