"""When the head sends what: sample frames, health each second, identity every ten, bursts, restarts, pauses."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

from firmware_sim.events import PortGone, Restart, Standing, TimeStep
from firmware_sim.frames import HEALTH, IDENTITY, SAMPLES
from firmware_sim.scenario import Scenario
from firmware_sim.streams import CLOCK, random_stream

SECOND_US = 1_000_000
IDENTITY_EVERY_US = 10 * SECOND_US
NEVER_US = 2**62


@dataclass(frozen=True, slots=True)
class Session:
    """One life of the head, from start to restart. Times in µs since the scenario's start."""

    start_us: int
    end_us: int
    boot: int


@dataclass(slots=True)
class Due:
    """One frame to be sent. `due_us`: when it leaves; `at_us`: what its header's time refers to; both since the start.

    `lost`: samples lost in the head so far.
    """

    due_us: int
    kind: int
    at_us: int
    head_us: int
    session: Session
    lost: int


def sessions(scenario: Scenario) -> list[Session]:
    """The head's lives, in order."""
    restarts = sorted((e for e in scenario.event if isinstance(e, Restart)), key=lambda e: e.at_s)
    found, start_us, boot = [], 0, scenario.head.boot
    for restart in restarts:
        end_us = round(restart.at_s * 1e6)
        found.append(Session(start_us, end_us, boot))
        start_us, boot = end_us + round(restart.down_s * 1e6), (boot + 1) & 0xFFFF_FFFF
    return [*found, Session(start_us, NEVER_US, boot)]


def plan(scenario: Scenario, until_us: int, seed: int = 0) -> Iterator[Due]:
    """All frames that are sent before or at `until_us`, in the order of sending. `seed`: of the clock's jitter."""
    steps = sorted((round(e.at_s * 1e6), round(e.step_s * 1e6)) for e in scenario.event if isinstance(e, TimeStep))
    pauses = sorted(
        (e.at_s * 1e6, e.until_s * 1e6) for e in scenario.event if isinstance(e, Standing) and e.kind == "pause"
    )
    until_us = min([until_us, *(round(e.at_s * 1e6) - 1 for e in scenario.event if isinstance(e, PortGone))])
    clock = _Clock(scenario, seed)
    for session in sessions(scenario):
        stepped = [(at, step) for at, step in steps if session.start_us <= at < session.end_us]
        lost = 0
        for due_us, kind, at_us in _session(scenario, session):
            if due_us > until_us:
                return
            if any(begin <= due_us < end for begin, end in pauses):
                lost += scenario.head.samples if kind == SAMPLES else 0
                continue
            shift = sum(step for at, step in stepped[: bisect_right(stepped, (at_us, NEVER_US))])
            yield Due(due_us, kind, at_us, clock.stamp(at_us - session.start_us, shift), session, lost)


class _Clock:
    """The head's own: what it stamps on a frame."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self._set = scenario.clock
        self._exact = self._set.ppm == 0 and self._set.jitter_us == 0 and self._set.tick_us == 1
        self._rng = random_stream(seed, CLOCK)

    def stamp(self, since_start_us: int, shift_us: int) -> int:
        """µs; `shift_us`: by the steps of the clock so far."""
        if self._exact:
            return max(0, since_start_us + shift_us)
        us = since_start_us * (1 + self._set.ppm * 1e-6) + shift_us
        if self._set.jitter_us:
            us += self._set.jitter_us * (2 * float(self._rng.random()) - 1)
        return max(0, round(us)) // self._set.tick_us * self._set.tick_us


def _session(scenario: Scenario, session: Session) -> Iterator[tuple[int, int, int]]:
    head, build = scenario.head, scenario.build
    if not head.burst_s:
        yield from _window(scenario, session.start_us, session.end_us, session.end_us)
        return
    offset_us = round(build.burst_offset_s * 1e6)
    for number in count():
        begin_us = session.start_us + round(number * head.every_s * 1e6) + offset_us
        if begin_us >= session.end_us:
            return
        frames = _window(scenario, begin_us, begin_us + round(head.burst_s * 1e6), session.end_us)
        yield from frames if build.health == "each-second" else _one_health(list(frames), build.health)


def _one_health(burst: list[tuple[int, int, int]], where: str) -> Iterator[tuple[int, int, int]]:
    """A burst with one health frame in its first, middle or last place; the identity frame stays where it is."""
    frames = [f for f in burst if f[1] != HEALTH]
    place = {"first": 0, "middle": len(frames) // 2, "last": len(frames)}[where]
    for i, frame in enumerate(frames):
        if i == place:
            yield frame[0], HEALTH, frame[0]
        yield frame
    if place == len(frames) and frames:
        yield frames[-1][0], HEALTH, frames[-1][0]


def _window(scenario: Scenario, begin_us: int, close_us: int, end_us: int) -> Iterator[tuple[int, int, int]]:
    """Due time, kind, header's time. At one instant the samples that are just complete leave first."""
    frame_ns = scenario.head.samples * scenario.head.interval_ns
    health_us = identity_us = begin_us
    number = 0
    while True:
        samples_us = begin_us + (number + 1) * frame_ns // 1000
        due_us = min(samples_us, health_us, identity_us)
        if due_us > close_us or due_us >= end_us:
            return
        if samples_us == due_us:
            yield due_us, SAMPLES, begin_us + number * frame_ns // 1000
            number += 1
        elif identity_us == due_us:
            yield due_us, IDENTITY, due_us
            identity_us += IDENTITY_EVERY_US
        else:
            yield due_us, HEALTH, due_us
            health_us += SECOND_US
