"""A ship's bundle: all that the ship needs from the shore in one file, which `setup` aboard takes.

A tar file, mode 0600: `bundle.json` (host, port, slug, what made it), `ca.pem`, `ship.pem`, `ship.key`, `update.pem`
where updates are signed, `ship.toml` where the settings were prepared ashore, and for a spare box `ashore.json`: what
the shore keeps of the ship. The key in it is the ship's: it goes by hand, on a stick, and is deleted there afterwards.
"""

import io
import json
import os
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway import __version__
from gateway.model.errors import Refused

PART_BYTES_MAX = 16 * 1_048_576
PARTS_MAX = 16
NEEDED = ("bundle.json", "ca.pem", "ship.pem", "ship.key")
PARTS = (*NEEDED, "update.pem", "ship.toml", "ashore.json")


@dataclass(frozen=True, slots=True)
class Bundle:
    """What was in it. `parts`: by name, as `PARTS`."""

    host: str
    port: int
    slug: str
    parts: Mapping[str, bytes]


def pack(path: Path, host: str, port: int, slug: str, parts: Mapping[str, bytes]) -> None:
    """Write a bundle; one that is there is replaced. Raises Refused."""
    head = {"v": 1, "host": host, "port": port, "slug": slug, "camdrift": __version__}
    all_parts = {"bundle.json": json.dumps(head, indent=1).encode(), **parts}
    new = path.with_name(f".{path.name}.new")
    try:
        new.unlink(missing_ok=True)
        fd = os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(fd, "wb") as file, tarfile.open(fileobj=file, mode="w") as archive:
            for name, data in all_parts.items():
                info = tarfile.TarInfo(name)
                info.size, info.mode = len(data), 0o600
                archive.addfile(info, io.BytesIO(data))
        new.rename(path)
    except OSError as e:
        raise Refused(f"{path}: {e.strerror}; give another folder, or look at its rights") from None


def unpack(path: Path) -> Bundle:
    """Read a bundle; nothing is written by it. Raises Refused."""
    try:
        with tarfile.open(path, "r:") as archive:
            parts = _parts(path, archive)
        head = json.loads(parts["bundle.json"])
        host, port, slug = str(head["host"]), int(head["port"]), str(head["slug"])
        if head["v"] != 1:
            raise Refused(f"{path}: is of a newer camdrift; install that first")
    except (OSError, tarfile.TarError, KeyError, ValueError, TypeError):
        raise Refused(
            f"{path}: is not a ship's bundle, or damaged; look for another copy, or let it be made again ashore"
        ) from None
    return Bundle(host, port, slug, parts)


def _parts(path: Path, archive: tarfile.TarFile) -> dict[str, bytes]:
    parts: dict[str, bytes] = {}
    for _ in range(PARTS_MAX):
        member = archive.next()
        if member is None:
            break
        if member.name not in PARTS or not member.isfile() or member.size > PART_BYTES_MAX:
            raise Refused(f"{path}: holds {member.name!r}, which no bundle has; use one made again ashore")
        file = archive.extractfile(member)
        parts[member.name] = file.read() if file is not None else b""
    if missing := [name for name in NEEDED if not parts.get(name)]:
        raise Refused(f"{path}: lacks {', '.join(missing)}; look for another copy, or let it be made again ashore")
    return parts
