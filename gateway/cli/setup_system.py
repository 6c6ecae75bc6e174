"""What `setup` does to a box: files with owner and mode, programs run. `root` is another folder in tests."""

import contextlib
import os
import shutil
import subprocess
from pathlib import Path

from gateway.model.errors import Refused

RUN_S = 120.0
SHARES = ("/usr/lib/camdrift", "/usr/lib/camdrift-shore", "/opt/camdrift/share")
"""Where the packages put scripts and the broker's snippets; the long way of the guide has them in the last."""


class System:
    """The box. Raises Refused with what could not be done."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.root = root

    def at(self, path: str | Path) -> Path:
        """A path of the box."""
        return self.root / str(path).lstrip("/")

    def folder(self, path: str, mode: int, owner: str = "root", group: str = "root") -> None:
        """Make a folder, or give it these rights."""
        place = self.at(path)
        try:
            place.mkdir(mode=mode, parents=True, exist_ok=True)
            self.rights(place, mode, owner, group)
        except OSError as e:
            raise Refused(f"{path}: {e.strerror}; run setup as root") from None

    def write(self, path: str, data: str | bytes, mode: int, owner: str = "root", group: str = "root") -> None:
        """A file, whole or not at all; nobody else can read it before its rights are given."""
        place = self.at(path)
        new = place.with_name(f".{place.name}.new")
        try:
            new.unlink(missing_ok=True)
            fd = os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
            with os.fdopen(fd, "wb") as file:
                file.write(data.encode() if isinstance(data, str) else data)
                file.flush()
                os.fsync(file.fileno())
            self.rights(new, mode, owner, group)
            new.rename(place)
        except OSError as e:
            raise Refused(f"{path}: {e.strerror}; run setup as root") from None

    def rights(self, place: Path, mode: int, owner: str, group: str) -> None:
        """Mode, owner, group of a file."""
        place.chmod(mode)
        try:
            shutil.chown(place, owner, group)
        except LookupError:
            raise Refused(f"{place}: no user {owner} or group {group}; install the package, or make the user") from None

    def read(self, path: str) -> str | None:
        """A small text file; None where it is not there."""
        try:
            return self.at(path).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as e:
            raise Refused(f"{path}: cannot be read: {e}; move it away, or correct it") from None

    def has(self, program: str) -> bool:
        """Is the program installed?"""
        return shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin") is not None

    def run(self, *line: str | Path, within_s: float = RUN_S) -> str:
        """Run a program; what it printed."""
        words = [str(word) for word in line]
        try:
            done = subprocess.run(
                words, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=within_s, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as e:
            raise Refused(f"{words[0]}: {e}; look whether it is installed") from None
        if done.returncode:
            lines = (done.stderr or done.stdout).strip().splitlines()
            raise Refused(f"{' '.join(words)}: {' / '.join(lines[-3:]) or f'status {done.returncode}'}; try it by hand")
        return done.stdout

    def share(self, name: str) -> Path:
        """A script or snippet of the package; in a checkout it lies in the folder `deploy`."""
        found = [self.at(place) / part for place in SHARES for part in (name, name.rpartition("/")[2])]
        found.append(Path(__file__).resolve().parents[2] / "deploy" / (name if "/" in name else f"ship/{name}"))
        for path in found:
            with contextlib.suppress(OSError):
                if path.is_file():
                    return path
        raise Refused(f"{name} is not there: install the package again")
