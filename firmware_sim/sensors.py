"""Samples of both encoders and the loop, and the faults that lie over a whole channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_sim.drive import Drive, Slow, ramps
from firmware_sim.encoders import Encoder
from firmware_sim.events import Flicker, Seized, Standing
from firmware_sim.loop import Loop
from firmware_sim.motion import TABLE, Motion, wave_table
from firmware_sim.scenario import Scenario
from firmware_sim.shape import Shape
from firmware_sim.streams import SLAP, Floats, Streams

CRANK, CAM, LOOP = 0, 1, 2
CHANNEL = {"transducer-frozen": LOOP, "crank-stuck": CRANK, "cam-stuck": CAM}
INVALID = {"crank-invalid": CRANK, "cam-invalid": CAM, "loop-invalid": LOOP}
FLICKER = {"crank-flicker": CRANK, "cam-flicker": CAM, "loop-flicker": LOOP}


@dataclass(frozen=True, slots=True)
class Samples:
    """F frames of n samples. `codes`: uint16[F, n, 3] crank, cam, loop. `valid`: uint8[F], the link's validity bits."""

    codes: NDArray[np.uint16]
    valid: NDArray[np.uint8]


class Sampler:
    """Samples both shafts and the loop at the same instants. Ask for frames in the order of time, each once."""

    def __init__(self, scenario: Scenario, motion: Motion, drive: Drive, streams: Streams) -> None:
        self._scenario, self._motion, self._drive = scenario, motion, drive
        self._ratio = scenario.engine.ratio
        self._offsets_s = np.arange(scenario.head.samples) * (scenario.head.interval_ns * 1e-9)
        self._shape = Shape(scenario, streams)
        self._crank, self._cam = Encoder(scenario, "crank", streams), Encoder(scenario, "cam", streams)
        self._loop = Loop(scenario, motion.timetable, streams)
        tightener = scenario.tightener
        self._slap_mm = wave_table(list(tightener.slap), self._ratio)
        self._slap_turns = 1 + tightener.slap_random * np.clip(streams(SLAP).standard_normal(4096), -2, 2)
        self._overrides = [e for e in scenario.event if isinstance(e, Standing) and e.kind != "pause"]
        self._flickers = [e for e in scenario.event if isinstance(e, Flicker)]
        self._arms = [e for e in scenario.event if isinstance(e, Seized) and e.kind == "arm-seized"]
        self._held: dict[int, int] = {}

    def sample(self, start_s: Floats) -> Samples:
        """`start_s`: float64[F], time of each frame's first sample."""
        t = start_s[:, None] + self._offsets_s
        codes = np.empty((*t.shape, 3), dtype=np.uint16)
        angle, index, slow = self._present(t)
        crank, cam = self._shafts(t, angle, index, slow)
        codes[..., CRANK], codes[..., CAM] = self._crank.read(t, crank, index), self._cam.read(t, cam, index)
        codes[..., LOOP] = self._loop.current_ua(t, self._length(t, angle, index, slow))
        valid = np.full(len(start_s), 0b111, dtype=np.uint8)
        self._override(t, codes, valid)
        if self._scenario.wiring.swapped:
            codes = codes[..., [CAM, CRANK, LOOP]]
        return Samples(codes, valid)

    def shafts(self, start_s: Floats) -> tuple[Floats, Floats, Floats]:
        """For a head that counts lines by itself: float64[F·n] turns of the crank's and the cam's disc, and float64[F]
        the loop's current in µA at each frame's first sample. `start_s`: as in `sample`."""
        t = start_s[:, None] + self._offsets_s
        angle, index, slow = self._present(t)
        crank, cam = self._shafts(t, angle, index, slow)
        discs = [self._crank.turned(t, crank, index).ravel(), self._cam.turned(t, cam, index).ravel()]
        if self._scenario.wiring.swapped:
            discs.reverse()
        return discs[0], discs[1], self._loop.current_ua(t, self._length(t, angle, index, slow))[:, 0]

    def _present(self, t: Floats) -> tuple[Floats, NDArray[np.int64], Slow]:
        angle = self._motion.angle(t)
        index = (angle * (TABLE / self._ratio)).astype(np.int64)
        index &= TABLE - 1
        return angle, index, self._slow(t)

    def _slow(self, t: Floats) -> Slow:
        """Slow figures at each sample: worked out at each frame's ends, in a straight line between them."""
        if t.shape[1] < 4 or self._offsets_s[-1] > 1.0:
            return self._drive.slow(t)
        ends = self._drive.slow(t[:, [0, -1]])
        part = self._offsets_s / self._offsets_s[-1]
        return Slow(*(_between(x, part) for x in (ends.lag_deg, ends.spring_mm, ends.shake, ends.slap, ends.fuel)))

    def _shafts(self, t: Floats, angle: Floats, index: NDArray[np.int64], slow: Slow) -> tuple[Floats, Floats]:
        """Turns of both shafts, the crank's at the instant at which the head latches it."""
        shafts = self._scenario.shafts
        stands = angle + shafts.crank_at_start_deg / 360
        late = self._shape.late_deg(t, angle, index, slow.shake, slow.fuel)
        late += slow.lag_deg
        late += shafts.zero_deg + ramps(t, self._drive.lag_changes)
        cam = stands - late / 360
        cam /= self._ratio
        if self._scenario.head.skew_us:
            stands += self._motion.angle(t + self._scenario.head.skew_us * 1e-6) - angle
        return stands, cam

    def _length(self, t: Floats, angle: Floats, index: NDArray[np.int64], slow: Slow) -> Floats:
        length = self._slap_mm.take(index)
        length *= self._slap_turns.take(angle.astype(np.int64) & 4095)
        length *= slow.slap
        length += slow.spring_mm
        length += ramps(t, self._drive.spring_changes)
        for arm in self._arms:
            if t[-1, -1] >= arm.at_s and t[0, 0] < arm.until_s:
                stuck = (t >= arm.at_s) & (t < arm.until_s)
                length[stuck] = float(self._drive.spring_mm(np.array(arm.at_s)))
        return length

    def _override(self, t: Floats, codes: NDArray[np.uint16], valid: NDArray[np.uint8]) -> None:
        first, last = t[0, 0], t[-1, -1]
        for number, event in enumerate(self._overrides):
            if last < event.at_s or first >= event.until_s:
                continue
            hit = (t >= event.at_s) & (t < event.until_s)
            if event.kind in INVALID:
                codes[..., INVALID[event.kind]][hit] = 0
                valid[hit.any(axis=1)] &= 0xFF ^ (1 << INVALID[event.kind])
            elif hit.any():
                channel = codes[..., CHANNEL[event.kind]]
                channel[hit] = self._held.setdefault(number, int(channel[hit][0]))
        for flicker in self._flickers:
            hit = (t >= flicker.at_s) & (t < flicker.until_s) & (t % flicker.every_s < flicker.drop_s)
            valid[hit.any(axis=1)] &= 0xFF ^ (1 << FLICKER[flicker.kind])


def _between(ends: Floats, part: Floats) -> Floats:
    first = ends[:, :1]
    return np.asarray(first + (ends[:, 1:] - first) * part)
