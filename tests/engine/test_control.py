"""The local socket: one question, one answer, in words whatever comes; and nobody's file but a dead socket goes."""

import errno
import json
import os
import pwd
import socket
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import structlog

from gateway.model.errors import PortError, Refused
from gateway.outlets import control
from gateway.outlets.control import CONNECTIONS_MAX, REQUEST_BYTES_MAX, ControlServer
from gateway.outlets.control_client import NoDaemon, ask


def echo(request: dict[str, Any], who: str) -> dict[str, Any]:
    """Answers with what it was asked; refuses or breaks on request."""
    if request.get("do") == "refuse":
        raise Refused("not today")
    if request.get("do") == "break":
        raise KeyError("a fault of our own")
    return {"asked": request, "who": who}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "s"


@pytest.fixture
def server(path: Path) -> Iterator[ControlServer]:
    made = ControlServer(path, echo)
    made.start()
    yield made
    made.stop()


def raw(path: Path, data: bytes) -> bytes:
    """What comes back for these bytes, until the other side closes."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
        s.settimeout(180)
        s.connect(str(path))
        try:
            s.sendall(data)
        except BrokenPipeError:
            pass
        got = b""
        while more := s.recv(65_536):
            got += more
        return got


def test_answer_and_who_asks(server: ControlServer, path: Path) -> None:
    """The handler gets the request and the name of the user whom the kernel says is on the other side."""
    me = pwd.getpwuid(os.getuid()).pw_name
    assert ask(path, {"do": "x", "n": 3}) == {"ok": True, "asked": {"do": "x", "n": 3}, "who": me}


def test_a_name_in_the_request_does_not_become_the_user(server: ControlServer, path: Path) -> None:
    """Whatever a request claims, `who` is the kernel's word."""
    answer = ask(path, {"do": "x", "who": "chief", "by": "chief"})
    assert answer["who"] == pwd.getpwuid(os.getuid()).pw_name != "chief"


def test_refusal_is_told(server: ControlServer, path: Path) -> None:
    """A refusal comes to the one who asked as Refused with the same words."""
    with pytest.raises(Refused, match="not today"):
        ask(path, {"do": "refuse"})


def test_own_fault_is_answered_and_the_server_lives(server: ControlServer, path: Path) -> None:
    """A fault of the handler is answered in words, and the next question is answered too."""
    with pytest.raises(Refused, match="unexpected fault in the daemon: KeyError"):
        ask(path, {"do": "break"})
    assert ask(path, {"do": "x"})["ok"]


@pytest.mark.parametrize(
    "sent",
    [b"\n", b"nonsense\n", b"[1]\n", b"null\n", b"\xff\xfe\n", b'{"do":\n', b"[" * 60_000 + b"\n", b'{"do":1e999}\n'],
)
def test_any_line_is_answered(server: ControlServer, path: Path, sent: bytes) -> None:
    """Garbage is answered as a refusal or not at all, and never ends the server."""
    got = raw(path, sent)
    assert got == b"" or isinstance(json.loads(got)["ok"], bool)
    assert ask(path, {"do": "x"})["ok"]


def test_too_long_is_refused_with_the_bound(server: ControlServer, path: Path) -> None:
    """A request beyond its bound is told so, and not read to its end."""
    with pytest.raises(Refused, match=str(REQUEST_BYTES_MAX)):
        ask(path, {"do": "x" * (REQUEST_BYTES_MAX + 10_000)})


def test_longest_request_is_taken(server: ControlServer, path: Path) -> None:
    """A request of just the bound is answered."""
    empty = len(json.dumps({"do": ""})) + 1
    text = "x" * (REQUEST_BYTES_MAX - empty)
    assert ask(path, {"do": text})["asked"]["do"] == text


