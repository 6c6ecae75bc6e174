"""Sends a text to a person's addresses, through the library apprise: mail, SMS gateways, chat, webhooks, phones.

The library is imported when a sender is made, so nothing else carries it. It bounds connecting and reading; a whole try
is bounded besides by whoever calls (`notifier.py`), since an endpoint that trickles can hold it for longer.
"""

import logging
import threading
from pathlib import Path
from typing import Any

from gateway.model.errors import CamdriftError, Refused, SettingsError
from gateway.model.files import UnfitFile, read_secret
from gateway.model.shore_settings import Person, ShoreSettings

WHY_CHARS_MAX = 200


class NotSent(CamdriftError):
    """No address took it; the text gives the reason."""


class Sender:
    """Sends; any thread. Raises Refused without the library, SettingsError for an address that it does not take."""

    def __init__(self, settings: ShoreSettings) -> None:
        try:
            import apprise
        except ImportError:
            raise Refused("notices need an extra: pip install 'camdrift[notify]'") from None
        _quiet()
        self._library: Any = apprise
        # Its own threads stay out of it: each address is tried in the thread that calls.
        self._asset = apprise.AppriseAsset(app_id="camdrift", async_mode=False, secure_logging=True)
        self._addresses = {p.name: _addresses(p) for p in settings.person}
        for name, addresses in self._addresses.items():
            for number, address in enumerate(addresses, start=1):
                self._service(name, number, address)

    def _service(self, name: str, number: int, address: str) -> Any:
        service = self._library.Apprise(asset=self._asset)
        if not service.add(address):
            # The address may hold a password: it is never repeated.
            raise SettingsError([f"person {name}: address {number} is not understood; look at its scheme and spelling"])
        return service

    def send(self, person: str, title: str, body: str) -> list[str]:
        """To all addresses of a person; returns what went wrong beside. Raises NotSent where none took it."""
        faults = []
        addresses = self._addresses.get(person, [])
        for number, address in enumerate(addresses, start=1):
            why = self._try(self._service(person, number, address), title, body)
            if why:
                faults.append(f"address {number}: {why}")
        if len(faults) == len(addresses):
            raise NotSent("; ".join(faults) or "has no address in the settings")
        return faults

    def _try(self, service: Any, title: str, body: str) -> str:
        """Empty when it was taken; else the reason."""
        with _Reasons() as reasons:
            try:
                taken = bool(service.notify(title=title, body=body, body_format="text"))
            except Exception as e:
                return f"{type(e).__name__}: {e}"[:WHY_CHARS_MAX]
        return "" if taken else (reasons.last or "not taken")[:WHY_CHARS_MAX]


class _Reasons(logging.Handler):
    """The last warning that the library logs in this thread while it tries."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._thread, self.last = threading.get_ident(), ""

    def emit(self, record: logging.LogRecord) -> None:
        """Called by the library."""
        if record.thread == self._thread:
            self.last = " ".join(record.getMessage().split())

    def __enter__(self) -> "_Reasons":
        logging.getLogger("apprise").addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logging.getLogger("apprise").removeHandler(self)


def _quiet() -> None:
    """The library's log goes nowhere by itself: it repeats addresses."""
    logger = logging.getLogger("apprise")
    logger.propagate = False
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())


def _addresses(person: Person) -> list[str]:
    if person.addresses_file is None:
        return list(person.addresses)
    try:
        text = read_secret(Path(person.addresses_file)).decode()
    except (UnfitFile, UnicodeDecodeError) as e:
        raise SettingsError([f"{person.addresses_file}: person {person.name}: {e}"]) from None
    lines = [line.strip() for line in text.splitlines()]
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise SettingsError([f"{person.addresses_file}: person {person.name}: holds no address"])
    return [*person.addresses, *found]
