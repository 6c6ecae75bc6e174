"""Files: settings and passwords that are none, and the log's table as a spreadsheet opens it.

Each reader alone: `tests/model/test_files.py`; the files of the data folder: `tests/store/test_store_damaged.py`.
"""

import csv
import io
import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from daemon_rig import ENTRY, broker_table, daemon, example, until, written
from head_writer import HeadWriter
from page_rig import HASH

from gateway.model.csv_text import safe_cell
from gateway.outlets.control_client import ask
from tests.attack.case import case
from tests.attack.on_head import listening
from tests.attack.rig import Ship
from tests.attack.web import asked

ANSWERED_S = 20.0
"""A check of the settings takes a third of a second on a quiet machine; a hang is what is looked for."""


def _text(text: str) -> Callable[[Path], object]:
    return lambda path: path.write_text(text, encoding="utf-8")


SETTINGS: dict[str, Callable[[Path], object]] = {
    "a FIFO": os.mkfifo,
    "a folder": Path.mkdir,
    "an endless device": lambda path: path.symlink_to("/dev/zero"),
    "a terminal": lambda path: path.symlink_to("/dev/tty"),
    "a link to itself": lambda path: path.symlink_to(path),
    "nothing": lambda path: path.symlink_to(path.with_name("none")),
    "a file of 2 GB": lambda path: (path.touch(), os.truncate(path, 2**31)),
    "no UTF-8": lambda path: path.write_bytes(b"\xff\xfe[gateway]\n"),
    "NUL": _text("[gateway]\ndata_dir = '\0'\n"),
    "lists 20,000 deep": _text("a = " + "[" * 20_000),
    "tables 3,000 deep": _text("a = " + "{b = " * 3_000),
    "a key of 100,000 parts": _text(".".join("a" * 100_000) + " = 1\n"),
    "100,000 tables": _text("".join(f"[t{n}]\n" for n in range(60_000))),
    "a number of 200,000 digits": _text("[gateway]\nreading_every_s = " + "9" * 200_000 + "\n"),
    "the same table twice": _text("[gateway]\n[gateway]\n"),
    "control characters": _text('"\\u001b[2J\\u202e" = 1\n'),
}


def _checked(path: Path) -> tuple[int, str]:
    done = subprocess.run([*ENTRY, "check", str(path)], capture_output=True, text=True, timeout=ANSWERED_S)
    return done.returncode, done.stdout + done.stderr


@case("settings that are a FIFO, a device, a folder, endless, too deep, 16 kinds", together=False)
def settings_files(ship: Ship) -> None:
    """`check` refuses each in time, in words, without control characters; the running daemon is not concerned."""
    path = ship.folder / "odd.toml"
    for name, make in SETTINGS.items():
        make(path)
        code, text = _checked(path)
        assert code not in (0, 1) and "Traceback" not in text, f"{name}: {code} {text[-200:]}"
        assert text and len(text) < 20_000 and "\x1b" not in text, f"{name}: {text[:200]!r}"
        path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()


DISABLING: dict[str, Callable[[dict[str, Any]], object]] = {
    "lag-near": lambda e: e.setdefault("alarms", {}).update({"lag-neer": {"enabled": False}}),
    "on_delay_s": lambda e: e.setdefault("alarms", {}).update({"lag-near": {"on_delay_s": 1e18}}),
    "settle_min": lambda e: e["running"].update(settle_min=1e12),
    "steady_s": lambda e: e["running"].update(steady_s=1e12),
    "pitch_mm": lambda e: e["chain"].update(pitch_mm=1e300),
    "limit_deg": lambda e: e["lag"].update(limit_deg="2.0"),
}
"""What would keep an alarm quiet, by what the refusal has to name; the misspelt one by the name that is meant."""


@case("settings that would keep an alarm quiet: a misspelt name, delays without end, absurd figures", together=False)
def settings_that_disable(ship: Ship) -> None:
    """`check` refuses each, on a line that names it, and so does the start."""
    for name, change in DISABLING.items():
        data = example(ship.folder, None)
        data["gateway"]["data_dir"] = str(ship.folder / "odd")
        data["engine"][0].setdefault("running", {})
        change(data["engine"][0])
        config = written(ship.folder, data, "odd.toml")
        code, text = _checked(config)
        assert code == 78 and name in text and "Traceback" not in text, f"check, {name}: {code} {text[-200:]}"
        done = subprocess.run([*ENTRY, "run", str(config)], capture_output=True, text=True, timeout=ANSWERED_S)
        assert done.returncode == 78 and name in done.stderr, f"run, {name}: {done.returncode}"