def test_too_many_at_once_are_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound of connections the next one is told to try again; when they are gone it is answered."""
    monkeypatch.setattr(control, "RESERVED", 0)
    gate = threading.Event()
    held = threading.Semaphore(0)

    def wait(request: dict[str, Any], who: str) -> dict[str, Any]:
        held.release()
        gate.wait(180)
        return {}

    server = ControlServer(path, wait)
    server.start()
    try:
        askers = [threading.Thread(target=ask, args=(path, {"do": "x"})) for _ in range(CONNECTIONS_MAX)]
        for asker in askers:
            asker.start()
        for _ in askers:
            assert held.acquire(timeout=180)
        with pytest.raises(Refused, match="try again"):
            ask(path, {"do": "x"})
        gate.set()
        for asker in askers:
            asker.join(180)
        assert ask(path, {"do": "x"})["ok"]
    finally:
        gate.set()
        server.stop()


def test_places_are_reserved_for_root_and_the_owner(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that others who hold all places keep neither root nor the daemon's own user out, nor get a reserved one."""
    stranger = [True]
    monkeypatch.setattr(control, "_uid", lambda _: 65_534 if stranger[0] else os.geteuid())
    server = ControlServer(path, echo)
    server.start()
    held = []
    try:
        for _ in range(CONNECTIONS_MAX):
            held.append(socket.socket(socket.AF_UNIX))
            held[-1].connect(str(path))
        with pytest.raises(Refused, match="try again"):
            ask(path, {"do": "x"})
        stranger[0] = False
        assert ask(path, {"do": "x"})["ok"]
    finally:
        for s in held:
            s.close()
        server.stop()


def test_accepting_goes_on_after_a_failure(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that no descriptor left costs a pause and not the socket, and that it is logged once."""
    monkeypatch.setattr(control, "ACCEPT_PAUSE_S", 0.01)
    server = ControlServer(path, echo)
    failures = iter([OSError(errno.EMFILE, "Too many open files")] * 20)
    accept = server._socket.accept

    def failing() -> Any:
        fault = next(failures, None)
        if fault is not None:
            raise fault
        return accept()

    monkeypatch.setattr(server, "_socket", SimpleNamespace(accept=failing, close=server._socket.close))
    with structlog.testing.capture_logs() as logs:
        server.start()
        assert ask(path, {"do": "x"})["ok"]
    server.stop()
    assert [line["event"] for line in logs] == ["control.accept_failed"]


def test_who_does_not_finish_is_left(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that is never finished ends the connection after its time, and frees its place."""
    monkeypatch.setattr(control, "TIMEOUT_S", 0.1)
    server = ControlServer(path, echo)
    server.start()
    try:
        for _ in range(CONNECTIONS_MAX + 1):
            assert raw(path, b'{"do"') == b""
        assert ask(path, {"do": "x"})["ok"]
    finally:
        server.stop()


def test_no_daemon(path: Path) -> None:
    """Where nobody listens the words say what to do, with and without a dead daemon's socket."""
    with pytest.raises(NoDaemon, match="is it running"):
        ask(path, {})
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(path))
    with pytest.raises(NoDaemon, match="is it running"):
        ask(path, {})


def test_socket_of_a_dead_daemon_is_replaced(path: Path) -> None:
    """A daemon that was killed leaves its socket; the next one takes its place."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(path))
    server = ControlServer(path, echo)
    server.start()
    assert ask(path, {"do": "x"})["ok"]
    server.stop()
    assert not path.exists()


def test_socket_of_a_living_daemon_is_left(server: ControlServer, path: Path) -> None:
    """Two daemons never share a socket: the second is refused and the first goes on."""
    with pytest.raises(PortError, match="another daemon"):
        ControlServer(path, echo)
    assert ask(path, {"do": "x"})["ok"]


def test_a_file_is_not_deleted(path: Path) -> None:
    """A file that is no socket is never taken away for one."""
    path.write_text("precious")
    with pytest.raises(PortError, match="no socket"):
        ControlServer(path, echo)
    assert path.read_text() == "precious"


def test_rights_are_owner_and_group(server: ControlServer, path: Path) -> None:
    """Owner and group may talk to it, nobody else."""
    assert stat.S_IMODE(path.stat().st_mode) == 0o660


def test_a_path_that_cannot_be_is_told(tmp_path: Path) -> None:
    """A folder that is missing and a path too long for a socket are told in words."""
    for bad in (tmp_path / "missing" / "s", tmp_path / ("x" * 120)):
        with pytest.raises(PortError, match="cannot be made"):
            ControlServer(bad, echo)


def test_daemon_that_breaks_off_is_told(path: Path) -> None:
    """An answer cut short is told as such, not as a riddle about JSON."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(path))
        listener.listen()

        def hang_up() -> None:
            connection, _ = listener.accept()
            connection.recv(65_536)
            connection.sendall(b'{"ok": tr')
            connection.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        with pytest.raises(PortError, match="broke off"):
            ask(path, {"do": "x"})
        thread.join(180)


def test_nothing_is_left_open(server: ControlServer, path: Path) -> None:
    """A hundred questions leave no descriptor behind."""
    ask(path, {"do": "x"})
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(100):
        ask(path, {"do": "x"})
    server.stop()
    assert len(os.listdir("/proc/self/fd")) <= before
