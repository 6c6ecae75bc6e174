"""Requests that wait for a thread of their own: those of the alarm panel, and those that come by MQTT.

Neither the panel's port, nor a broker's link, nor the daemon's watch ever waits for a request to be done.
"""

import queue
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Generic, TypeVar

import structlog

from gateway.encode.inbound import read_request
from gateway.encode.messages import DoMessage, DoneMessage, dump
from gateway.engine.commands import Commands
from gateway.engine.seen_requests import SeenRequests
from gateway.model.errors import Refused

WAITING_MAX = 64
"""More can only come while an engine hangs, or from a sender that is out of order; the newest is then dropped."""
BEAT_S = 0.5
ANSWERS_KEPT = 64
T = TypeVar("T")


class CommandQueue(Generic[T]):
    """A bounded queue and the thread that does what waits in it, one after the other. `do` raises nothing of ours."""

    def __init__(self, name: str, do: Callable[[T], None], waiting: "queue.Queue[T] | None" = None) -> None:
        """`waiting`: a bounded queue that somebody else fills."""
        self._do = do
        self.waiting: queue.Queue[T] = waiting or queue.Queue(WAITING_MAX)
        self.dropped = 0
        self._stopping = threading.Event()
        self._log = structlog.get_logger("commands").bind(queue=name)
        self._thread = threading.Thread(target=self._run, name=f"commands-{name}", daemon=True)

    def put(self, item: T) -> None:
        """Add to it, from any thread; never waits."""
        try:
            self.waiting.put_nowait(item)
        except queue.Full:
            self.dropped += 1
            self._log.warning("command.dropped", why="too many wait")

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread after what it is doing; what still waits is never done."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(BEAT_S * 4)

    def poll(self, timeout_s: float = 0.0) -> bool:
        """Do the next one that waits or comes in time; whether there was one."""
        try:
            item = self.waiting.get(timeout=timeout_s) if timeout_s else self.waiting.get_nowait()
        except queue.Empty:
            return False
        try:
            self._do(item)
        except Exception as e:
            self._log.error("command.failed", why=f"{type(e).__name__}: {e}", exc_info=True)
        return True

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.poll(BEAT_S)


class Answers:
    """Answers to requests that come by MQTT. A copy of one (QoS 1) is not done again, only answered again."""

    def __init__(self, commands: Commands, broker: str, seen: SeenRequests) -> None:
        """`broker`: by which they come."""
        self._commands, self._broker, self._seen = commands, broker, seen
        self._given: OrderedDict[bytes, bytes] = OrderedDict()

    def to(self, payload: bytes) -> bytes:
        """Do a request and make the answer's bytes; what is no request is answered with the reason."""
        try:
            asked = read_request(payload)
        except Refused as e:
            return dump(DoneMessage(id="unknown", ok=False, why=f"not a request: {e}"))
        if payload not in self._given:
            self._given[payload] = self._done(asked)
            while len(self._given) > ANSWERS_KEPT:
                self._given.popitem(last=False)
        return self._given[payload]

    def _done(self, asked: DoMessage) -> bytes:
        wanted: dict[str, Any] = {
            "do": asked.do,
            "engine": asked.engine,
            "alarm": asked.alarm,
            "minutes": asked.minutes,
        }
        if asked.do == "shelve":
            wanted["why"] = "by request over MQTT"
        try:
            self._seen.admit(asked)
            # Nobody has checked who it is: any client that may write the topic can give any name.
            answer = self._commands.handle("mqtt", wanted, f"stated by {asked.by}, by MQTT from broker {self._broker}")
        except Refused as e:
            return dump(DoneMessage(id=asked.id, ok=False, why=str(e)))
        return dump(DoneMessage(id=asked.id, ok=True, why=str(answer.get("note", ""))))
