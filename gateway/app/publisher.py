"""Where output goes: to the store's writer, to the brokers that listen now, to the history. Any thread may call."""

import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future

from gateway import __version__
from gateway.encode.messages import gateway_event_body
from gateway.encode.topics import Topics
from gateway.engine.inbox import Done
from gateway.model.output import Batch, NewEvent
from gateway.model.records import Median, Reading
from gateway.store.writer import Writer

Offer = Callable[[str, bytes], None]


class Publisher:
    """`silenced`: somebody has stopped the sound; the next announcement brings it back."""

    def __init__(self, writer: Writer, topics: Topics, offers: Iterable[Offer]) -> None:
        """`offers`: of each broker's link, what takes the topic and payload of a reading."""
        self._writer, self._topics, self._offers = writer, topics, tuple(offers)
        self._sound = threading.Lock()
        self.silenced = False

    def record(self, batch: Batch) -> "Future[int]":
        """Durable, in one piece and in this order; resolved after the commit, to be cancelled while it waits."""
        return self._writer.submit(batch)

    def gateway_event(self, what: str, text: str) -> "Future[int]":
        """Put on the durable record what the gateway itself did, or what happened to it. `what`: a slug."""
        body = gateway_event_body(what, time.time(), version=__version__, text=text)
        return self.record(Batch([NewEvent(self._topics.event(None), "gateway", body)]))

    def publish_reading(self, engine: str, reading: Reading, utc_s: float, message: tuple[str, bytes]) -> None:
        """The present, to whoever listens now and to the history."""
        for offer in self._offers:
            offer(*message)
        values = {
            "rpm": reading.rpm,
            "spring_mm": reading.spring.value,
            "lag_deg": reading.lag.value,
            "slap_mm": reading.slap_mm,
            "lag_p2p_deg": reading.lag_p2p_deg,
            "casing_c": reading.casing_c,
        }
        self._writer.add_reading(engine, utc_s, values)

    def add_median(self, engine: str, median: Median) -> None:
        """Ten minutes for the history."""
        self._writer.add_median(engine, median)

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """A trend as published, for the history."""
        self._writer.add_trend(engine, utc_s, payload)

    # -- the sound ----------------------------------------------------------------------------------------------

    def silence(self, by: str) -> Done:
        """Stop the sound; the next announcement brings it back. Nothing else changes by it."""
        with self._sound:
            if self.silenced:
                return Done(0)
            self.silenced = True
        return Done(1, self.gateway_event("silenced", f"the sound was stopped by {by}"))

    def announced(self) -> None:
        """An alarm calls for attention: the sound is on again."""
        self.silenced = False
