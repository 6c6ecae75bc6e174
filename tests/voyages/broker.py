"""The broker and the shore behind it, on the far side of the product's own BrokerLink.

The link's thread is run as a greenlet: where it would wait for the socket or for time, it hands over and goes on only
when it is told to, at the virtual time of then.
"""

import contextlib
import queue
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from greenlet import greenlet

from gateway.model.errors import PortError
from gateway.outlets.mqtt.link import BrokerLink
from gateway.outlets.mqtt.pipe import Ack, Granted

from .clock import Clock

SLOW_ACK_S = 40.0
TURNS_MAX = 2_000


class Gone(BaseException):
    """The daemon was killed: its threads stop where they stand."""


@dataclass
class Broker:
    """`state`: ok, gone, slow, or silent (takes messages and acknowledges none). `heard`: (true s, topic, payload)."""

    clock: Clock
    seed: int
    state: str = "ok"
    heard: list[tuple[float, str, bytes]] = field(default_factory=list)
    retained: dict[str, bytes] = field(default_factory=dict)
    duplicates: int = 0

    def __post_init__(self) -> None:
        self.chance = random.Random(f"broker {self.seed}")

    def take(self, topic: str, payload: bytes, retain: bool) -> None:
        """A message reaches whoever subscribed."""
        self.heard.append((self.clock.true_s, topic, payload))
        if retain:
            self.retained[topic] = payload


class Pipe:
    """In the place of paho's connection; the same calls."""

    def __init__(self, broker: Broker, yields: Callable[[], None], will: Any) -> None:
        self._broker, self._yield, self._will = broker, yields, will
        self.granted: Granted | None = None
        self.lost: str | None = None
        self.too_long = False
        self.acks: queue.SimpleQueue[Ack] = queue.SimpleQueue()
        self.choked = False
        self._mid = 0
        self._deaf = False
        self._due: list[tuple[float, int]] = []

    def open(self) -> None:
        """Connect, or be refused."""
        if self._broker.state == "gone":
            raise PortError("connection refused")
        self.granted = Granted()

    def together(self) -> contextlib.AbstractContextManager[None]:
        """There are no packets here."""
        return contextlib.nullcontext()

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> int | None:
        """One message; its id, or None when the connection is gone."""
        if self.lost or self._broker.state == "gone":
            self.lost = self.lost or "the connection broke"
            return None
        self._mid += 1
        # One that does not acknowledge may all the same have passed on some, but never a later one and not an earlier.
        self._deaf = self._deaf or (self._broker.state == "silent" and self._broker.chance.random() < 0.5)
        if not self._deaf:
            self._broker.take(topic, payload, retain)
        if qos and self._broker.state != "silent":
            wait = SLOW_ACK_S if self._broker.state == "slow" else 0.0
            self._due.append((self._broker.clock.monotonic() + wait, self._mid))
        return self._mid

    def step(self, seconds: float, wake: threading.Event) -> None:
        """Wait for something; here: let the simulation go on."""
        wake.clear()
        self._yield()
        # Bytes that were not taken come with no later ones of the same connection: it ends with the silence.
        if self._broker.state == "gone" or (self._deaf and self._broker.state != "silent"):
            self.lost = "the connection broke"
            return
        now = self._broker.clock.monotonic()
        for due, mid in [d for d in self._due if d[0] <= now]:
            self._due.remove((due, mid))
            self.acks.put(Ack(mid, 0, "Success"))

    @property
    def busy(self) -> bool:
        """Will something come soon?"""
        return bool(self._due) and self._broker.state == "ok"

    def close(self, *, politely: bool) -> None:
        """Over. Unless it was said politely, the broker tells the will."""
        if not politely and self.granted is not None and self._will is not None and self._broker.state != "gone":
            self._broker.take(self._will.topic, self._will.payload, True)


class Lockstep:
    """Runs a BrokerLink's thread a step at a time. `made` takes the place of the product's Pipe."""

    running: "Lockstep"

    @staticmethod
    def made(_settings: Any, _client: str, will: Any, _inboxes: Any, _connect_s: float) -> Pipe:
        """A connection of the link that runs now."""
        own = Lockstep.running
        own._pipe = Pipe(own.broker, own._yield, will)
        return own._pipe

    def __init__(self, link: BrokerLink, broker: Broker) -> None:
        self._link, self.broker = link, broker
        self._pipe: Pipe | None = None
        self.over = False
        self.failures: list[str] = []
        """What went wrong in the link that is neither the broker's nor the disk's doing."""
        fail = link._fail
        link._fail = lambda reason: (self._failed(reason), fail(reason))[1]  # type: ignore[method-assign]
        link._utc = broker.clock.time
        link._stopping = SimpleNamespace(  # type: ignore[assignment]
            is_set=lambda: self._politely, wait=lambda _s: self._yield(), set=lambda: None
        )
        # The link's pauses end by a wake as well: they wait for the simulation, not for the wall.
        link.wake.wait = lambda timeout=None: (self._yield(), link.wake.is_set())[1]  # type: ignore[method-assign]
        self._politely = False
        self._link_runs = greenlet(self._run)

    def _failed(self, reason: str) -> None:
        if reason.startswith("unexpected"):
            self.failures.append(f"link to the broker: {reason}")

    def _run(self) -> None:
        try:
            self._link._run()
        except Gone:
            pass
        finally:
            self.over = True

    def _yield(self) -> None:
        assert self._link_runs.parent is not None
        self._link_runs.parent.switch()

    def _resume(self) -> None:
        if not self.over:
            Lockstep.running = self
            self._link_runs.switch()

    def turn(self) -> None:
        """Let it do what is due now, the round trips of a healthy broker included."""
        self._resume()
        for _ in range(TURNS_MAX):
            if self.over or self._link._window is None or self._pipe is None or self._pipe.lost:
                break
            if not self._pipe.busy and not self._link.wake.is_set():
                break
            self._resume()

    @property
    def wanted(self) -> bool:
        """Is it woken, or not connected?"""
        return self._link._window is None or self._link.wake.is_set()

    def end(self, politely: bool) -> None:
        """The daemon stops, or is killed: then nothing more is said, but by the broker's will."""
        if politely:
            self._politely = True
            self._link._stop_by = self.broker.clock.monotonic() + 5.0
            for _ in range(TURNS_MAX):
                if self.over:
                    break
                self._resume()
                self.broker.clock.true_s += 0.01
        if not self.over and self._link_runs:
            self._link_runs.throw(Gone)
        self._link.wake.close()
