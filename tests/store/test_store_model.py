"""The outbox against a naive list: any order of commits, acknowledgements, prunings and restarts."""

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, NewRetained, StateStore

CLASSES = frozenset({"event", "alarm", "trend"})
KINDS = st.sampled_from(["alarm", "alarm", "adjustment", "gateway"])
DAY_S = 86_400


class Outbox(RuleBasedStateMachine):
    """`rows`: (seq, kind, day) of all that was ever committed; `place` per broker; the store must agree throughout."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="camdrift-test-"))
        self.rows: list[tuple[int, str]] = []
        self.last = 0
        self.place = {"ship": 0, "shore": 0}
        self.pruned_to = 0
        self.values: dict[str, bytes] = {}
        self.seen: dict[str, dict[str, bytes]] = {"ship": {}, "shore": {}}
        self.again: dict[str, set[str]] = {"ship": set(), "shore": set()}
        self.point: object = None
        self.open()

    def open(self) -> None:
        """Open store and readers."""
        self.store = StateStore(
            self.folder / "d", GatewaySettings(), brokers=dict.fromkeys(self.place, CLASSES), ballast_bytes=4_096
        )
        self.readers = {name: OutboxReader(self.folder / "d", name, self.store.acks) for name in self.place}

    @rule(kinds=st.lists(KINDS, max_size=6), topic=st.sampled_from("ab"), value=st.integers(0, 3))
    def commit(self, kinds: list[str], topic: str, value: int) -> None:
        """Events, a value and a checkpoint together."""
        payload = str(value).encode()
        new = [NewEvent("t", kind, {"ts": "2026-03-01T00:00:00.000Z", "kind": kind}) for kind in kinds]
        seqs = self.store.commit(Batch(new, [NewRetained(topic, "alarm", payload)], {"k": [value]}))
        assert seqs == list(range(self.last + 1, self.last + 1 + len(kinds)))
        self.rows += zip(seqs, kinds, strict=True)
        self.last += len(kinds)
        if self.values.get(topic) != payload:
            self.values[topic] = payload
            for seen in self.seen.values():
                seen.pop(topic, None)
        self.point = [value]

    @rule(broker=st.sampled_from(["ship", "shore"]), count=st.integers(1, 4), values=st.booleans())
    def acknowledge(self, broker: str, count: int, values: bool) -> None:
        """A broker takes the next few events and perhaps the values that are due."""
        reader = self.readers[broker]
        due = reader.events_due(0, count)
        waiting = [row for row in self.rows if row[0] > self.place[broker]]
        assert [(row.seq, row.kind) for row in due] == waiting[:count]
        retained = reader.retained_due(9) if values else []
        reader.done(due[-1].seq if due else None, [(row.topic, row.rev) for row in retained])
        self.place[broker] = due[-1].seq if due else self.place[broker]
        self.seen[broker] |= {row.topic: row.payload for row in retained}
        self.again[broker] -= {row.topic for row in retained}

    @rule(broker=st.sampled_from(["ship", "shore"]), forget=st.booleans())
    def connect(self, broker: str, forget: bool) -> None:
        """A broker's link connects again and perhaps sends all values again."""
        self.readers[broker].close()
        self.readers[broker] = OutboxReader(self.folder / "d", broker, self.store.acks)
        self.again[broker] = set(self.values) if forget else set()
        if forget:
            self.readers[broker].forget_retained()

    @rule()
    def store_acknowledgements(self) -> None:
        """The writer's turn with nothing else to store."""
        self.store.commit()
        for name, place in self.place.items():
            assert self.store.backlog(name).place == place

    @rule()
    def prune(self) -> None:
        """A prune long after: all that both have got goes, nothing else."""
        self.store.prune(1_772_323_200 + 91 * DAY_S)
        self.pruned_to = max(self.pruned_to, min(self.place.values()))

    @rule()
    def restart(self) -> None:
        """Close and open again."""
        for reader in self.readers.values():
            reader.close()
        self.store.close()
        self.again = {"ship": set(), "shore": set()}
        self.open()

    @invariant()
    def agree(self) -> None:
        """Rows, places, values and checkpoint as the model has them."""
        kept = [(row.seq, row.kind) for row in self.store.events(0, 10_000)]
        assert kept == [row for row in self.rows if row[0] > self.pruned_to]
        assert self.store.checkpoint("k") == self.point
        for name, reader in self.readers.items():
            log = self.store.backlog(name)
            assert (log.count, log.dropped) == (self.last - log.place, 0)
            assert log.place <= reader.place() == self.place[name]
            due = {row.topic: row.payload for row in reader.retained_due(9)}
            assert due == {t: v for t, v in self.values.items() if self.seen[name].get(t) != v or t in self.again[name]}

    def teardown(self) -> None:
        """Leave nothing behind."""
        for reader in self.readers.values():
            reader.close()
        self.store.close()
        shutil.rmtree(self.folder)


TestOutbox = Outbox.TestCase
TestOutbox.settings = settings(max_examples=25, stateful_step_count=30)
