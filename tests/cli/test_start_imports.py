"""Help and the commands that only ask the daemon start at once: they do not import what takes long to import."""

import json
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.cli.arguments import ADD
from gateway.cli.main import COMMANDS

HEAVY = {
    "aiohttp", "amqtt", "argon2", "asyncio", "hashlib", "logging", "multiprocessing", "numpy", "paho", "pydantic",
    "pydantic_core", "rich", "serial", "sqlite3", "ssl", "starlette", "structlog", "subprocess", "tqdm", "uvicorn",
    "firmware_sim",
}  # fmt: skip
"""Each takes from some ten milliseconds to half a second; none is needed to ask a question and print the answer."""
PROBE = """
import sys
from gateway.cli.main import main
before = set(sys.modules)
try:
    status = main(sys.argv[1:])
except SystemExit as e:
    status = e.code
print(status, sorted({name.partition(".")[0] for name in sys.modules}), file=sys.stderr)
"""


def imported(*words: str) -> tuple[int, set[str], str]:
    """Exit status, first names of all modules in the process, and what was printed on stdout."""
    done = subprocess.run(
        [sys.executable, "-S", "-c", f"import sys; sys.path[:] = {sys.path!r}\n{PROBE}", *words],
        capture_output=True, text=True, check=True, timeout=180,
    )  # fmt: skip
    status, _, names = done.stderr.splitlines()[-1].partition(" ")
    return int(status), set(json.loads(names.replace("'", '"'))), done.stdout


@pytest.fixture
def config(tmp_path: Path) -> Iterator[Path]:
    """Settings whose socket answers each request with yes."""
    path = tmp_path / "ship.toml"
    path.write_text(f'[gateway]\nsocket = "{tmp_path}/s"\n', encoding="utf-8")
    answer = json.dumps({"ok": True, "by": "chief", "done": 2}).encode() + b"\n"
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(f"{tmp_path}/s")
        server.listen()

        def serve() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                with connection:
                    connection.recv(65_536)
                    connection.sendall(answer)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield path
        server.shutdown(socket.SHUT_RDWR)
        thread.join(180)


def test_help_lists_all_commands_and_imports_none() -> None:
    """Every command with its line; no module of a command, and nothing heavy."""
    status, names, shown = imported("--help")
    assert status == 0 and names & HEAVY == set()
    assert set(COMMANDS) == set(re.findall(r"^    ([a-z-]+)\b", shown, re.MULTILINE))


@pytest.mark.parametrize("name", [*sorted(set(ADD) - {"book"}), "shore keep"])
def test_help_of_a_command_imports_nothing_heavy(name: str) -> None:
    """What does the work is imported when it is called; `book` alone needs the shapes of its records."""
    status, names, shown = imported(*name.split(), "--help")
    assert status == 0 and "--help" in shown and names & (HEAVY - {"logging"}) == set()


@pytest.mark.parametrize(
    "words",
    [
        ("acknowledge", "{}"),
        ("acknowledge", "{}", "lag-near"),
        ("shelve", "{}", "lag-near", "--minutes", "5", "--why", "sensor"),
        ("unshelve", "{}", "lag-near"),
        ("silence", "{}"),
    ],
    ids=lambda words: " ".join(words[:1]),
)
def test_an_act_imports_nothing_heavy(config: Path, words: tuple[str, ...]) -> None:
    """It reads of the settings just where the daemon listens; what else stands there is the daemon's affair."""
    status, names, shown = imported(*(w.format(config) for w in words))
    assert (status == 0 and "chief" in shown) or words[0] == "silence"
    assert names & HEAVY == set()


def test_status_imports_nothing_heavy(tmp_path: Path) -> None:
    """Also where no daemon answers: exit status 74."""
    path = tmp_path / "ship.toml"
    path.write_text(f'[gateway]\ndata_dir = "{tmp_path}"\n', encoding="utf-8")
    status, names, _ = imported("status", str(path))
    assert status == 74 and names & HEAVY == set()


@pytest.mark.parametrize("text", ["gateway = 3", "[gateway]\nsocket = 3", "[gateway]\ndata_dir = [1]", "[gateway"])
def test_settings_that_do_not_give_a_place_are_refused(tmp_path: Path, text: str) -> None:
    """Exit status 78, as for all commands."""
    path = tmp_path / "ship.toml"
    path.write_text(text, encoding="utf-8")
    assert imported("status", str(path))[0] == 78
