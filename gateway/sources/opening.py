"""Opening a head's port by pyserial, and giving in plain words the reason why it cannot be opened."""

import errno
import fcntl
import getpass
import grp
import os
import socket
import stat
import termios
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from gateway.model.errors import PortError
from gateway.model.settings import HeadSettings

READ_BYTES = 65_536
BATCH_BYTES_MAX = 1 << 15
"""One batch handed on; what is still waiting comes with the next. A person's act comes between two batches: where a
head is read faster than time, a larger one would let weeks pass before it."""

FAULTS = (serial.SerialException, OSError, termios.error, TypeError, ValueError)
"""All that pyserial lets out when a port goes away or cannot be set: no two of its calls agree."""

READ_TIMEOUT_S = 0.5
"""For ports without a descriptor: so long may a stop be kept waiting."""

BY_ID = Path("/dev/serial/by-id")
"""Names that stay when the number of a USB adapter changes."""

_GONE = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR}
_BUSY = {errno.EAGAIN, errno.EBUSY}
_KEEPALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3))
"""A converter that loses its power is silent; so it is found out in half a minute."""


class OpenPort:
    """An open port. `descriptor`: what `poll` may wait on, or -1 where the port has none (rfc2217://)."""

    def __init__(self, port: Any) -> None:
        self._port = port
        self.descriptor = _descriptor(port)

    def read(self) -> bytes:
        """All that is waiting, at most BATCH_BYTES_MAX; call when `poll` reports that something is there.

        Without a descriptor waits up to READ_TIMEOUT_S for the first byte and gives b"" if none came.
        Raises PortError at the end of the stream, and any of FAULTS where the port fails.
        """
        if self.descriptor < 0:
            return bytes(self._port.read(min(BATCH_BYTES_MAX, max(1, self._port.in_waiting))))
        first = os.read(self.descriptor, READ_BYTES)
        if not first:
            raise PortError(
                "it was closed at the other end, unplugged, or another process reads from it too; "
                "check the cable and the other programs"
            )
        return self._rest(first)

    def _rest(self, first: bytes) -> bytes:
        parts, size = [first], len(first)
        while size < BATCH_BYTES_MAX:
            try:
                more = os.read(self.descriptor, READ_BYTES)
            except OSError:
                break  # nothing more for now, or a fault that the next read will meet again, with these bytes safe
            if not more:
                break
            parts.append(more)
            size += len(more)
        return b"".join(parts)

    def close(self) -> None:
        """Close, whatever state the port is in."""
        try:
            self._port.close()
        except FAULTS:
            pass


def open_port(head: HeadSettings) -> OpenPort:
    """Open `head.port`, a device or any of pyserial's URLs, 8N1 at `head.baud`, for this process alone.

    Raises PortError; its text is what is wrong and what to do.
    """
    try:
        port: Any = serial.serial_for_url(
            head.port, baudrate=head.baud, timeout=READ_TIMEOUT_S, exclusive=True, do_not_open=True
        )
        port.dtr = port.rts = False  # some boards take these lines for a reset
        if head.port.lower().startswith("socket://"):
            port.reset_input_buffer = lambda: None  # a fresh connection holds nothing stale, and a fast head no end
        port.open()
    except FAULTS as e:
        raise PortError(why_not_open(head.port, e)) from None
    opened = OpenPort(port)
    _settle(opened.descriptor)
    return opened


def _descriptor(port: Any) -> int:
    try:
        return int(port.fileno())
    except (OSError, AttributeError, ValueError):
        return -1


def _settle(fd: int) -> None:
    """Shut out other openers of a real tty; let a dead TCP peer be noticed. Neither is worth failing for."""
    if fd < 0:
        return
    try:
        if stat.S_ISSOCK(os.fstat(fd).st_mode):
            _keep_alive(fd)
        elif not os.ttyname(fd).startswith("/dev/pts/"):
            # Not on a pty: there the mark outlives a killed daemon for as long as the other end is open.
            fcntl.ioctl(fd, termios.TIOCEXCL)
    except OSError:
        pass


def _keep_alive(fd: int) -> None:
    with socket.socket(fileno=os.dup(fd)) as same:
        same.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in _KEEPALIVE:
            if hasattr(socket, name):
                same.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def why_not_open(port: str, fault: BaseException) -> str:
    """One sentence on what is wrong and one on what to do. `fault`: what opening raised."""
    code = getattr(fault, "errno", None)
    if "://" in port:
        return f"cannot open {port}: {_plain(fault)}. Check the address, and that the converter is switched on."
    if code in _GONE or not os.path.exists(port):
        return f"port {port} does not exist. {_ports_here()} Plug the head in, or set port in the head's section."
    if code in (errno.EACCES, errno.EPERM):
        return _no_permission(port)
    if code in _BUSY:
        return f"port {port} is held by another process. Stop that one (fuser {port} names it): one port, one reader."
    if not stat.S_ISCHR(os.stat(port).st_mode):
        return f"{port} is not a serial port. Set port to a device; a capture is read by: camdrift replay."
    return f"cannot open {port}: {_plain(fault)}. Check port and baud in the head's section."


def _plain(fault: BaseException) -> str:
    code = getattr(fault, "errno", None)
    return os.strerror(code) if isinstance(code, int) else str(fault)


def _ports_here() -> str:
    names = [p.device for p in list_ports.comports()]
    if BY_ID.is_dir():
        names += sorted(str(link) for link in BY_ID.iterdir())
    return f"Serial ports here: {', '.join(names)}." if names else "There is no serial port on this machine."


def _no_permission(port: str) -> str:
    group = _group(os.stat(port).st_gid)
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = f"#{os.getuid()}"
    return (
        f"no permission to read {port}, which belongs to the group {group}. Add the user to it "
        f"(sudo usermod -aG {group} {user}), then start again; for a service, check its DeviceAllow too."
    )


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return f"#{gid}"
