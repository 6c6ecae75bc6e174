"""Asks the running daemon through its local socket. Small commands import this, so it imports only what it needs."""

import contextlib
import json
import os
import socket
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gateway.model.errors import PortError, Refused

ANSWER_TIMEOUT_S = 20.0
CONNECT_AGAIN_S, CONNECT_WITHIN_S = 0.1, 5.0
"""Of `ask`, while more wait to be accepted than the kernel holds."""


class NoDaemon(PortError):
    """Nobody listens at the socket."""


def ask(path: Path, request: Mapping[str, Any]) -> dict[str, Any]:
    """Send a request to the daemon at `path`. Raises NoDaemon where there is none, PortError, Refused for its no."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
            s.settimeout(ANSWER_TIMEOUT_S)
            _connect(s, path)
            with contextlib.suppress(BrokenPipeError):
                # A daemon that refuses before it has read all still answers why.
                s.sendall(json.dumps(request).encode() + b"\n")
            data = b""
            while more := s.recv(65_536):
                data += more
    except (FileNotFoundError, ConnectionRefusedError):
        raise NoDaemon(f"no daemon answers at {path}: is it running? `camdrift run` starts it") from None
    except PermissionError:
        group = _group(path)
        raise PortError(f"{path}: you may not talk to the daemon; join the group {group}, or ask as root") from None
    except TimeoutError:
        raise PortError(
            f"the daemon at {path} does not answer within {ANSWER_TIMEOUT_S:g} s; look at its log"
        ) from None
    except OSError as e:
        raise PortError(f"{path}: {e.strerror or e}; look at the daemon's log") from None
    return _answered(path, data)


def _connect(s: socket.socket, path: Path) -> None:
    until_s = time.monotonic() + CONNECT_WITHIN_S
    while True:
        try:
            return s.connect(str(path))
        except BlockingIOError:
            if time.monotonic() > until_s:
                raise
            time.sleep(CONNECT_AGAIN_S)


def _answered(path: Path, data: bytes) -> dict[str, Any]:
    try:
        answer = json.loads(data)
    except ValueError:
        raise PortError(f"the daemon at {path} broke off; try again, and look at its log") from None
    if not isinstance(answer, dict) or not answer.get("ok"):
        raise Refused(str(answer.get("why", "refused")) if isinstance(answer, dict) else "refused")
    return answer


def _group(path: Path) -> str:
    try:
        return path.group()
    except (OSError, KeyError):
        return os.fspath(path.parent)
