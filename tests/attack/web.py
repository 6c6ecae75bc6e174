"""Clients of the page for attacks: raw connections from any address of loopback, and an ordinary viewer."""

import contextlib
import http.client
import json
import socket
import time
from collections.abc import Mapping
from typing import Any


def connected(port: int, source: str = "127.0.0.2", receive_bytes: int | None = None) -> socket.socket:
    """A connection that has sent nothing. `receive_bytes`: the kernel's buffer for what comes."""
    s = socket.socket()
    if receive_bytes is not None:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    s.settimeout(5.0)
    try:
        s.bind((source, 0))
        s.connect(("127.0.0.1", port))
    except OSError:
        s.close()
        raise
    return s


def is_closed(s: socket.socket, within_s: float = 0.0) -> bool:
    """Whether the other side closes it in time. Reads what comes."""
    s.settimeout(max(0.01, within_s))
    end = time.monotonic() + within_s
    while True:
        try:
            if not s.recv(65_536):
                return True
        except TimeoutError:
            return False
        except OSError:
            return True
        if time.monotonic() > end:
            return False


def asked(
    port: int,
    path: str,
    *,
    source: str = "127.0.0.3",
    body: Any = None,
    headers: Mapping[str, str] | None = None,
    within_s: float = 10.0,
) -> tuple[int, bytes, dict[str, str]]:
    """One request: status, body, headers. `body`: JSON, or bytes as they are. Raises OSError, HTTPException."""
    client = http.client.HTTPConnection("127.0.0.1", port, timeout=within_s, source_address=(source, 0))
    with contextlib.closing(client):
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        sent = {"content-type": "application/json"} if body is not None else {}
        client.request("GET" if body is None else "POST", path, data, sent | dict(headers or {}))
        answer = client.getresponse()
        return answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}


def viewer_s(port: int, source: str = "127.0.0.3") -> float:
    """How long an ordinary viewer waits for the present."""
    begun = time.monotonic()
    status, body, _ = asked(port, "/api/present", source=source)
    assert status == 200, (status, body[:200])
    assert json.loads(body)["engines"][0]["slug"] == "main"
    return time.monotonic() - begun


def logged_in(port: int, password: str, *, name: str = "second", source: str = "127.0.0.3") -> dict[str, str]:
    """Log in; the headers that acts need. Asserts that it works."""
    status, body, headers = asked(port, "/api/login", source=source, body={"name": name, "password": password})
    assert status == 200, body[:300]
    cookie = headers["set-cookie"].partition(";")[0]
    return {"cookie": cookie, "x-camdrift-token": str(json.loads(body)["token"])}
