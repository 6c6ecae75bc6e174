"""The page's own files, read once and kept in memory, whole and compressed."""

import gzip
import hashlib
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file. `etag` is of its content."""

    body: bytes
    packed: bytes
    media_type: str
    etag: str


def static_files(package: str = "gateway.outlets.page") -> dict[str, StaticFile]:
    """Every file under the package's `static`, by its path there."""
    found: dict[str, StaticFile] = {}
    _read(files(package) / "static", "", found)
    return found


def _read(folder: Traversable, prefix: str, found: dict[str, StaticFile]) -> None:
    for item in folder.iterdir():
        path = f"{prefix}{item.name}"
        if item.is_dir():
            _read(item, f"{path}/", found)
        elif (kind := TYPES.get(item.name.rpartition(".")[2])) is not None:
            body = item.read_bytes()
            etag = f'"{hashlib.sha256(body).hexdigest()[:24]}"'
            found[path] = StaticFile(body, gzip.compress(body, 9, mtime=0), kind, etag)
