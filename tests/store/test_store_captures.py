"""The ring of raw bytes: whole frames per file, an hour each, bounded by hours and megabytes."""

from pathlib import Path

import pytest

from gateway.model.errors import StorageError
from gateway.store.captures import CaptureRing

START = 1_772_366_400.0  # 2026-03-01T12:00:00Z
FRAME = b"\x05abcd\x00"


def names(folder: Path) -> list[str]:
    """File names in the ring, sorted."""
    return sorted(p.name for p in folder.iterdir())


def test_a_file_an_hour_each_with_whole_frames(tmp_path: Path) -> None:
    """The bytes come back complete and in order; a file ends with a delimiter and the next begins after it."""
    ring = CaptureRing(tmp_path / "c", hours=24, megabytes=10)
    stream = b"".join(bytes([1 + n % 250]) * (n % 40) + b"\0" for n in range(2_000))
    for n, start in enumerate(range(0, len(stream), 97)):
        ring.write("port", START + n * 20, stream[start : start + 97])
    ring.close()
    files = [tmp_path / "c" / name for name in names(tmp_path / "c")]
    assert names(tmp_path / "c")[0] == "port-20260301T120000.000Z.cap"
    assert len(files) == 1 + (len(stream) // 97) * 20 // 3_600
    assert b"".join(f.read_bytes() for f in files) == stream
    assert all(f.read_bytes().endswith(b"\0") for f in files[:-1])


def test_megabytes_and_hours_bound_the_ring(tmp_path: Path) -> None:
    """The oldest files go, of whichever head, and what is being written stays."""
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=0.1)
    for n in range(400):
        ring.write("ab"[n % 2], START + n, FRAME * 100)
        assert sum(p.stat().st_size for p in (tmp_path / "c").iterdir()) <= 100_000
    last = max(names(tmp_path / "c"))
    assert last.startswith("b-")
    ring.close()
    ring = CaptureRing(tmp_path / "c", hours=2, megabytes=10)
    ring.write("a", START + 20 * 3_600, FRAME)
    assert names(tmp_path / "c") == ["a-20260302T080000.000Z.cap"]
    ring.close()


def test_a_stream_without_delimiters_is_bounded_too(tmp_path: Path) -> None:
    """Garbage with never a zero byte cannot make one file grow for ever."""
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=0.1)
    for n in range(100):
        ring.write("a", START + n, b"\x55" * 5_000)
    assert sum(p.stat().st_size for p in (tmp_path / "c").iterdir()) <= 100_000
    ring.close()


def test_clock_set_back_overwrites_nothing(tmp_path: Path) -> None:
    """A second start within the same millisecond takes another name."""
    for text in (b"one\0", b"two\0"):
        ring = CaptureRing(tmp_path / "c", hours=24, megabytes=10)
        ring.write("a", START, text)
        ring.close()
    assert [(tmp_path / "c" / name).read_bytes() for name in names(tmp_path / "c")] == [b"one\0", b"two\0"]


def test_foreign_files_and_names(tmp_path: Path) -> None:
    """Files that are not captures are left alone, and a head's name cannot lead out of the folder."""
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "notes.txt").write_text("x" * 200_000)
    ring = CaptureRing(tmp_path / "c", hours=1, megabytes=0.1)
    ring.write("a", START, FRAME)
    assert "notes.txt" in names(tmp_path / "c")
    with pytest.raises(ValueError, match="slug"):
        ring.write("../a", START, FRAME)
    ring.close()


def test_unusable_folder_is_a_storage_error(tmp_path: Path) -> None:
    """A file in the folder's place, or the folder gone, is told as a storage error."""
    (tmp_path / "c").write_text("")
    with pytest.raises(StorageError, match="captures"):
        CaptureRing(tmp_path / "c", hours=1, megabytes=1)
    ring = CaptureRing(tmp_path / "d", hours=1, megabytes=1)
    (tmp_path / "d").rmdir()
    with pytest.raises(StorageError, match="not written"):
        ring.write("a", START, FRAME)
