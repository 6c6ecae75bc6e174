"""The ring of raw bytes: whole frames per file, an hour each, bounded by hours and megabytes."""

import os
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


def test_the_oldest_that_is_not_written_gives_way(tmp_path: Path) -> None:
    """Made room is counted, what is being written stays, and nothing is left to give in the end."""
    first = CaptureRing(tmp_path / "c", hours=1_000, megabytes=10)
    for n, head in enumerate("abc"):
        first.write(head, START + n, FRAME * (n + 1))
    first.close()
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=10)
    ring.write("d", START + 9, FRAME)
    assert ring._total == 7 * len(FRAME)
    for left in (6, 4, 1):
        assert ring.give_way() is True
        assert ring._total == left * len(FRAME)
    assert ring.give_way() is False
    assert names(tmp_path / "c") == ["d-20260301T120009.000Z.cap"]
    ring.close()


def test_a_file_is_cut_at_the_last_delimiter(tmp_path: Path) -> None:
    """Of a chunk with three frames and a bit all three stay in the old file, and the bit begins the new one."""
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=10)
    ring.write("port", START, FRAME)
    ring.write("port", START + 3_600, FRAME * 3 + b"ab")
    ring.write("port", START + 3_601, b"c\0")
    ring.close()
    old, new = ((tmp_path / "c" / name).read_bytes() for name in names(tmp_path / "c"))
    assert (old, new) == (FRAME * 4, b"abc\0")


def test_within_a_frame_the_old_file_goes_on_up_to_twice_its_share(tmp_path: Path) -> None:
    """An eighth of 0.1 MB is a file's share; garbage may double it and no more; mode and name are as they should be."""
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=0.1)
    for n in range(26):
        ring.write("port", START + n, b"x" * 1_000)
    ring.close()
    files = [tmp_path / "c" / name for name in names(tmp_path / "c")]
    assert [f.stat().st_size for f in files] == [25_000, 1_000]
    assert all(f.stat().st_mode & 0o777 == 0o600 for f in files)
    assert (tmp_path / "c").stat().st_mode & 0o777 == 0o700


def test_the_hour_is_over_to_the_second_and_a_clock_set_back_begins_anew(tmp_path: Path) -> None:
    """In the same instant and just before the hour the file goes on; at the hour, or before its start, a new one."""
    ring = CaptureRing(tmp_path / "c", hours=1_000, megabytes=10)
    for at in (0.0, 0.0, 3_599.9, 3_600.0, 3_000.0, 3_000.0):
        ring.write("port", START + at, FRAME)
    ring.close()
    # A frame that comes with the turn still belongs to the file before it.
    sizes = {n: (tmp_path / "c" / n).stat().st_size // len(FRAME) for n in names(tmp_path / "c")}
    assert sizes == {"port-20260301T120000.000Z.cap": 4, "port-20260301T125000.000Z.cap": 2}


def test_a_thousand_of_one_second_are_told(tmp_path: Path) -> None:
    """Names are a millisecond apart; where all are taken the disk's own word is given on."""
    for n in range(1_000):
        (tmp_path / f"port-20260301T120000.{n:03d}Z.cap").touch()
    ring = CaptureRing(tmp_path, hours=1_000, megabytes=10)
    with pytest.raises(StorageError, match="not written: a thousand captures of the same second; see to the disk"):
        ring.write("port", START, FRAME)


def test_a_file_goes_when_its_last_byte_is_too_old(tmp_path: Path) -> None:
    """A file holds an hour from the time in its name: with two hours kept it stays for three from there."""
    for name in ("a-20260301T085900.000Z.cap", "a-20260301T090100.000Z.cap"):
        (tmp_path / name).write_bytes(FRAME)
    ring = CaptureRing(tmp_path, hours=2, megabytes=10)
    ring.write("a", START, FRAME)
    assert names(tmp_path) == ["a-20260301T090100.000Z.cap", "a-20260301T120000.000Z.cap"]
    ring.close()


def test_the_oldest_of_all_may_be_one_that_is_written(tmp_path: Path) -> None:
    """A quiet head's open file lies before the others' whole ones: it stays, and they go all the same."""
    ring = CaptureRing(tmp_path, hours=1_000, megabytes=0.1)
    ring.write("quiet", START - 60, FRAME)
    for n in range(40):
        ring.write("busy", START + n, FRAME * 500)
        assert sum(p.stat().st_size for p in tmp_path.iterdir()) <= 100_000
    assert "quiet-20260301T115900.000Z.cap" in names(tmp_path)
    assert "busy-20260301T120000.000Z.cap" not in names(tmp_path)
    ring.close()


def test_a_disk_that_takes_a_part_at_a_time_gets_all_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write may be cut short (a signal, a full pipe of the kernel): the rest follows, nothing twice."""
    real = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real(fd, data[:7]))
    ring = CaptureRing(tmp_path, hours=1, megabytes=10)
    data = bytes(range(1, 100)) + b"\0"
    ring.write("a", START, data)
    assert (tmp_path / names(tmp_path)[0]).read_bytes() == data
    assert ring._total == len(data)
    ring.close()


def test_closing_gives_the_files_free(tmp_path: Path) -> None:
    """Every head's, so that a daemon that is restarted within a process does not run out of descriptors."""
    ring = CaptureRing(tmp_path, hours=1, megabytes=10)
    for head in ("a", "b"):
        ring.write(head, START, FRAME)
    descriptors = [file._fd for file in ring._open.values()]
    ring.close()
    for fd in descriptors:
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.fstat(fd)


def test_a_folder_that_is_gone_has_nothing_to_give(tmp_path: Path) -> None:
    """To make room is asked for when the disk fails: no error, and no claim that something went."""
    ring = CaptureRing(tmp_path / "c", hours=1, megabytes=10)
    (tmp_path / "c").rmdir()
    assert ring.give_way() is False


def test_a_file_is_over_when_it_has_its_share_to_the_byte(tmp_path: Path) -> None:
    """An eighth of 80 kB: at 10,000 bytes the next file begins, at 9,999 it does not."""
    for first, files in ((9_998, 1), (9_999, 2)):
        folder = tmp_path / str(first)
        ring = CaptureRing(folder, hours=1_000, megabytes=0.08)
        ring.write("a", START, b"x" * first + b"\0")
        ring.write("a", START + 1, b"y\0")
        ring.write("a", START + 2, b"z\0")
        ring.close()
        assert len(names(folder)) == files


def test_one_that_cannot_be_deleted_is_not_counted_as_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The ring's size stays as it is, and whoever asked for room hears that there is none."""
    first = CaptureRing(tmp_path, hours=1_000, megabytes=10)
    first.write("a", START, FRAME)
    first.close()
    ring = CaptureRing(tmp_path, hours=1_000, megabytes=10)

    def refuse(_path: Path) -> None:
        raise PermissionError

    monkeypatch.setattr(Path, "unlink", refuse)
    assert ring.give_way() is False
    assert ring._total == len(FRAME)
