"""A process that writes to a store until it is killed; on stdout it tells, line by line, what `commit` has returned.

Run as `python store_writer.py FOLDER SEED`. Each commit holds one to five events, a retained value and a checkpoint
that says how many events there were before and with it. Another thread acknowledges as a broker's thread would.
"""

import os
import random
import sys
import threading
import time
from pathlib import Path

from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, NewRetained, StateStore

BROKERS = {"ship": frozenset({"event", "alarm", "trend"})}
TS = "2026-03-01T12:00:00.000Z"


def acknowledge(folder: Path, store: StateStore) -> None:
    """Take events in batches for ever, as far as they come."""
    reader = OutboxReader(folder, "ship", store.acks)
    while True:
        # Without a pause this reader would keep the log from ever being begun anew, and each commit would checkpoint.
        time.sleep(0.02)
        due = reader.events_due(0, 64)
        if due:
            reader.done(due[-1].seq, [(row.topic, row.rev) for row in reader.retained_due(8)])


def main(folder: Path, seed: int) -> None:
    """Write for ever."""
    rng = random.Random(seed)
    store = StateStore(folder, GatewaySettings(), brokers=BROKERS, ballast_bytes=4_096)
    point = store.checkpoint("count")
    count = point if isinstance(point, int) else 0
    threading.Thread(target=acknowledge, args=(folder, store), daemon=True).start()
    os.write(1, b"open\n")
    while True:
        if rng.random() < 0.01:
            store.prune(4e9)
        size = rng.randint(1, 5)
        kinds = [rng.choice(("alarm", "alarm", "adjustment", "gateway")) for _ in range(size)]
        events = [NewEvent("t", kind, {"ts": TS, "kind": kind, "text": "x" * rng.randint(0, 600)}) for kind in kinds]
        count += size
        value = NewRetained("a", "alarm", str(count).encode())
        seqs = store.commit(Batch(events, [value], {"count": count}))
        os.write(1, f"{seqs[-1]} {count}\n".encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
