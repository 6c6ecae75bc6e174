"""A box in a folder, for `setup` aboard and ashore: files are real, services are named and not run."""

import argparse
import json
import re
from pathlib import Path
from typing import Any

from gateway.cli import setup, shore_setup
from gateway.cli.setup_system import System
from gateway.model.errors import Refused

MOSQUITTO_CONF = "persistence true\npersistence_location /var/lib/mosquitto/\ninclude_dir /etc/mosquitto/conf.d\n"
WORD = "a long pass word"


class Box(System):
    """A box in a folder: owners are noted, services are only named, certificates are made for real."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.ran: list[str] = []
        self.owners: dict[str, tuple[str, str]] = {}
        self.fails = ""
        self.real: tuple[str, ...] = ("sh",)
        for folder in ("etc/mosquitto/conf.d", "etc/chrony/conf.d", "var/lib", "root"):
            (root / folder).mkdir(parents=True)
        (root / "etc/mosquitto/mosquitto.conf").write_text(MOSQUITTO_CONF)

    def rights(self, place: Path, mode: int, owner: str, group: str) -> None:
        place.chmod(mode)
        name = place.name.removeprefix(".").removesuffix(".new")
        self.owners[name] = (owner, group)

    def has(self, program: str) -> bool:
        return True

    def run(self, *line: str | Path, within_s: float = 120.0) -> str:
        words = [str(w) for w in line]
        self.ran.append(" ".join(w.removeprefix(str(self.root)) for w in words))
        if self.fails and self.fails in self.ran[-1]:
            raise Refused(f"{self.ran[-1]}: made to fail")
        if words[0] == "mosquitto_passwd":
            plain = Path(words[-1]).read_text()
            Path(words[-1]).write_text(re.sub(r"(?m):(.*)$", r":$7$hashed", plain))
        if words[0] in self.real:
            return super().run(*line, within_s=within_s)
        return ""


def answers(folder: Path, **changed: object) -> Path:
    """A file of answers aboard."""
    data = {"name": "Tern Passage", "slug": "tern-passage", "head_port": "socket://127.0.0.1:1", **changed}
    path = folder / "answers.toml"
    text = [f"{k} = {json.dumps(str(v) if isinstance(v, Path) else v)}\n" for k, v in data.items() if k != "page_users"]
    users = [
        f"[[page_users]]\n{''.join(f'{k} = {json.dumps(str(v))}' + chr(10) for k, v in u.items())}"
        for u in data.get("page_users", [])
    ]  # type: ignore[attr-defined]
    path.write_text("".join([*text, *users]))
    return path


def aboard(box: Box, file: Path | None, **more: Any) -> int:
    """`camdrift setup --no-start`."""
    args = {"answers": file, "ask": False, "only": None, "restore": None, "no_start": True, **more}
    return setup.run(argparse.Namespace(**args), box)


def ashore(box: Box, file: Path | None, **more: Any) -> int:
    """`camdrift shore setup`."""
    args = {
        "answers": file,
        "ask": False,
        "only": None,
        "ship": None,
        "ship_settings": None,
        "spare": False,
        "no_start": False,
        **more,
    }
    return shore_setup.run(argparse.Namespace(**args), box)


def secret(folder: Path, name: str = "word") -> Path:
    """A file with a password."""
    path = folder / name
    path.write_text(WORD + "\n")
    path.chmod(0o600)
    return path