STRANGER_UID = 4_242


def _secret(text: str, mode: int = 0o600, uid: int | None = None) -> Callable[[Path], object]:
    def made(path: Path) -> None:
        path.write_text(text, encoding="utf-8")
        path.chmod(mode)
        if uid is not None:
            os.chown(path, uid, uid)

    return made


def _public_link(path: Path) -> None:
    """As a stranger may lay it: in a folder where all may write, to a sound file."""
    folder = path.with_name("public")
    folder.mkdir(exist_ok=True)
    folder.chmod(0o1777)
    _secret(HASH)(path.with_name("sound"))
    (folder / "link").unlink(missing_ok=True)
    (folder / "link").symlink_to(path.with_name("sound"))
    path.symlink_to(folder / "link")


SECRETS: dict[str, Callable[[Path], object]] = {
    "a FIFO": os.mkfifo,
    "an endless device": lambda path: path.symlink_to("/dev/zero"),
    "a folder": Path.mkdir,
    "64 KiB and more": _secret("x" * 70_000),
    "for others to read": _secret(HASH, 0o644),
    "through a link that anybody may lay": _public_link,
    "empty": _secret(""),
    **({"of another owner": _secret(HASH, uid=STRANGER_UID)} if os.geteuid() == 0 else {}),
}


@case("passwords and keys that are a FIFO, a device, too long, a stranger's, 8 kinds", together=False)
def password_files(ship: Ship) -> None:
    """Started with each as the hash of the page's user, the daemon watches and does not serve the page; with all as
    brokers' passwords it watches and refuses each at the connection. It gives the reason, and ends when asked. `check`
    waits for none of them."""
    folder = ship.folder / "secrets"
    folder.mkdir()
    data = example(folder, None)
    data["gateway"]["data_dir"] = str(folder / "data")
    brokers = []
    for n, (name, make) in enumerate(SECRETS.items()):
        path = folder / f"secret-{n}"
        make(path)
        page = {"port": 0, "users": [{"name": "second", "password_hash_file": str(path)}]}
        config = written(folder, data | {"page": page}, f"page-{n}.toml")
        text = _checked(config)[1]
        assert "Traceback" not in text, f"check, {name}: {text[-200:]}"
        with daemon(config) as process:
            until(lambda p=process, path=path: p.told("not served") and p.told(path.name), f"refused: {name}", 40.0)  # type: ignore[misc]
            assert ask(folder / "data" / "camdrift.sock", {"do": "status"})["status"]["version"], name
            assert process.end(ANSWERED_S) == 0 and not process.told(HASH), name
        brokers.append({**broker_table(ship.broker.port, f"b{n}"), "user": "u", "password_file": str(path)})
    config = written(folder, data | {"broker": brokers, "page": {"enabled": False}}, "brokers.toml")
    assert "Traceback" not in _checked(config)[1]
    with daemon(config) as process:
        for n, name in enumerate(SECRETS):
            until(lambda n=n: process.told(f"secret-{n}"), f"refused at the connection: {name}", 40.0)  # type: ignore[misc]
        assert ask(folder / "data" / "camdrift.sock", {"do": "status"})["status"]["version"]
        assert process.end(ANSWERED_S) == 0
        assert not process.told(HASH) and process.log.stat().st_size < 100_000


NAMES = (b"=cmd|'/C x'!A0", b"\xef\xbc\x9dSUM(1)", b"@x", b" \t=1+1", b"-2+3")


@case("a head whose name is a formula: the log's table for a spreadsheet", second=True)
def csv_formulas(ship: Ship) -> None:
    """No cell of the download begins as a formula, and none of the names is missing there."""
    with ship.head_turn, listening(ship.second_head_port) as server:
        for name in NAMES:
            connection, _ = server.accept()
            with connection:
                connection.sendall(HeadWriter(boot=1).identity(name.ljust(16, b"\0")))
                time.sleep(0.5)
    status, body, _ = asked(ship.page_port, "/api/events.csv?limit=500")
    assert status == 200, body[:200]
    cells = [cell for row in csv.reader(io.StringIO(body.decode())) for cell in row]
    bad = [cell for cell in cells if safe_cell(cell) != cell]
    assert cells and not bad, f"{bad[0]!r:.80}"
