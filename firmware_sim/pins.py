"""What moves the pins of an emulated head: crossings of the encoders' lines or of a wheel's teeth, the loop's
current, the thermistors' voltages, as timed events.

The simulated drive's own shafts and lengths stand behind it. What a wire between head and gateway does to frames is no
part of it: the firmware makes the frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from firmware_sim.head import engine_of
from firmware_sim.scenario import Scenario
from firmware_sim.sensors import Sampler
from firmware_sim.streams import TEETH, Floats, Streams, streams_of

EVENT = np.dtype([("t", "<u8"), ("what", "<u4"), ("value", "<u4")])
"""As the emulator reads it: time in ns; a pin's number, or one of the numbers below; level or value."""
Events = NDArray[np.void]
PINS = {"crank": (2, 3, 4), "cam": (5, 6, 7)}
LOOP, ANALOG, BROWN_OUT, NOTHING, TYPED, HANG = 100, 101, 102, 103, 104, 105
CONSOLE_PIN = 22
TYPED_NS = 200_000
"""Between two bytes that a person's terminal sends: slower than the wire."""
LOOP_FULL_UA, RAW_FULL = 22_000, 65_535
"""The converter's full scale, as the firmware's `config.h` has it."""
RATE_HZ, FRAME = 5_000.0, 250
"""The shafts are worked out so often, and cross their lines in straight lines between; so many at a time."""
PULSE_AFTER_NS, PULSE_NS = 200, 15_000
"""The index, after the line that it belongs to."""
TOOTH_NS = 100_000
THERMISTOR_K, THERMISTOR_25_OHM, DIVIDER_OHM = 3_950.0, 10_000.0, 10_000.0
HIGH_A, HIGH_B = np.array([0, 1, 1, 0]), np.array([0, 0, 1, 1])


def pins(scenario: Scenario, chunk_s: float = 0.5) -> Iterator[Events]:
    """Events in order of time, so many seconds at once, without an end. The last of each only marks its end."""
    at_once = max(1, round(chunk_s * RATE_HZ / FRAME))
    played = scenario.changed(head={"rate_hz": RATE_HZ, "samples": FRAME, "burst_s": 0.0, "every_s": 0.0})
    streams = streams_of(played.run.seed)
    motion, drive = engine_of(played, played.run.seed)
    sampler, shafts = Sampler(played, motion, drive, streams), _shafts(scenario, streams)
    last: tuple[Floats, Floats, Floats] | None = None
    begin = 0
    if typed := _console(scenario):
        yield typing(typed)
    while True:
        start_s = (begin + np.arange(at_once) * FRAME) / RATE_HZ
        t = ((begin + np.arange(at_once * FRAME)) / RATE_HZ).astype(np.float64)
        crank, cam, loop_ua = sampler.shafts(start_s)
        warm = np.concatenate(
            [thermistor(n, start_s, c(start_s)) for n, c in enumerate((drive.casing_c, drive.frame_c))]
        )
        begin += at_once * FRAME
        if last is not None:
            # What lies between two chunks belongs to the later one.
            t, crank, cam = (np.append(old[-1:], new) for old, new in zip(last, (t, crank, cam), strict=True))
        last = (t, crank, cam)
        yield _in_order(t, (shafts[0](t, crank), shafts[1](t, cam), _loop(start_s, loop_ua), warm))


def _shafts(scenario: Scenario, streams: Streams) -> tuple[Callable[[Floats, Floats], Events], ...]:
    """For crank and cam: what makes events of times and turns."""
    head, rng = scenario.head, streams(TEETH)
    found = []
    for name, counts, teeth in (
        ("crank", head.crank_counts, head.crank_teeth),
        ("cam", head.cam_counts, head.cam_marks),
    ):
        errors = rng.normal(0.0, head.tooth_error_deg / 360, teeth)
        found.append(
            partial(wheel, errors=errors, pins=PINS[name])
            if teeth
            else partial(encoder, counts=counts, pins=PINS[name])
        )
    return tuple(found)


def _console(scenario: Scenario) -> str:
    """What is typed at the head's console before it starts: nothing for encoders, which the build's defaults have."""
    head = scenario.head
    if not head.crank_teeth and not head.cam_marks:
        return ""
    return f"set crank_teeth {head.crank_teeth}\rset cam_marks {head.cam_marks}\rgo\r"


def typing(text: str, start_ns: int = 0) -> Events:
    """The console's jumper fitted, and a person who types."""
    events = np.zeros(len(text) + 1, dtype=EVENT)
    events["t"] = start_ns + np.arange(len(events)) * TYPED_NS
    events["what"][0], events["value"][0] = CONSOLE_PIN, 0
    events["what"][1:], events["value"][1:] = TYPED, list(text.encode("ascii"))
    return events


