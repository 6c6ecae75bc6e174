"""The broker links: one for each broker of the settings, and what comes in by them."""

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from gateway import __version__
from gateway.app.receipts import Receipts
from gateway.encode.topics import Topics
from gateway.model.settings import Settings
from gateway.outlets.mqtt.link import BrokerLink, Inbox, LinkStatus
from gateway.outlets.mqtt.pipe import Inbound
from gateway.store.acks import Acknowledgements
from gateway.store.outbox import OutboxReader


class Brokers:
    """Starts and stops the links. `receipts`: what the shore has confirmed. `requests`: where requests from aboard
    wait, if they are enabled."""

    def __init__(self, settings: Settings, topics: Topics, data_dir: Path, acks: Acknowledgements) -> None:
        """`acks`: where the store's writer takes what brokers have acknowledged."""
        self._topics = topics
        self._answering = settings.requests.broker
        self.requests = Inbox(topics.do) if settings.requests.enabled else None
        self._received = {b.name: Inbox(topics.received) for b in settings.broker}
        self.receipts = Receipts()
        self.links = {
            b.name: BrokerLink(
                b, partial(OutboxReader, data_dir, b.name, acks), topics, __version__, subscribe=self._inboxes(b.name)
            )
            for b in settings.broker
        }

    def _inboxes(self, broker: str) -> list[Inbox]:
        asked = [self.requests] if self.requests is not None and broker == self._answering else []
        return [*asked, self._received[broker]]

    def start(self) -> None:
        """Start all; a broker that cannot be reached is tried again for ever."""
        for link in self.links.values():
            link.start()

    def stop(self) -> bool:
        """Send what is due and disconnect. False: one did not end in time."""
        ended = [link.stop() for link in self.links.values()]
        return all(ended)

    def statuses(self) -> list[tuple[str, LinkStatus]]:
        """What is known of each."""
        return [(name, link.status()) for name, link in self.links.items()]

    @property
    def all_connected(self) -> bool:
        """Is every broker connected?"""
        return all(s.connected for _, s in self.statuses())

    def answer(self, request: Inbound, answer_to: Callable[[bytes], bytes]) -> None:
        """Answer a request from aboard. A retained one would come back at each connection, long after it was meant."""
        if not request.retained:
            self.links[self._answering].answer(self._topics.done, answer_to(request.payload))

    def take_receipts(self, gateway_id: str) -> None:
        """Read the receipts that have come from shore, and send again what it lacks."""
        for name, inbox in self._received.items():
            while not inbox.queue.empty():
                self.receipts.take(name, inbox.queue.get_nowait().payload, gateway_id)
            link = self.links[name]
            ranges = self.receipts.lacking(name, link.status().place, link.sent, time.monotonic())
            if ranges:
                link.resend(ranges)
