"""The box aboard: the product's own daemon, never started, every part of it driven from here in virtual time."""

from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from typing import Any

from gateway.app.daemon import Daemon
from gateway.engine.inbox import Command, Done
from gateway.engine.thread import EngineThread
from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.model.settings import Settings
from gateway.model.settings_file import fingerprint

from .broker import Broker, Lockstep
from .clock import Clock
from .disk import Disk, PowerCut


class Box:
    """One life of the daemon after another on the same disk. `crashes`: what must never happen, in words."""

    def __init__(self, settings: Settings, clock: Clock, disk: Disk, brokers: dict[str, Broker]) -> None:
        self.settings, self.clock, self.disk, self.brokers = settings, clock, disk, brokers
        self.crashes: list[str] = []
        self.refusals: list[str] = []
        self.daemon: Daemon | None = None
        self.on_start: Callable[[Daemon], None] = lambda _daemon: None
        self.starts = self.kills = self.cuts = 0
        self.port_text = ""
        """Why no bytes can come, as the head's source says it: its port has vanished."""

    # -- life and death -----------------------------------------------------------------------------------------

    def start(self) -> bool:
        """As `camdrift run` does. False where the disk does not let it; the service manager tries again."""
        try:
            d = Daemon(self.settings, fingerprint(self.settings), data_dir=self.disk.folder)
        except StorageError:
            return False
        except PowerCut:
            self.cuts += 1
            self.disk.remove(self.disk.next_life(self.disk.torn))
            return False
        self.daemon = d
        self.starts += 1
        self.on_start(d)
        r = d.stores.writer
        r._monotonic, r._utc = self.clock.monotonic, self.clock.time
        r.last_beat = self.clock.monotonic()
        r._flush_at = r._prune_at = self.clock.monotonic() + r._flush_s
        r._thread.is_alive = lambda: True  # type: ignore[method-assign]
        d.commands.wait = self._wait
        for thread in d.engines.threads.values():
            self._take(thread)
        self.links = [Lockstep(link, self.brokers[name]) for name, link in d.brokers.links.items()]
        for source in d.engines.sources.values():
            source._last_beat_s = float("inf")
        self._guarded(d._record_start)
        self.turn()
        return True

    def _take(self, thread: EngineThread) -> None:
        thread._utc = self.clock.time

        def submit(command: Command) -> Future[Done]:
            answer: Future[Done] = Future()
            thread._do(command, answer)
            return answer

        thread.submit = submit  # type: ignore[method-assign]
        thread.inbox.port_text = self.port_text

    def port_gone(self, text: str) -> None:
        """The head's port is not there any more."""
        self.port_text = text
        if self.daemon is not None:
            for thread in self.daemon.engines.threads.values():
                thread.inbox.port_lost(text)
            self.idle()

    def _wait(self, future: Future[Any], _timeout_s: float) -> bool:
        """Nobody waits here: what the disk takes now is written now."""
        d = self.daemon
        if not future.done() and d is not None and not self.disk.slow:
            d.stores.writer._guard("state", d.stores.writer._commit)
            for thread in d.engines.threads.values():
                thread._apply_recorded()
        return future.done()

    def stop(self) -> None:
        """Asked to stop: in the daemon's own order."""
        d = self.daemon
        if d is None:
            return
        for thread in d.engines.threads.values():
            d.publisher.record(Batch(checkpoints=thread._checkpoint()))
        d.publisher.gateway_event("stopped", "the gateway was stopped")
        d.publisher.record(Batch(checkpoints=d.own.checkpoint()))
        if self._guarded(lambda: d.stores.writer._round(True)):
            for link in self.links:
                for part in (link.turn, partial(link.end, politely=True)):
                    if not self._guarded(part):
                        return
            self._bury(self.disk.folder)

    def kill(self) -> None:
        """-9: what was written is there, nothing else."""
        if self.daemon is not None:
            self.kills += 1
            self._dead(None)

    def _dead(self, torn: dict[str, bytes] | None) -> None:
        old = self.disk.next_life(torn)
        for link in self.links:
            link.end(politely=False)
        self._bury(old)
        self.disk.remove(old)

    def _bury(self, _folder: Any) -> None:
        d, self.daemon = self.daemon, None
        assert d is not None
        state, self.disk.state = self.disk.state, "ok"
        for thread in d.engines.threads.values():
            if thread.failed:
                self.crashes.append(thread.failed)
        for link in self.links:
            self.crashes += link.failures
        if d.stores.writer.refused:
            self.crashes.append(str(d.stores.writer.fault))
        d._control.stop()
        # Cut in the very last of it: the minutes that were still to be written are lost, as in any cut.
        with suppress(StorageError, PowerCut):
            d.stores.history.close()
        d.stores.state.close()
        d._reserve.close()
        self.disk.state = state

    # -- a moment -----------------------------------------------------------------------------------------------

    def bytes(self, data: bytes) -> None:
        """What the head's port gives now, or nothing."""
        d = self.daemon
        if d is None:
            return
        for thread in d.engines.threads.values():
            if data:
                thread.inbox.chunks.put((data, self.clock.monotonic()))
            if not self._guarded(thread._turn):
                return
        self._write()

    def idle(self) -> None:
        """Nothing comes from the head, and a moment passes in every other part."""
        self.bytes(b"")
        self.turn()

    def turn(self) -> None:
        """A moment passes in all parts but the pipeline."""
        d = self.daemon
        # The writer's thread comes round each second, whatever there is to write.
        if d is None or not self._write(always=True) or not self._guarded(d.watch):
            return
        if not self._write(always=True):
            return
        for link in self.links:
            # A thread that waits for its socket with nothing to do does nothing.
            if (link.wanted or link.broker.state != "ok") and not self._guarded(link.turn):
                return

    def _write(self, always: bool = False) -> bool:
        r = self.daemon.stores.writer if self.daemon else None
        if r is None or self.disk.slow:
            return r is not None
        if always or not r._waiting.empty:
            return self._guarded(lambda: r._round(False))
        return True

    def _guarded(self, do: Any) -> bool:
        """Power may be cut in it: then nothing of this life goes on, and the answer is False."""
        if self.daemon is None:
            return False
        try:
            do()
        except PowerCut:
            self.cuts += 1
            self._dead(self.disk.torn)
            return False
        except Exception as e:
            self.crashes.append(f"{type(e).__name__}: {e}")
            raise
        return True

    # -- the crew -----------------------------------------------------------------------------------------------

    def ask(self, request: dict[str, Any]) -> dict[str, Any] | None:
        """A request of the crew. None where it was refused, and why is kept."""
        if self.daemon is None:
            return None
        answer: list[dict[str, Any]] = []

        def asked() -> None:
            assert self.daemon is not None
            try:
                answer.append(self.daemon.commands.handle("shell", request, "voyage"))
            except (Refused, StorageError) as e:
                self.refusals.append(str(e))

        self._guarded(asked)
        return answer[0] if answer else None