def thermistor(number: int, t_s: Floats, celsius: Floats) -> Events:
    """The voltage across a thermistor after the beta equation, as the converter's 12 bits see it."""
    ohm = THERMISTOR_25_OHM * np.exp(THERMISTOR_K * (1 / (celsius + 273.15) - 1 / 298.15))
    events = np.zeros(len(t_s), dtype=EVENT)
    events["t"], events["what"] = t_s * 1e9, ANALOG
    events["value"] = number << 16 | np.rint(ohm / (ohm + DIVIDER_OHM) * 4_095).astype(np.uint32)
    return events


def _loop(t_s: Floats, loop_ua: Floats) -> Events:
    loop = np.zeros(len(t_s), dtype=EVENT)
    loop["t"], loop["what"] = t_s * 1e9, LOOP
    loop["value"] = np.clip(np.rint(loop_ua / LOOP_FULL_UA * RAW_FULL), 0, RAW_FULL)
    return loop


def _in_order(t: Floats, parts: tuple[Events, ...]) -> Events:
    end = np.array([(int(t[-1] * 1e9), NOTHING, 0)], dtype=EVENT)
    events = np.concatenate([*parts, end])
    # A pulse may reach beyond the chunk: the emulator takes what is late at once.
    return events[np.argsort(events["t"], kind="stable")]


def encoder(t: Floats, turns: Floats, counts: int, pins: tuple[int, int, int]) -> Events:
    """Edges of A and B and the index of one encoder. `t`: float64[N] in s; `turns`: float64[N] of its disc."""
    when, edge, up = _crossings(t, turns * counts)
    old, new = np.where(up > 0, edge - 1, edge), np.where(up > 0, edge, edge - 1)
    on_a = HIGH_A[new % 4] != HIGH_A[old % 4]
    events = np.zeros(len(when), dtype=EVENT)
    events["t"], events["what"] = when, np.where(on_a, pins[0], pins[1])
    events["value"] = np.where(on_a, HIGH_A[new % 4], HIGH_B[new % 4])
    index = when[new % counts == 0]
    return np.concatenate([events, _pulses(index + PULSE_AFTER_NS, PULSE_NS - PULSE_AFTER_NS, pins[2])])


def wheel(t: Floats, turns: Floats, errors: Floats, pins: tuple[int, int, int]) -> Events:
    """Pulses of a toothed wheel's pick-ups: A each tooth, Z the turn mark, half a tooth before the first; B, a
    quarter of a tooth later than A, is high when a tooth comes backwards. `errors`: turns, each off its place."""
    teeth = len(errors)
    k = np.arange(int(np.floor(turns.min() * teeth)) - 2, int(np.ceil(turns.max() * teeth)) + 3)
    when, _, up = _crossings(t, np.interp(turns, k / teeth + errors[k % teeth], k.astype(np.float64)))
    back = np.zeros(len(when), dtype=EVENT)
    back["t"], back["what"], back["value"] = np.maximum(when, 1_000) - 1_000, pins[1], up < 0
    turn, _, _ = _crossings(t, turns + 0.5 / teeth)
    return np.concatenate([back, _pulses(when, TOOTH_NS, pins[0]), _pulses(turn, TOOTH_NS, pins[2])])


def _crossings(t: Floats, at: Floats) -> tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.int64]]:
    """Where `at` crosses whole numbers: time in ns, the number, and +1 upwards or −1 downwards."""
    whole = np.floor(at).astype(np.int64)
    moved = np.diff(whole)
    i = np.repeat(np.arange(len(moved)), np.abs(moved))
    up = np.sign(moved)[i]
    # The number of each crossing among those of its own interval.
    n = np.arange(len(i)) - np.repeat(np.cumsum(np.abs(moved)) - np.abs(moved), np.abs(moved))
    old = whole[i] + up * n
    number = np.where(up > 0, old + 1, old)
    share = (number - at[i]) / (at[i + 1] - at[i])
    return ((t[i] + share * (t[i + 1] - t[i])) * 1e9).astype(np.uint64), number, up


def _pulses(when: NDArray[np.uint64], for_ns: int, pin: int) -> Events:
    pulse = np.zeros(2 * len(when), dtype=EVENT)
    pulse["t"] = np.concatenate([when, when + np.uint64(for_ns)])
    pulse["what"], pulse["value"] = pin, np.repeat([1, 0], len(when))
    return pulse
