"""Where the bytes go: a pty, a serial port, a TCP server, a capture file.

All take bytes as a UART does: what the reader has no room for is lost, unless the head is told to wait for him.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import socket
import sys
import termios
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import serial

WAIT_S = 0.1
"""How often a wait looks up to see whether it is told to stop."""
GRACE_S = 0.5
"""A reader that has been keeping up is given so long before bytes are dropped."""
DRAIN_S = 2.0
"""How long the last reader of a pty has for what is left at the end."""
READERS_MAX = 8
"""Readers of the TCP server at a time."""


class OutletError(Exception):
    """A port or a disk failed (exit status 74)."""


class Outlet(Protocol):
    """Takes bytes; `patient`: waits for the reader instead of dropping what he has no room for."""

    dropped: int

    def write(self, data: bytes, patient: bool) -> None: ...

    def finish(self) -> None:
        """All is written: let the reader have the rest, but do not wait for him for long."""

    def close(self) -> None: ...


class DescriptorOutlet:
    """A file descriptor that is written without ever blocking for long: a pty's or a serial port's."""

    def __init__(self, fd: int, stopped: Callable[[], bool]) -> None:
        self.dropped = 0
        self._fd = fd
        self._stopped = stopped
        self._keeping_up = True
        os.set_blocking(fd, False)

    def write(self, data: bytes, patient: bool) -> None:
        """Raises OutletError when the port is gone."""
        rest = memoryview(data)
        give_up = time.monotonic() + (GRACE_S if self._keeping_up else 0.0)
        while rest and not self._stopped():
            rest = rest[self._some(rest) :]
            left_s = WAIT_S if patient else min(WAIT_S, give_up - time.monotonic())
            if rest and left_s <= 0:
                break
            if rest:
                self._wait(left_s)
        self._keeping_up = not rest
        self.dropped += len(rest)

    def finish(self) -> None:
        """Closing does not take from the reader what is under way."""

    def close(self) -> None:
        os.close(self._fd)

    def _some(self, data: memoryview) -> int:
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0
        except OSError as e:
            raise OutletError(f"the port failed: {e.strerror}; plug it in again and start anew") from None

    def _wait(self, seconds: float) -> None:
        poll = select.poll()
        poll.register(self._fd, select.POLLOUT)
        poll.poll(max(1, seconds * 1000))


class PtyOutlet(DescriptorOutlet):
    """A new pseudo terminal; `path` is what the reader opens. It outlives any reader's closing it."""

    def __init__(self, stopped: Callable[[], bool], link: Path | None = None) -> None:
        """`link`: a symbolic link to make to it. Raises OutletError when something else stands there."""
        master, self._slave = os.openpty()
        # Raw from the start, and our own end of the slave held open: a reader who leaves hangs nothing up.
        tty.setraw(self._slave)
        super().__init__(master, stopped)
        self.path = os.ttyname(self._slave)
        self._link = link
        if link is not None:
            try:
                if link.is_symlink():
                    link.unlink()
                link.symlink_to(self.path)
            except OSError as e:
                self._link = None
                self.close()
                raise OutletError(f"{link}: cannot be made a link to {self.path}: {e.strerror}") from None

    def finish(self) -> None:
        """Closing a pty throws away what has not been read, so wait for that for a while."""
        give_up, empty = time.monotonic() + DRAIN_S, 0
        while empty < 2 and time.monotonic() < give_up and not self._stopped():
            unread = int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)
            empty = 0 if unread else empty + 1
            time.sleep(DRAIN_S / 100)

    def close(self) -> None:
        super().close()
        os.close(self._slave)
        if self._link is not None and self._link.is_symlink() and os.readlink(self._link) == self.path:
            self._link.unlink()


class SerialOutlet(DescriptorOutlet):
    """A serial port, opened and set by pyserial."""

    def __init__(self, port: str, baud: int, stopped: Callable[[], bool]) -> None:
        """Raises OutletError when the port cannot be opened or is no device."""
        try:
            self._port = serial.Serial(port, baud, exclusive=True)
            fd = self._port.fileno()
        except (serial.SerialException, OSError, ValueError) as e:
            raise OutletError(
                f"{port}: cannot be opened: {e}; give a serial device that nobody else has open"
            ) from None
        super().__init__(fd, stopped)

    def close(self) -> None:
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()

    def finish(self) -> None:
        """Lets the port's own buffer run dry."""
        with contextlib.suppress(serial.SerialException, OSError, termios.error):
            self._port.flush()


class TcpOutlet:
    """A TCP server; every reader gets the bytes from when he comes."""

    def __init__(self, host: str, port: int, stopped: Callable[[], bool]) -> None:
        """`port` 0: any free one; `address` tells which. Raises OutletError."""
        self.dropped = 0
        self._stopped = stopped
        self._readers: list[DescriptorOutlet] = []
        try:
            family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
            self._server = socket.create_server((host, port), family=family)
        except (OSError, OverflowError) as e:
            raise OutletError(f"{host}:{port}: cannot be listened on: {e}") from None
        self._server.setblocking(False)
        self.address: tuple[str, int] = self._server.getsockname()[:2]

    def write(self, data: bytes, patient: bool) -> None:
        """With no reader: waits for one when patient, else the bytes are lost."""
        self._accept()
        while patient and not self._readers and not self._stopped():
            select.select([self._server], [], [], WAIT_S)
            self._accept()
        if not self._readers:
            self.dropped += len(data)
        for reader in list(self._readers):
            before = reader.dropped
            try:
                reader.write(data, patient)
            except OutletError:
                self._readers.remove(reader)
                reader.close()
            self.dropped += reader.dropped - before

    def finish(self) -> None:
        """The system delivers what is under way after closing."""

    def close(self) -> None:
        for reader in self._readers:
            reader.close()
        self._server.close()

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                connection, _ = self._server.accept()
                if len(self._readers) >= READERS_MAX:
                    connection.close()
                    continue
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._readers.append(DescriptorOutlet(connection.detach(), self._stopped))


class FileOutlet:
    """A capture file; a pipe's reader who leaves ends it."""

    def __init__(self, path: Path) -> None:
        """Raises OutletError when it cannot be written."""
        self.dropped = 0
        self._path = path
        try:
            self._file = path.open("wb")
        except OSError as e:
            raise OutletError(f"{path}: cannot be written: {e.strerror}") from None

    def write(self, data: bytes, patient: bool) -> None:
        try:
            self._file.write(data)
        except OSError as e:
            raise self._failed(e) from None

    def finish(self) -> None:
        """Nothing to wait for."""

    def close(self) -> None:
        """Raises OutletError when the last bytes do not fit on the disk."""
        try:
            self._file.close()
        except OSError as e:
            raise self._failed(e) from None

    def _failed(self, e: OSError) -> OutletError:
        room = "; make room on the disk" if e.errno == errno.ENOSPC else ""
        return OutletError(f"{self._path}: cannot be written: {e.strerror}{room}")
