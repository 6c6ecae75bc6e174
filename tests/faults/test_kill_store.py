"""The writer killed with -9 after random commits: what `commit` returned is there, no seq is missing or given twice."""

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from store_writer import BROKERS

from gateway.model.settings import GatewaySettings
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import StateStore

KILLS = 10
WRITER = Path(__file__).parents[1] / "store_writer.py"


def write_and_kill(folder: Path, seed: int, commits: int, after_s: float) -> tuple[int, int]:
    """Run the writer, kill it a while after so many commits, wherever it is; the last seq and count that it got."""
    writer = subprocess.Popen(
        [sys.executable, str(WRITER), str(folder), str(seed)], stdout=subprocess.PIPE, cwd=WRITER.parents[1],
        env={"PYTHONPATH": str(WRITER.parents[1])},
    )  # fmt: skip
    assert writer.stdout is not None
    assert writer.stdout.readline() == b"open\n"
    seen = [writer.stdout.readline() for _ in range(commits)]
    time.sleep(after_s)
    writer.kill()
    lines = (b"".join(seen) + writer.stdout.read()).split(b"\n")[:-1]
    writer.wait()
    writer.stdout.close()
    seq, count = lines[-1].split() if lines else (b"0", b"0")
    return int(seq), int(count)


@pytest.mark.slow
def test_kill_9_loses_nothing_and_leaves_no_gap(tmp_path: Path) -> None:
    """After each kill every row told of is there or was acknowledged, the checkpoint agrees, and seq has no gap."""
    folder, rng = tmp_path / "d", random.Random(7)
    gateways, told_seq, told_count = set(), 0, 0
    for kill in range(KILLS):
        seq, count = write_and_kill(folder, kill, rng.randint(0, 60), rng.uniform(0.0, 0.02))
        told_seq, told_count = max(told_seq, seq), max(told_count, count)
        reader = StateReader(folder)
        gateways.add(reader.gateway_id())
        rows = [row.seq for row in reader.events(0, 100_000)]
        assert rows == list(range(rows[0], rows[-1] + 1)) if rows else True
        last, place = (rows[-1] if rows else told_seq), reader.backlog("ship").place
        assert last >= told_seq
        assert not rows or rows[0] <= place + 1, "what was pruned had been acknowledged"
        assert reader.checkpoint("count") == last, "events, checkpoint and value are of the same commit"
        assert [row.payload for row in reader.retained()] == [str(last).encode()]
        reader.close()
    assert len(gateways) == 1
    assert told_count > KILLS, "the writer must have got somewhere"
    store = StateStore(folder, GatewaySettings(), brokers=BROKERS)
    assert store.renewal is None
    assert store.backlog("ship").dropped == 0
    assert OutboxReader(folder, "ship", store.acks).events_due(0, 1) in (
        [],
        store.events(store.backlog("ship").place, 1),
    )
    store.close()
