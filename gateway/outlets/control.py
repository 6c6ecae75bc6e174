"""The local socket: one JSON object a line in, one out. Who may open the file may act; that is the access rule."""

import contextlib
import json
import os
import pwd
import socket
import stat
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gateway.encode.bounded_json import read_object
from gateway.fault_log import FaultLog
from gateway.model.errors import CamdriftError, PortError, Refused

REQUEST_BYTES_MAX = 65_536
"""A booking with pressures of 32 cylinders is a few kB."""
CONNECTIONS_MAX = 8
RESERVED = 4
"""Further places, for root and the daemon's own user: whoever else may open the socket cannot keep these out."""
BACKLOG = 128
TIMEOUT_S = 10.0
ACCEPT_PAUSE_S = 1.0
"""After a failure to accept, such as no descriptor left: what is short then comes back by itself, or it stays."""
Handler = Callable[[dict[str, Any], str], dict[str, Any]]
"""`handler(request, who)`: `who` is the name of the user on the other side. Raises Refused with the reason."""


class ControlServer:
    """Listens on a UNIX socket and answers through `handler`, each connection in a thread of its own, a few at most."""

    def __init__(self, path: Path, handler: Handler) -> None:
        self._path, self._handler = path, handler
        self._stopping = threading.Event()
        self._faults = FaultLog("control")
        self._slots = threading.BoundedSemaphore(CONNECTIONS_MAX)
        self._reserved = threading.BoundedSemaphore(RESERVED)
        self._thread = threading.Thread(target=self._run, name="control", daemon=True)
        self._socket = self._bound()

    def _bound(self) -> socket.socket:
        s = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._clear_place()
            s.bind(str(self._path))
            self._path.chmod(0o660)
            s.listen(BACKLOG)
        except OSError as e:
            s.close()
            raise PortError(f"{self._path}: the local socket cannot be made: {e.strerror or e}") from None
        s.settimeout(0.5)
        return s

    def _clear_place(self) -> None:
        """Take away the socket of a daemon that is dead. Raises PortError for anything else that lies there."""
        try:
            mode = self._path.lstat().st_mode
        except FileNotFoundError:
            return
        if not stat.S_ISSOCK(mode):
            raise PortError(f"{self._path}: is there and is no socket; move it away, or set another gateway.socket")
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
            probe.settimeout(1.0)
            if probe.connect_ex(str(self._path)) == 0:
                raise PortError(f"{self._path}: another daemon answers there; stop it, or set another gateway.socket")
        self._path.unlink(missing_ok=True)

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
            except OSError as e:
                self._faults.add("control.accept_failed", why=e.strerror or str(e))
                self._stopping.wait(ACCEPT_PAUSE_S)
                continue
            self._take(connection)

    def _take(self, connection: socket.socket) -> None:
        """Answer it on a thread of its own, or refuse it where no place is left for its user."""
        place = self._place_for(connection)
        if place is None:
            _refuse(connection, f"{CONNECTIONS_MAX} others ask at this moment; try again")
            return
        try:
            threading.Thread(target=self._talk, args=(connection, place), name="control-talk", daemon=True).start()
        except RuntimeError as e:  # no thread to be had: the unit bounds them
            self._faults.add("control.thread_failed", why=str(e))
            connection.close()
            place.release()

    def _place_for(self, connection: socket.socket) -> threading.BoundedSemaphore | None:
        """A place, already taken; None where there is none for this user."""
        if self._slots.acquire(blocking=False):
            return self._slots
        if _uid(connection) in (0, os.geteuid()) and self._reserved.acquire(blocking=False):
            return self._reserved
        return None

    def _talk(self, connection: socket.socket, place: threading.BoundedSemaphore) -> None:
        try:
            with connection:
                connection.settimeout(TIMEOUT_S)
                line = _line(connection)
                if line is None:
                    _refuse(connection, f"the request is longer than {REQUEST_BYTES_MAX} bytes")
                elif line:
                    connection.sendall(json.dumps(self._answer(line, _peer(connection))).encode() + b"\n")
        except OSError:
            return
        finally:
            place.release()

    def _answer(self, line: bytes, who: str) -> dict[str, Any]:
        try:
            request = read_object(line)
        except Refused as e:
            return {"ok": False, "why": f"the request cannot be read: {e}"}
        try:
            return {"ok": True, **self._handler(request, who)}
        except CamdriftError as e:
            return {"ok": False, "why": str(e)}
        except Exception as e:
            self._faults.add("control.request_failed", fault=f"{type(e).__name__}: {e}")
            return {"ok": False, "why": f"unexpected fault in the daemon: {type(e).__name__}"}


def _line(connection: socket.socket) -> bytes | None:
    """The first line; empty where the other side left or dawdled before it was whole, `None` where it is too long."""
    data, until = b"", time.monotonic() + TIMEOUT_S
    while b"\n" not in data:
        more = connection.recv(4_096)
        data += more
        if len(data) > REQUEST_BYTES_MAX:
            return None
        if not more or time.monotonic() > until:
            return b""
    return data.split(b"\n", 1)[0]


def _refuse(connection: socket.socket, why: str) -> None:
    """Answer why not and close, without waiting: this happens where connections are accepted."""
    with contextlib.suppress(OSError), connection:
        connection.setblocking(False)
        connection.sendall(json.dumps({"ok": False, "why": why}).encode() + b"\n")
        # What was sent and not read would reset the connection before the answer is read.
        connection.shutdown(socket.SHUT_WR)
        connection.recv(2 * REQUEST_BYTES_MAX)


def _uid(connection: socket.socket) -> int:
    _, uid, _ = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    return int(uid)


def _peer(connection: socket.socket) -> str:
    uid = _uid(connection)
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"
