"""Opens what the gateway keeps on the disk, with the one thread that writes it, and closes it again."""

import contextlib
from pathlib import Path

from gateway.encode.topics import Topics
from gateway.model.settings import Settings
from gateway.store.captures import CaptureRing
from gateway.store.history import History
from gateway.store.outbox import wanted_classes
from gateway.store.state import StateStore
from gateway.store.writer import Writer


class Stores:
    """State, history and captures, and their writer. Making it may raise StorageError or Refused."""

    def __init__(self, settings: Settings, topics: Topics, data_dir: Path, flush_s: float) -> None:
        """`flush_s`: how often the history is written."""
        with contextlib.ExitStack() as undo:
            self.state = StateStore(
                data_dir,
                settings.gateway,
                brokers=wanted_classes(settings.broker),
                events_topic=topics.event(None),
            )
            undo.callback(self.state.close)
            self.history = History(data_dir, settings.gateway.history_mb, was_there=self.state.history_was_there)
            undo.callback(self.history.close)
            self.state.note_history()
            ring = settings.capture
            self.captures = (
                CaptureRing(data_dir / "captures", hours=ring.hours, megabytes=ring.megabytes) if ring.enabled else None
            )
            self.writer = Writer(self.state, self.history, self.captures, flush_s=flush_s)
            undo.pop_all()

    def close(self) -> None:
        """Close all; the writer has ended."""
        if self.captures is not None:
            self.captures.close()
        self.history.close()
        self.state.close()
