"""What moves the relay: a GPIO line of the character device, or RTS of a serial port.

What holds when the process that holds the line dies, without anything of ours running any more:

- RTS: the kernel lowers RTS at the last close of the port (HUPCL), a crash and a kill included. It also falls with the
  adapter's supply.
- GPIO: the kernel gives the line back, but does not promise its level; many controllers keep the last one. Hence the
  keeper process beside the daemon (`relay_keeper`), which outlives it and sets the level itself, and a pull-down at
  the transistor for the case that the whole box is without power.

Imports little: the keeper is to stay small.
"""

import contextlib
import fcntl
import importlib
import termios
from typing import Any, Protocol

import serial

from gateway.model.errors import PortError

_FAILURES = (serial.SerialException, OSError, ValueError, TypeError, termios.error)


class RelayLine(Protocol):
    """An open line."""

    def set(self, energised: bool) -> None:
        """Energise the relay or let it drop; the same again does no harm. Raises PortError."""

    def close(self) -> None:
        """Let it drop and give the line back; never raises."""


class GpioLine:
    """One output line of a GPIO character device, through libgpiod 2. `active_low`: low level energises."""

    def __init__(self, chip: str, line: int, active_low: bool = False) -> None:
        """Take the line, inactive. Raises PortError."""
        try:
            gpiod: Any = importlib.import_module("gpiod")
        except ImportError:
            raise PortError(
                'relay: the package gpiod is not installed; install camdrift[gpio] or use through = "rts"'
            ) from None
        self._name, self._line = f"{chip} line {line}", line
        self._on, self._off = gpiod.line.Value.ACTIVE, gpiod.line.Value.INACTIVE
        wanted = gpiod.LineSettings(
            direction=gpiod.line.Direction.OUTPUT, output_value=self._off, active_low=active_low
        )
        try:
            self._request = gpiod.request_lines(chip, consumer="camdrift", config={line: wanted})
        except (OSError, ValueError) as e:
            raise PortError(
                f"relay: {self._name} cannot be had ({_reason(e)}); check chip and line with gpioinfo, and that this "
                "user may open the chip"
            ) from None

    def set(self, energised: bool) -> None:
        """See RelayLine."""
        try:
            self._request.set_value(self._line, self._on if energised else self._off)
        except (OSError, ValueError) as e:
            raise PortError(f"relay: {self._name}: {_reason(e)}") from None

    def close(self) -> None:
        """See RelayLine."""
        with contextlib.suppress(PortError):
            self.set(False)
        with contextlib.suppress(OSError, ValueError):
            self._request.release()


class RtsLine:
    """RTS of a serial port that nothing else uses; asserted = energised."""

    def __init__(self, port: str) -> None:
        """Open it with RTS low. Raises PortError, also where the device has no RTS (a pseudo-terminal)."""
        self._port = port
        self._device = serial.Serial()
        try:
            self._device.port, self._device.exclusive = port, True
            self._device.rts = self._device.dtr = False
            self._device.open()
            fcntl.ioctl(self._device.fileno(), termios.TIOCMGET, b"\0\0\0\0")
            self._lower_at_close()
        except _FAILURES as e:
            with contextlib.suppress(*_FAILURES):
                self._device.close()
            raise PortError(
                f"relay: {port} cannot be used for its RTS line ({_reason(e)}). It must be a real serial port with an "
                "RTS line, free, and open to this user"
            ) from None

    def _lower_at_close(self) -> None:
        attributes = termios.tcgetattr(self._device.fileno())
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(self._device.fileno(), termios.TCSANOW, attributes)

    def set(self, energised: bool) -> None:
        """See RelayLine."""
        try:
            self._device.rts = energised
        except _FAILURES as e:
            raise PortError(f"relay: RTS of {self._port}: {_reason(e)}; the device is gone") from None

    def close(self) -> None:
        """See RelayLine."""
        with contextlib.suppress(PortError):
            self.set(False)
        with contextlib.suppress(*_FAILURES):
            self._device.close()


def _reason(e: BaseException) -> str:
    if isinstance(e, OSError) and e.strerror:
        return e.strerror
    return str(e.args[-1]) if e.args else type(e).__name__
