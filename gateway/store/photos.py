"""Photos that stand in notes: `photos/<digits of their SHA-256>.jpg` or `.png`, bounded in size and number."""

import os
import re
import time
from collections.abc import Callable, Collection
from pathlib import Path

from gateway.encode.photo import photo_name
from gateway.model.errors import Refused, StorageError
from gateway.store.whole_file import storage_error, write_whole
from gateway.wear.bookings import PHOTO_NAME

PHOTOS_MAX = 200
FREE_BYTES_MIN = 64 * 1024 * 1024
"""A photo never takes the last of the disk from the record."""
FRESH_S = 900.0
"""The note of a photo that has just come is still being typed."""
_NAME = re.compile(PHOTO_NAME)


class Photos:
    """The folder of the photos; any thread. The bytes of a photo are its name: the same photo is kept once."""

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir / "photos"

    def keep(self, data: bytes, used: Callable[[], Collection[str]]) -> str:
        """Keep a photo; its name. `used`: the names that stand in notes, asked where there is no place left.

        Raises Refused for what is no photo, is too large or has no place, StorageError where the disk refuses.
        """
        name = photo_name(data)
        path = self._folder / name
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            if path.exists():
                return name
            room = os.statvfs(self._folder)
            kept = self._kept()
        except OSError as e:
            raise storage_error(path, e) from None
        if room.f_bavail * room.f_frsize < FREE_BYTES_MIN + len(data):
            raise Refused("the disk is nearly full, so no photo is taken; free some space. The note goes without it")
        if len(kept) >= PHOTOS_MAX:
            self._make_place(kept, used())
        write_whole(path, data, 0o600)
        return name

    def read(self, name: str) -> bytes | None:
        """The photo of this name, `None` where there is none. Raises StorageError."""
        if not _NAME.fullmatch(name):
            return None
        try:
            return (self._folder / name).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as e:
            raise StorageError(f"{self._folder / name}: cannot be read: {e.strerror}; look at the disk") from None

    def has(self, name: str) -> bool:
        """Whether a photo of this name is kept."""
        return _NAME.fullmatch(name) is not None and (self._folder / name).is_file()

    def _kept(self) -> list[Path]:
        return [p for p in self._folder.iterdir() if _NAME.fullmatch(p.name)]

    def _make_place(self, kept: list[Path], used: Collection[str]) -> None:
        """Delete the oldest that stands in no note. Raises Refused where each stands in one."""
        try:
            old_s = time.time() - FRESH_S
            free = [p for p in kept if p.name not in used and p.stat().st_mtime < old_s]
            if free:
                min(free, key=lambda p: p.stat().st_mtime).unlink(missing_ok=True)
                return
        except OSError as e:
            raise storage_error(self._folder, e) from None
        raise Refused(
            f"{PHOTOS_MAX} photos are kept, and there is no place for more. The note goes without it. "
            "Strike out an old note to make room"
        )
