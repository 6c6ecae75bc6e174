"""The head unplugged and back: the daemon's reader and decoder go on where they were, and count what is missing."""

import json
import os
import queue
import time
import tty
from pathlib import Path

from structlog.testing import capture_logs
from waiting import PATIENCE_S

from gateway.link import Decoder, StreamBreak
from gateway.model.records import Health, SampleBlock
from gateway.model.settings import HeadSettings
from gateway.sources.head import Chunk, HeadSource

VECTORS = {
    v["name"]: bytes.fromhex(v["hex"])
    for v in json.loads((Path(__file__).parents[1] / "link" / "link_vectors.json").read_text())["vectors"]
}
SAMPLES = VECTORS["samples, three, all valid"]
HEALTH = VECTORS["health, little fitted"]


class PluggedHead:
    """A pty under a link of fixed name, as a udev rule gives one; `unplug` takes device and link away."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master, slave = os.openpty()
        tty.setraw(slave)
        link.symlink_to(os.ttyname(slave))
        self.slave = slave

    def unplug(self) -> None:
        self.link.unlink()
        os.close(self.slave)
        os.close(self.master)


def drain(out: "queue.Queue[Chunk]", decoder: Decoder, kind: type, items: list[object]) -> bool:
    """Feed the decoder from the queue as the daemon does, until a record of `kind` has come."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            data, _ = out.get(timeout=0.1)
        except queue.Empty:
            continue
        new = decoder.feed(data)
        items += new
        if any(isinstance(i, kind) for i in new):
            return True
    return False


def test_unplugged_in_the_middle_of_a_frame_and_back(tmp_path: Path) -> None:
    """A head pulled out in mid-frame and put back under the same name is heard again: the lost frame is a gap in the
    sequence, the cut one no fault, and of the whole spell one warning is told, its repeats are not."""
    link = tmp_path / "head"
    out: queue.Queue[Chunk] = queue.Queue(100)
    decoder, items = Decoder(), list[object]()
    plugged = PluggedHead(link)
    with capture_logs() as logs:
        source = HeadSource(HeadSettings(slug="main", port=str(link)), out, backoff_s=(0.02, 0.05))
        source.start()
        assert out.get(timeout=PATIENCE_S)[0] == b""
        os.write(plugged.master, SAMPLES + VECTORS["health"][:10])
        assert drain(out, decoder, SampleBlock, items)
        until = time.monotonic() + PATIENCE_S
        while source.state().bytes_in < len(SAMPLES) + 10 and time.monotonic() < until:
            time.sleep(0.01)
        plugged.unplug()
        while "does not exist" not in source.state().text and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(0.3)
        assert source.is_alive() and not source.state().is_open
        again = PluggedHead(link)
        assert out.get(timeout=PATIENCE_S)[0] == b""
        decoder.reopened()
        os.write(again.master, b"\x07tail" + b"\0" + HEALTH)
        assert drain(out, decoder, Health, items)
        assert source.stop()
        again.unplug()
    assert [(m.cause, m.count) for m in items if isinstance(m, StreamBreak)] == [("lost", 1)]
    assert decoder.counts.refused_total == 0
    assert source.state().opens == 2
    warnings = [e["text"] for e in logs if e["event"] == "head.unavailable" and e["log_level"] == "warning"]
    assert 1 <= len(warnings) <= 2 and len(set(warnings)) == len(warnings)
    assert any("lost" in w for w in warnings)
    assert sum(e["event"] == "head.heard" for e in logs) == 2
