"""The bundle of `doctor` for the superintendent: settings with secrets blanked, logs, counts, the last captures."""

import io
import json
import os
import re
import subprocess
import tarfile
import time
from collections.abc import Iterator
from pathlib import Path

from gateway.cli.doctor_checks import SERVICE, Examined
from gateway.model.errors import Refused
from gateway.model.files import SETTINGS_BYTES_MAX, UnfitFile, read_small

LOG_LINES = 5_000
CAPTURES_BYTES_MAX = 20_000_000
"""The newest captures, some hours of a head without pauses: what a mail or a slow link still takes."""
FILES_MAX = 500
_SECRET_KEY = re.compile(r"(?m)^(\s*[\"']?(?:\w*password\w*|\w*secret\w*|\w*token\w*)[\"']?\s*=\s*).*$")
_INLINE_SECRET = re.compile(r"([{,]\s*[\"']?(?:password\w*|\w*secret\w*|\w*token\w*)[\"']?\s*=\s*)(\"[^\"]*\"|'[^']*')")
_HASH = re.compile(r"\$argon2id?\$[!-~]+")
_IN_URL = re.compile(r"://[^/@\s\"']+@")
BLANK = '"(blanked)"'


def blanked(text: str) -> str:
    """Settings or logs without what is secret: values of keys that name passwords, hashes, and names in URLs."""
    text = _SECRET_KEY.sub(rf"\1{BLANK}", text)
    text = _INLINE_SECRET.sub(rf"\1{BLANK}", text)
    return _IN_URL.sub("://(blanked)@", _HASH.sub("(blanked)", text))


def pack(target: Path, config: Path, examined: Examined, report: str) -> int:
    """Write the bundle; its size, bytes. Raises Refused where it is there already or cannot be written."""
    try:
        fd = os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    except FileExistsError:
        raise Refused(f"{target} is there already; give a new name") from None
    except OSError as e:
        raise Refused(f"{target}: {e.strerror}; give a place that can be written") from None
    with os.fdopen(fd, "wb") as file, tarfile.open(fileobj=file, mode="w:gz") as archive:
        for name, data in _parts(config, examined, report):
            info = tarfile.TarInfo(f"camdrift-doctor/{name}")
            info.size, info.mode, info.mtime = len(data), 0o600, int(time.time())
            archive.addfile(info, io.BytesIO(data))
    return target.stat().st_size


def _parts(config: Path, examined: Examined, report: str) -> Iterator[tuple[str, bytes]]:
    yield "doctor.txt", blanked(report).encode()
    yield "status.json", blanked(json.dumps(examined.status, indent=1, ensure_ascii=False)).encode()
    yield f"settings/{config.name}", _settings(config)
    yield "files.txt", _listing([config.parent, *([examined.data_dir] if examined.data_dir else [])])
    yield "log.txt", blanked(_log()).encode()
    if examined.data_dir is not None:
        yield from _captures(examined.data_dir)


def _settings(config: Path) -> bytes:
    try:
        return blanked(read_small(config, SETTINGS_BYTES_MAX).decode("utf-8", "replace")).encode()
    except UnfitFile as e:
        return f"# {config}: {e}\n".encode()


def _listing(folders: list[Path]) -> bytes:
    """Names, modes, owners and sizes; of nothing its content."""
    lines = []
    for folder in folders:
        for path in sorted(folder.rglob("*"))[:FILES_MAX]:
            try:
                s = path.lstat()
            except OSError:
                continue
            when = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(s.st_mtime))
            lines.append(f"{s.st_mode:o} {s.st_uid}:{s.st_gid} {s.st_size} {when} {path}\n")
    return "".join(lines).encode("utf-8", "replace")


def _log() -> str:
    command = ["journalctl", "-u", SERVICE, "-n", str(LOG_LINES), "--no-pager", "-o", "short-iso"]
    try:
        done = subprocess.run(command, capture_output=True, timeout=60, check=False)
    except (OSError, subprocess.TimeoutExpired) as e:
        return f"the journal could not be read: {e}\n"
    return (done.stdout + done.stderr).decode("utf-8", "replace")


def _captures(data_dir: Path) -> Iterator[tuple[str, bytes]]:
    """The newest that fit, newest first."""
    left = CAPTURES_BYTES_MAX
    try:
        newest = sorted((data_dir / "captures").glob("*.cap"), key=lambda p: p.stat().st_mtime, reverse=True)
    except OSError:
        return
    for path in newest:
        try:
            data = read_small(path, left)
        except UnfitFile:
            break
        left -= len(data)
        yield f"captures/{path.name}", data
