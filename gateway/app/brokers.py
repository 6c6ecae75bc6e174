"""The broker links: one for each broker of the settings, and what comes in by them."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

from gateway import __version__
from gateway.encode.inbound import read_receipt
from gateway.encode.shapes import ReceivedMessage
from gateway.encode.topics import Topics
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.outlets.fault_log import FaultLog
from gateway.outlets.mqtt.link import BrokerLink, Inbox, LinkStatus
from gateway.outlets.mqtt.pipe import Inbound
from gateway.store.acks import Acknowledgements
from gateway.store.outbox import OutboxReader


class Brokers:
    """Starts and stops the links. `receipts`: by broker, up to which seq the shore keeps the events, and when it
    confirmed that. `requests`: where requests from aboard wait, if they are enabled."""

    def __init__(self, settings: Settings, topics: Topics, data_dir: Path, acks: Acknowledgements) -> None:
        """`acks`: where the store's writer takes what brokers have acknowledged."""
        self._topics = topics
        self._answering = settings.requests.broker
        self.requests = Inbox(topics.do) if settings.requests.enabled else None
        self._received = {b.name: Inbox(topics.received) for b in settings.broker}
        self.receipts: dict[str, tuple[int, str]] = {}
        self._claims: dict[str, list[ReceivedMessage]] = {}
        self._faults = FaultLog("brokers")
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
        """Read the receipts that have come from shore."""
        for name, inbox in self._received.items():
            while not inbox.queue.empty():
                self._take_receipt(name, inbox.queue.get_nowait().payload, gateway_id)
            self._believe(name, self.links[name].sent)

    def _take_receipt(self, broker: str, payload: bytes, gateway_id: str) -> None:
        try:
            receipt = read_receipt(payload)
        except Refused as e:
            self._faults.add("receipt.refused", broker=broker, why=str(e))
            return
        if receipt.gateway == gateway_id:
            self._claims.setdefault(broker, []).append(receipt)

    def _believe(self, broker: str, sent: int) -> None:
        """Take the latest receipt that names nothing beyond `sent`. The lowest of the others waits: after a restart the
        broker may have more than was sent since."""
        beyond: list[ReceivedMessage] = []
        for receipt in self._claims.pop(broker, []):
            if receipt.seq <= sent:
                self.receipts[broker] = (receipt.seq, receipt.ts)
            else:
                beyond.append(receipt)
        if beyond:
            lowest = min(beyond, key=lambda r: r.seq)
            self._claims[broker] = [lowest]
            self._faults.add("receipt.beyond_sent", broker=broker, seq=lowest.seq, sent=sent)
