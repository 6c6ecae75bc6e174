"""Readiness, watchdog and status for systemd, where it started us, over its notification socket."""

import os
import socket


class ServiceNotify:
    """Notifies the service manager; does nothing where there is none."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        usec = os.environ.get("WATCHDOG_USEC", "")
        for_us = os.environ.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
        self.watchdog_s = int(usec) / 1e6 if usec.isdigit() and for_us else None
        """The watchdog's limit; ping well within it, and only while all is alive."""

    def send(self, **fields: str) -> None:
        """Send fields such as READY="1". A manager that does not listen is no fault of ours."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        text = "\n".join(f"{key}={value}" for key, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
                s.settimeout(1.0)
                s.sendto(text.encode(), address)
        except OSError:
            return
