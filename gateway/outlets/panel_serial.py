"""A serial line to the panel: opened by pyserial, read and written through its descriptor, never blocking for long."""

import contextlib
import os
import select
import termios
import threading
import time

import serial

from gateway.model.errors import PortError

READ_BYTES = 4_096
_FAILURES = (serial.SerialException, OSError, ValueError, TypeError, termios.error)


class SerialLine:
    """One device. `read` and `write` belong to one thread; `wake` and `close` may be called from any other."""

    def __init__(self, port: str, baud: int, parity: str = "N", stop_bits: int = 1) -> None:
        """Open it. Raises PortError with what to do."""
        self.port = port
        try:
            self._device = serial.Serial(
                port, baud, parity=parity, stopbits=stop_bits, timeout=0, write_timeout=0, exclusive=True
            )
            self._fd = self._device.fileno()
        except _FAILURES as e:
            raise PortError(
                f"{port}: cannot be opened as a serial line ({_reason(e)}). Check that it exists, that this user may "
                "open it and that no other program holds it"
            ) from None
        self._lock = threading.Lock()
        self._wake_read, self._wake_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._poll.register(self._wake_read, select.POLLIN)

    def read(self, wait_s: float | None) -> bytes:
        """What has come, at most READ_BYTES; empty after `wait_s` or a `wake`. Raises PortError."""
        wait_ms = None if wait_s is None else max(1, int(wait_s * 1000 + 0.999))
        ready = {fd for fd, _ in self._poll.poll(wait_ms)}
        if self._wake_read in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_read, READ_BYTES)
        if self._fd not in ready:
            return b""
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError as e:
            raise PortError(f"{self.port}: {_reason(e)}; the device is gone or its cable is") from None
        if not data:
            raise PortError(f"{self.port}: end of input; the device is gone, or a second program reads it")
        return data

    def write(self, data: bytes, within_s: float) -> bool:
        """Hand `data` to the driver; `False`: it did not take all of it in that time. Raises PortError."""
        poll = select.poll()
        poll.register(self._fd, select.POLLOUT)
        end = time.monotonic() + within_s
        while data:
            left = end - time.monotonic()
            if left <= 0 or not poll.poll(left * 1000):
                return False
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                continue
            except OSError as e:
                raise PortError(f"{self.port}: {_reason(e)}; the device is gone or its cable is") from None
        return True

    def discard_output(self) -> None:
        """Forget what the driver has not sent yet, so that an old sentence does not go out after a new one."""
        with contextlib.suppress(*_FAILURES):
            termios.tcflush(self._fd, termios.TCOFLUSH)

    def wake(self) -> None:
        """Make `read` return now."""
        with self._lock, contextlib.suppress(OSError):
            os.write(self._wake_write, b"w")

    def close(self) -> None:
        """Close it; a second call does nothing."""
        with self._lock:
            for fd in (self._wake_read, self._wake_write):
                with contextlib.suppress(OSError):
                    os.close(fd)
            self._wake_read = self._wake_write = -1
        with contextlib.suppress(*_FAILURES):
            self._device.close()


def _reason(e: BaseException) -> str:
    if isinstance(e, OSError) and e.strerror:
        return e.strerror
    return str(e.args[-1]) if e.args else type(e).__name__
