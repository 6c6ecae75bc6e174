"""A page's own files, read once and kept in memory, whole and compressed."""

import gzip
import hashlib
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

from starlette.requests import Request
from starlette.responses import Response

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


def static_files(package: str) -> dict[str, StaticFile]:
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


def sent(file: StaticFile, request: Request) -> Response:
    """The file as an answer, compressed where the browser takes that."""
    # Asked for each time and mostly answered by "not modified": an update of the program shows at once.
    headers = {"etag": file.etag, "cache-control": "no-cache", "vary": "accept-encoding"}
    if request.headers.get("if-none-match") == file.etag:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(file.packed, media_type=file.media_type, headers=headers | {"content-encoding": "gzip"})
    return Response(file.body, media_type=file.media_type, headers=headers)
