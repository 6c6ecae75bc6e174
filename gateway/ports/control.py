"""The local socket: one JSON object a line in, one out. Who may open the file may act; that is the access rule."""

import contextlib
import json
import os
import pwd
import socket
import struct
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import structlog

from gateway.model.errors import PortError, Refused

REQUEST_BYTES_MAX = 65_536
"""A booking with pressures of 32 cylinders is a few kB."""
CONNECTIONS_MAX = 8
TIMEOUT_S = 10.0
ANSWER_TIMEOUT_S = 20.0
Handler = Callable[[dict[str, Any], str], dict[str, Any]]
"""`handler(request, who)`: `who` is the name of the user on the other side. Raises Refused with the reason."""


class ControlServer:
    """Listens on a UNIX socket and answers through `handler`, each connection in a thread of its own, a few at most."""

    def __init__(self, path: Path, handler: Handler) -> None:
        self._path, self._handler = path, handler
        self._log = structlog.get_logger("control")
        self._stopping = threading.Event()
        self._slots = threading.BoundedSemaphore(CONNECTIONS_MAX)
        self._thread = threading.Thread(target=self._run, name="control", daemon=True)
        self._socket = self._bound()

    def _bound(self) -> socket.socket:
        s = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            # The data folder is locked by us: a socket that lies there belongs to a daemon that is dead.
            self._path.unlink(missing_ok=True)
            s.bind(str(self._path))
            self._path.chmod(0o660)
            s.listen(CONNECTIONS_MAX)
        except OSError as e:
            s.close()
            raise PortError(f"{self._path}: the local socket cannot be made: {e.strerror or e}") from None
        s.settimeout(0.5)
        return s

    def start(self) -> None:
        """Start listening."""
        self._thread.start()

    def stop(self) -> None:
        """Stop, and take the socket's file away."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(2.0)
        self._socket.close()
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._socket.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            if not self._slots.acquire(blocking=False):
                connection.close()
                continue
            threading.Thread(target=self._talk, args=(connection,), name="control-talk", daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        try:
            with connection:
                connection.settimeout(TIMEOUT_S)
                line = _line(connection)
                if line:
                    connection.sendall(json.dumps(self._answer(line, _peer(connection))).encode() + b"\n")
        except OSError:
            return
        finally:
            self._slots.release()

    def _answer(self, line: bytes, who: str) -> dict[str, Any]:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise Refused("the request is not a JSON object")
            return {"ok": True, **self._handler(request, who)}
        except Refused as e:
            return {"ok": False, "why": str(e)}
        except ValueError as e:
            return {"ok": False, "why": f"the request cannot be read: {e}"}
        except Exception as e:
            self._log.error("a request failed unexpectedly", why=f"{type(e).__name__}: {e}", exc_info=True)
            return {"ok": False, "why": f"unexpected fault in the daemon: {type(e).__name__}"}


def _line(connection: socket.socket) -> bytes:
    data = b""
    while b"\n" not in data:
        more = connection.recv(4_096)
        data += more
        if not more or len(data) > REQUEST_BYTES_MAX:
            return b""
    return data.split(b"\n", 1)[0]


def _peer(connection: socket.socket) -> str:
    _, uid, _ = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def ask(path: Path, request: Mapping[str, Any]) -> dict[str, Any]:
    """Send a request to the daemon at `path`. Raises PortError where none answers, Refused where it says no."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
            s.settimeout(ANSWER_TIMEOUT_S)
            s.connect(str(path))
            s.sendall(json.dumps(request).encode() + b"\n")
            data = b""
            while more := s.recv(65_536):
                data += more
    except (FileNotFoundError, ConnectionRefusedError):
        raise PortError(f"no daemon answers at {path}: is it running? `camdrift run` starts it") from None
    except PermissionError:
        group = _group(path)
        raise PortError(f"{path}: you may not talk to the daemon; join the group {group}, or ask as root") from None
    except TimeoutError:
        raise PortError(
            f"the daemon at {path} does not answer within {ANSWER_TIMEOUT_S:g} s; look at its log"
        ) from None
    except OSError as e:
        raise PortError(f"{path}: {e.strerror or e}") from None
    return _answered(path, data)


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
