"""The fleet's page attacked on loopback: it answers the next viewer each time, and stays within bounds."""

import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from urllib.parse import urlencode

import fleet_rig as rig
import pytest
from waiting import until

from gateway.shore.page.frame import BODY_BYTES_MAX
from tests.attack.web import asked, connected, is_closed

FORM = {"content-type": "application/x-www-form-urlencoded"}
ATTACKER = "127.0.0.2"


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    url = f"sqlite:///{tmp_path_factory.mktemp('attacked') / 'fleet.db'}"
    rig.fill(url, rig.NOW_S, years=1.0, step_days=30.0)
    with rig.served(url, rig.settings()) as base:
        yield int(base.rpartition(":")[2])


@pytest.fixture(autouse=True)
def goes_on(port: int) -> Iterator[None]:
    """After each attack a viewer from elsewhere is answered."""
    yield
    status, body, _ = asked(port, "/login", within_s=180.0)
    assert status == 200 and b"Log in" in body


def raw(port: int, request: bytes) -> bytes:
    """What comes back for these bytes, at most the first 64 kB."""
    with contextlib.closing(connected(port, ATTACKER)) as s:
        s.settimeout(60.0)
        with contextlib.suppress(OSError):
            s.sendall(request)
            s.shutdown(socket.SHUT_WR)
        with contextlib.suppress(OSError):
            return s.recv(65_536)
    return b""


@pytest.mark.parametrize(
    "request_",
    [
        b"\0" * 5_000, b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: evil.example\r\n\r\n", b"TRACE / HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n" + b"x: y\r\n" * 20_000 + b"\r\n",
        b"GET /static/../../../etc/passwd HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n",
        b"GET /static/%2e%2e/%2e%2e/etc/passwd HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n",
        b"GET /ship/%00%ff%0a HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n",
        b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: -1\r\n\r\n",
        b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 99999999999999999999\r\n\r\nx",
        b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ntransfer-encoding: chunked\r\n\r\nffffffffffffffff\r\nx",
        b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ntransfer-encoding: chunked\r\ncontent-length: 3\r\n\r\n0\r\n\r\n",
        b"POST /plan/stay HTTP/1.1\r\nhost: 127.0.0.1\r\norigin: http://evil.example\r\ncontent-length: 0\r\n\r\n",
    ],
)  # fmt: skip
def test_odd_requests_are_refused(port: int, request_: bytes) -> None:
    """None is answered with what is inside, none with an error of the server."""
    answer = raw(port, request_)
    status = int(answer[9:12]) if answer else 400
    assert status in (303, 404, 405) or 400 <= status < 500, answer[:200]
    assert b"root:" not in answer and b"Traceback" not in answer


@pytest.mark.parametrize(
    "body",
    [
        b"name=" + b"x" * (BODY_BYTES_MAX + 1), b"&".join(b"f%d=1" % n for n in range(2_000)), b"a[b][c]" * 2_000,
        b"name=%ff%fe&password=%00", b"name=" + b"[" * 10_000, b"=&=&=", b"\xff" * 1_000,
        urlencode({"name": "vera' OR '1'='1", "password": "x", "next": "https://evil.example/"}).encode(),
        urlencode({"name": "v" * 10_000, "password": "p" * 5_000}).encode(),
    ],
)  # fmt: skip
def test_odd_forms_are_refused_with_a_reason(port: int, body: bytes) -> None:
    """Huge, nested, of thousands of fields, in no encoding: a refusal as a page, and no log-in."""
    status, answer, headers = asked(port, "/login", source=ATTACKER, body=body, headers=FORM, within_s=180.0)
    assert status in (400, 403, 429) and b"</html>" in answer and "set-cookie" not in headers
    status, _, headers = asked(port, "/plan/stay", source=ATTACKER, body=body, headers=FORM, within_s=180.0)
    assert status == 303 and headers["location"].startswith("/login")


def test_who_tries_passwords_is_slowed_and_others_come_in(port: int) -> None:
    """Twenty wrong ones from one address; then the right one from another."""
    form = {"name": "paul", "next": "/"}
    wrong = urlencode({**form, "password": "guessed"}).encode()
    answers = [asked(port, "/login", source="127.0.0.4", body=wrong, headers=FORM, within_s=180.0) for _ in range(20)]
    assert all(status in (403, 429) for status, *_ in answers)
    assert b"is wrong" in answers[0][1] and b"is wrong" not in answers[-1][1]
    right = urlencode({**form, "password": rig.PASSWORD}).encode()
    status, _, headers = asked(port, "/login", source="127.0.0.5", body=right, headers=FORM, within_s=180.0)
    assert status == 303 and "set-cookie" in headers


def test_silent_connections_and_readers_that_do_not_read_are_bounded(port: int) -> None:
    """Two hundred of each: descriptors and threads stay bounded, and the silent ones are closed."""
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    held: list[socket.socket] = []
    try:
        for n in range(400):
            with contextlib.suppress(OSError):
                s = connected(port, f"127.0.1.{1 + n % 8}", receive_bytes=1_024)
                held.append(s)
                if n % 2:
                    s.sendall(b"GET /static/page.css HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n" * 50)
        assert asked(port, "/login", within_s=180.0)[0] == 200
        ours = len(os.listdir("/proc/self/fd")) - before[0] - len(held)
        assert ours <= 150, f"{ours} connections held by the page"
        assert threading.active_count() - before[1] <= 60
        assert is_closed(held[0], 60.0)
    finally:
        for s in held:
            s.close()
    until(lambda: len(os.listdir("/proc/self/fd")) <= before[0] + 8, "all are let go")
