"""Commands before engines that do at once what they are asked: no threads run, no disk, no socket."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from typing import Any

from gateway.alarm.acts import Act
from gateway.encode.topics import Topics
from gateway.engine.commands import Commands
from gateway.engine.inbox import Command, Done
from gateway.engine.sheets import KeptAct, Store
from gateway.engine.thread import EngineThread
from gateway.model.output import Batch, NewBooking, NewEvent, NewSheetAct
from gateway.model.records import Median, Reading
from gateway.model.settings import Settings
from gateway.pipeline import EnginePipeline
from gateway.wear.bookings import Entry

TOPICS = Topics("camdrift", "tern-passage")


class Outlets:
    """Takes what an engine hands on. `disk`: "ok", or "dead" (nothing is ever committed)."""

    def __init__(self) -> None:
        self.events: list[NewEvent] = []
        self.bookings: list[NewBooking] = []
        self.sheet_acts: list[NewSheetAct] = []
        self.waiting: list[Future[int]] = []
        self.disk = "ok"
        self.announcements = 0

    def record(self, batch: Batch) -> Future[int]:
        """Committed at once, or never."""
        future: Future[int] = Future()
        if self.disk == "dead":
            self.waiting.append(future)
            return future
        self.events += batch.events
        self.bookings += batch.bookings
        self.sheet_acts += batch.sheet_acts
        future.set_result(len(self.events))
        return future

    def publish_reading(self, engine: str, reading: Reading, utc_s: float, message: tuple[str, bytes]) -> None:
        """Nobody listens."""

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """Not looked at."""

    def add_median(self, engine: str, median: Median) -> None:
        """There is no history."""

    def announced(self) -> None:
        """Count it."""
        self.announcements += 1


class InStep(EngineThread):
    """An engine's thread that never runs: what it is asked is done by whoever asks."""

    def __init__(self, pipeline: EnginePipeline, outlets: Outlets, index: int = 0, log: Sequence[Entry] = ()) -> None:
        super().__init__(pipeline, index, TOPICS, outlets, log=log)

    def submit(self, command: Command) -> Future[Done]:
        """Done when this returns."""
        answer: Future[Done] = Future()
        self._do(command, answer)
        self.settle()
        return answer

    def settle(self) -> None:
        """The end of a turn."""
        self._apply_recorded()
        self.snapshot = self._snapshot()


class Gateway:
    """The gateway's own part: nothing stands, and the sound is whatever it was last told."""

    def __init__(self) -> None:
        self.silenced_by: list[str] = []
        self.acts: list[Act] = []

    def act(self, act: Act) -> Done:
        """Remember it."""
        self.acts.append(act)
        return Done(0)

    def silence(self, by: str) -> Done:
        """Remember who."""
        self.silenced_by.append(by)
        return Done(1)

    def status(self) -> dict[str, Any]:
        """Nothing to show."""
        return {}


def commands(
    settings: Settings,
    *engines: EngineThread,
    gateway: Gateway | None = None,
    store: Store | None = None,
    kept: Iterable[KeptAct] = (),
) -> Commands:
    """The way in to these engines."""
    by_slug = {e.slug: e for e in engines}
    return Commands(settings, lambda: by_slug, gateway or Gateway(), store=store, kept=kept)
