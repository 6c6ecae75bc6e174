"""The simulated head: a scenario and a seed in, the link's bytes out, the same ones each time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Any

import numpy as np

from firmware_sim import frames as link
from firmware_sim.drive import Drive
from firmware_sim.events import EncoderSlip, OtherHead, StreamFault, TemperatureFailed
from firmware_sim.faults import StreamFaults
from firmware_sim.motion import Motion
from firmware_sim.plan import NEVER_US, Due, plan
from firmware_sim.scenario import Scenario
from firmware_sim.sensors import Sampler, Samples
from firmware_sim.streams import HEALTH, random_stream, streams_of

BATCH_SAMPLES = 16_384
"""Samples worked out at once: enough to spread numpy's cost a call, few enough to stay in the cache."""


def engine_of(scenario: Scenario, seed: int) -> tuple[Motion, Drive]:
    """The engine and its drive, as truth knows them."""
    streams = streams_of(seed)
    motion = Motion(scenario.engine, list(scenario.sea.storm), streams)
    return motion, Drive(scenario, motion, streams)


class Head:
    """A head that plays a scenario. Every call of `frames` begins anew and gives the same bytes.

    `seed`: in place of the scenario's. `batch`: samples worked out at once; the bytes do not depend on it.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None, batch: int = BATCH_SAMPLES) -> None:
        self.scenario = scenario
        self.seed = scenario.run.seed if seed is None else seed
        self._frames_at_once = max(1, batch // scenario.head.samples)
        self.motion, self.drive = engine_of(scenario, self.seed)
        self._slips_s = {
            kind: sorted(e.at_s for e in scenario.event if isinstance(e, EncoderSlip) and e.kind == kind and e.counted)
            for kind in ("crank-slip", "cam-slip")
        }

    def frames(self, duration_s: float | None = None) -> Iterator[tuple[bytes, int]]:
        """What arrives at the other end, frame by frame, each with the µs since the start at which it was sent.

        Until a restart or a time step these are the head's own time. `duration_s`: in place of the scenario's; endless
        when neither is given. With stream faults an element may hold no frame, several, or a damaged one.
        """
        limit_s = self.scenario.run.duration_s if duration_s is None else duration_s
        dues = plan(self.scenario, NEVER_US if limit_s is None else round(limit_s * 1e6), self.seed)
        sampler = Sampler(self.scenario, self.motion, self.drive, streams_of(self.seed))
        writer = _Writer(self, random_stream(self.seed, HEALTH))
        wire = StreamFaults([e for e in self.scenario.event if isinstance(e, StreamFault)], self.seed)
        while batch := list(islice(dues, self._frames_at_once)):
            for due, payload in zip(batch, writer.payloads(batch, sampler), strict=True):
                if data := wire.passes(link.frame(payload), due.due_us / 1e6):
                    yield data, due.due_us

    def capture(self, duration_s: float | None = None) -> bytes:
        """The whole byte stream. Raises ValueError when nothing says where it ends."""
        if duration_s is None and self.scenario.run.duration_s is None:
            raise ValueError("a capture needs an end: give duration_s")
        return b"".join(data for data, _ in self.frames(duration_s))

    def slips(self, kind: str, start_s: float, t_s: float) -> int:
        """Index slips of an encoder (`crank-slip`, `cam-slip`) between two times."""
        return sum(start_s <= at <= t_s for at in self._slips_s[kind])


class _Writer:
    """Turns what is due into payloads; counts the sequence of each life of the head."""

    def __init__(self, head: Head, rng: np.random.Generator) -> None:
        self._head = head
        self._scenario = head.scenario
        self._rng = rng
        self._sequence = 0
        self._boot: int | None = None
        self._last_health: tuple[int, float] | None = None

    def payloads(self, batch: list[Due], sampler: Sampler) -> Iterator[bytes]:
        starts = [d.at_us for d in batch if d.kind == link.SAMPLES]
        samples = sampler.sample(np.array(starts) / 1e6) if starts else None
        health = self._health([d for d in batch if d.kind == link.HEALTH])
        rows = self._rows(samples)
        for due in batch:
            header = link.header(due.kind, self._next(due.session.boot), due.session.boot, due.head_us)
            if due.kind == link.SAMPLES:
                valid, data = next(rows)
                yield link.samples_payload(header, self._declared_ns, len(data) // 6, valid, data)
            elif due.kind == link.HEALTH:
                yield link.health_payload(header, **next(health))
            else:
                yield self._identity(header, due.due_us / 1e6)

    def _next(self, boot: int) -> int:
        if boot != self._boot:
            self._boot, self._sequence = boot, 0
        self._sequence += 1
        return self._sequence - 1

    @staticmethod
    def _rows(samples: Samples | None) -> Iterator[tuple[int, bytes]]:
        if samples is None:
            return
        data = samples.codes.astype("<u2", copy=False).tobytes()
        size = len(data) // len(samples.valid)
        for i, valid in enumerate(samples.valid.tolist()):
            yield valid, data[i * size : (i + 1) * size]

    @property
    def _declared_ns(self) -> int:
        return round(self._scenario.head.interval_ns * self._scenario.clock.declared)

    def _identity(self, header: bytes, t_s: float) -> bytes:
        head = self._scenario.head
        counts = (head.crank_counts, head.cam_counts)
        names = [e.name for e in self._scenario.event if isinstance(e, OtherHead) and e.at_s <= t_s]
        name = names[-1] if names else head.name
        return link.identity_payload(header, head.serial, head.firmware, self._declared_ns, counts, name)

    def _health(self, dues: list[Due]) -> Iterator[dict[str, Any]]:
        if not dues:
            return
        drive, timetable = self._head.drive, self._head.motion.timetable
        t = np.array([d.due_us for d in dues]) / 1e6
        starts = np.array([d.session.start_us for d in dues]) / 1e6
        noise = self._rng.standard_normal((len(dues), 4))
        head_c = 38 + 0.2 * noise[:, 0]
        casing, frame = drive.casing_c(t) + 0.1 * noise[:, 1], drive.frame_c(t) + 0.1 * noise[:, 2]
        fuel_ua = 4000 + 16_000 * np.clip(drive.fuel_part(t), 0, 1) + 8 * noise[:, 3]
        turned = timetable.turns_abs(t) - timetable.turns_abs(starts)
        turns = np.floor(turned)
        for i, due in enumerate(dues):
            figures = self._fitted(
                head_c=float(head_c[i]),
                casing_c=float(casing[i]),
                frame_c=float(frame[i]),
                supply_mv=self._scenario.head.supply_mv,
                fuel_index_ua=round(float(fuel_ua[i])),
                crank_slips=self._head.slips("crank-slip", float(starts[i]), float(t[i])),
                cam_slips=self._head.slips("cam-slip", float(starts[i]), float(t[i])),
                lost=due.lost,
                crank_turns=int(turns[i]),
            )
            for e in self._scenario.event:
                if isinstance(e, TemperatureFailed) and e.at_s <= t[i] < e.until_s:
                    figures[e.sensor] = e.celsius
            yield figures | self._tail(due, float(turned[i]))

    def _tail(self, due: Due, turns: float) -> dict[str, Any]:
        """The optional tail: mean speed since the last health frame, starts, jitter, skew."""
        if not self._scenario.build.tail:
            return {}
        before_us, before = self._last_health if self._last_health and self._last_health[0] < due.due_us else (0, 0.0)
        rpm = max(turns - before, 0.0) / ((due.due_us - before_us) / 60e6) if due.due_us > before_us else None
        self._last_health = (due.due_us, turns)
        starts = (due.session.boot - self._scenario.head.boot) & 0xFFFF
        return {"tail": link.health_tail(rpm, starts, round(self._scenario.clock.jitter_us), 0)}

    def _fitted(self, **figures: float | int | None) -> dict[str, Any]:
        missing = self._scenario.head.not_fitted
        return {name: None if name in missing else value for name, value in figures.items()}
