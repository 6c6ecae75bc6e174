"""The firmware's image in the emulated chip for ten simulated minutes: samples lost, load of its core, worst latch.

Prints figures; the emulator counts no cycles for the entry into an interrupt. Run as a script with the seconds to
simulate, 600 without. Needs node, the compiler and the emulated chip (`CAMDRIFT_EMULATOR`). Exit status 1 where a
sample is missing.
"""

import itertools
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[n]) for n in (1, 2)]  # run as a script

from firmware_sim import emulated, load_scenario  # noqa: E402
from firmware_sim.outlets import FileOutlet  # noqa: E402
from firmware_sim.pins import pins  # noqa: E402
from gateway.link import Decoder  # noqa: E402
from gateway.model.records import Health, SampleBlock  # noqa: E402

RPM = 97.0


def main() -> int:
    """Run the image, decode what it sent, print."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    scenario = load_scenario("steady").changed(
        run={"duration_s": seconds}, engine={"speed": [(0.0, RPM)]}, head={"rate_hz": 500.0, "samples": 50}
    )
    edges = np.concatenate(list(itertools.islice(pins(scenario), 10)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture"
        outlet, began_s = FileOutlet(path), time.perf_counter()
        played = emulated.play(scenario, emulated.chip(), outlet, lambda: False, paced=False)
        outlet.close()
        wall_s = time.perf_counter() - began_s
        decoder = Decoder()
        items = decoder.feed(path.read_bytes())
    blocks = [x for x in items if isinstance(x, SampleBlock)]
    health = [x for x in items if isinstance(x, Health)]
    samples = sum(len(b.crank) for b in blocks)
    last = blocks[-1]
    span_us = int(last.head_us[-1] - blocks[0].head_us[0])
    # From the first sample to the last frame's, by the head's own clock, and what that frame holds.
    due = round(span_us * 1_000 / last.interval_ns) + len(last.crank) - int(last.starts[-1])
    invalid = sum(len(b.crank) for b in blocks[:-1] if b.valid != 7)
    missing = abs(due - samples)
    counts, f = decoder.counts, played.figures
    print(f"{seconds:g} s at {RPM:g} rpm, {len(edges) / 5:,.0f} events a second; took {wall_s:.0f} s")
    print(f"samples {samples:,} of {due:,}; frames lost {counts.lost}, refused {sum(counts.refused.values())}")
    print(f"lost in the head {health[-1].lost}; samples not valid {invalid} (before the first index)")
    print(f"load of the core {f['load']:.1%}; worst latch {f['latch_late_us']:.3f} µs late, {f['latches']:,} of them")
    print(
        f"jitter, largest {max(h.jitter_us or 0 for h in health)} µs; skew of the two latches {health[-1].skew_ns} ns"
    )
    return 1 if missing or counts.lost or counts.refused or health[-1].lost else 0


if __name__ == "__main__":
    sys.exit(main())
