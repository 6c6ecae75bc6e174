"""A keeper in a thread of the test, with settings that no option of the command offers."""

import contextlib
import threading
from collections.abc import Iterator
from typing import Any

from gateway.outlets.mqtt.access import reason_text
from gateway.shore.keeper import Keeper
from gateway.shore.keeper_settings import KeeperSettings
from gateway.shore.link import Access


def local(port: int) -> Access:
    """A broker of loopback that asks nothing."""
    return Access("127.0.0.1", port, None, lambda: None, lambda: None, str, reason_text)


@contextlib.contextmanager
def inside(port: int, url: str, **settings: Any) -> Iterator[Keeper]:
    """A keeper that ends with the test."""
    keeper = Keeper(local(port), KeeperSettings(store=url, **settings))
    stopping = threading.Event()
    thread = threading.Thread(target=keeper.run, args=(stopping,))
    thread.start()
    try:
        yield keeper
    finally:
        stopping.set()
        thread.join(180)
        assert not thread.is_alive()
