"""What moves the pins of an emulated head: crossings of the encoders' lines and the loop's current, as timed events.

The simulated drive's own shafts and lengths stand behind it. What a wire between head and gateway does to frames is no
part of it: the firmware makes the frames.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from firmware_sim.head import engine_of
from firmware_sim.scenario import Scenario
from firmware_sim.sensors import Sampler
from firmware_sim.streams import Floats, streams_of

EVENT = np.dtype([("t", "<u8"), ("what", "<u4"), ("value", "<u4")])
"""As the emulator reads it: time in ns; a pin's number, or one of the numbers below; level or value."""
Events = NDArray[np.void]
PINS = {"crank": (2, 3, 4), "cam": (5, 6, 7)}
LOOP, ANALOG, BROWN_OUT, NOTHING = 100, 101, 102, 103
LOOP_FULL_UA, RAW_FULL = 22_000, 65_535
"""The converter's full scale, as the firmware's `config.h` has it."""
RATE_HZ, FRAME = 5_000.0, 250
"""The shafts are worked out so often, and cross their lines in straight lines between; so many at a time."""
PULSE_AFTER_NS, PULSE_NS = 200, 15_000
"""The index, after the line that it belongs to."""
HIGH_A, HIGH_B = np.array([0, 1, 1, 0]), np.array([0, 0, 1, 1])


def pins(scenario: Scenario, chunk_s: float = 0.5) -> Iterator[Events]:
    """Events in order of time, so many seconds at once, without an end. The last of each only marks its end."""
    at_once = max(1, round(chunk_s * RATE_HZ / FRAME))
    crank_counts, cam_counts = scenario.head.crank_counts, scenario.head.cam_counts
    played = scenario.changed(head={"rate_hz": RATE_HZ, "samples": FRAME, "burst_s": 0.0, "every_s": 0.0})
    sampler = Sampler(played, *engine_of(played, played.run.seed), streams_of(played.run.seed))
    last: tuple[Floats, Floats, Floats] | None = None
    begin = 0
    while True:
        start_s = (begin + np.arange(at_once) * FRAME) / RATE_HZ
        t = ((begin + np.arange(at_once * FRAME)) / RATE_HZ).astype(np.float64)
        crank, cam, loop_ua = sampler.shafts(start_s)
        begin += at_once * FRAME
        if last is not None:
            # What lies between two chunks belongs to the later one.
            t, crank, cam = (np.append(old[-1:], new) for old, new in zip(last, (t, crank, cam), strict=True))
        last = (t, crank, cam)
        yield _in_order(t, crank * crank_counts, cam * cam_counts, (crank_counts, cam_counts), start_s, loop_ua)


def _in_order(
    t: Floats, crank: Floats, cam: Floats, counts: tuple[int, int], loop_s: Floats, loop_ua: Floats
) -> Events:
    loop = np.zeros(len(loop_s), dtype=EVENT)
    loop["t"], loop["what"] = loop_s * 1e9, LOOP
    loop["value"] = np.clip(np.rint(loop_ua / LOOP_FULL_UA * RAW_FULL), 0, RAW_FULL)
    end = np.array([(int(t[-1] * 1e9), NOTHING, 0)], dtype=EVENT)
    parts = [loop, encoder(t, crank, counts[0], PINS["crank"]), encoder(t, cam, counts[1], PINS["cam"]), end]
    events = np.concatenate(parts)
    # A pulse may reach beyond the chunk: the emulator takes what is late at once.
    return events[np.argsort(events["t"], kind="stable")]


def encoder(t: Floats, at: Floats, counts: int, pins: tuple[int, int, int]) -> Events:
    """Edges of A and B and the index of one encoder. `t`: float64[N] in s; `at`: float64[N], its angle in counts."""
    whole = np.floor(at).astype(np.int64)
    moved = np.diff(whole)
    i = np.repeat(np.arange(len(moved)), np.abs(moved))
    if not len(i):
        return np.zeros(0, dtype=EVENT)
    up = np.sign(moved)[i]
    # The number of each edge among those of its own interval.
    n = np.arange(len(i)) - np.repeat(np.cumsum(np.abs(moved)) - np.abs(moved), np.abs(moved))
    old = whole[i] + up * n
    edge = np.where(up > 0, old + 1, old)
    share = (edge - at[i]) / (at[i + 1] - at[i])
    when = ((t[i] + share * (t[i + 1] - t[i])) * 1e9).astype(np.uint64)
    new = old + up
    on_a = HIGH_A[new % 4] != HIGH_A[old % 4]
    events = np.zeros(len(i), dtype=EVENT)
    events["t"], events["what"] = when, np.where(on_a, pins[0], pins[1])
    events["value"] = np.where(on_a, HIGH_A[new % 4], HIGH_B[new % 4])
    index = when[new % counts == 0]
    pulse = np.zeros(2 * len(index), dtype=EVENT)
    pulse["t"] = np.concatenate([index + PULSE_AFTER_NS, index + PULSE_NS])
    pulse["what"], pulse["value"] = pins[2], np.repeat([1, 0], len(index))
    return np.concatenate([events, pulse])
