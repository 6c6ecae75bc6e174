"""The folder of the photos: bounded, whole, and reached by names of its own only."""

import os
import time
from pathlib import Path

import pytest
from photos_rig import png

from gateway.model.errors import Refused
from gateway.store import photos as module
from gateway.store.photos import FRESH_S, Photos


def none() -> set[str]:
    """No photo stands in a note."""
    return set()


def test_the_same_photo_is_kept_once_and_comes_back_the_same(tmp_path: Path) -> None:
    """Pins bytes, name and rights."""
    photos = Photos(tmp_path)
    name = photos.keep(png(), none)
    assert photos.keep(png(), none) == name and photos.read(name) == png() and photos.has(name)
    (kept,) = (tmp_path / "photos").iterdir()
    assert kept.name == name and kept.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("name", ["../state.db", "/etc/passwd", "", ".", "x" * 400 + ".jpg", "a" * 32 + ".jpg\n", "\0"])
def test_no_name_leads_elsewhere(tmp_path: Path, name: str) -> None:
    """Pins that only names of photos are looked for."""
    (tmp_path / "state.db").write_bytes(b"secret")
    photos = Photos(tmp_path)
    photos.keep(png(), none)
    assert photos.read(name) is None and not photos.has(name)


def test_they_are_bounded_and_those_of_notes_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that the oldest that stands in no note makes place, that one just sent does not, and none of a note."""
    monkeypatch.setattr(module, "PHOTOS_MAX", 3)
    photos = Photos(tmp_path)
    names = [photos.keep(png(shade=n), none) for n in range(3)]
    with pytest.raises(Refused, match="no place"):
        photos.keep(png(shade=10), none)
    for n, name in enumerate(names):
        at_s = time.time() - FRESH_S - 100 + n
        os.utime(tmp_path / "photos" / name, (at_s, at_s))
    more = photos.keep(png(shade=11), lambda: {names[0]})
    assert photos.has(names[0]) and not photos.has(names[1]) and photos.has(names[2]) and photos.has(more)
    with pytest.raises(Refused, match="Strike out"):
        photos.keep(png(shade=12), lambda: set(names))


def test_the_last_of_the_disk_is_the_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a nearly full disk takes no photo, and says so."""
    monkeypatch.setattr(module, "FREE_BYTES_MIN", 1 << 60)
    with pytest.raises(Refused, match="nearly full"):
        Photos(tmp_path).keep(png(), none)
