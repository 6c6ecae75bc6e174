"""What the encoders and the transducer make of the truth: eccentric mounting, counts, noise, and their own faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_sim.drive import Drive, Floats, Ramp, ramps
from firmware_sim.events import Drift, EncoderSlip, Event, LoopFault, Noisy, Shift, Standing
from firmware_sim.motion import TABLE, Motion, wave_table
from firmware_sim.scenario import Scenario

CRANK, CAM, LOOP = 0, 1, 2
SATURATED_MA = (3.8, 20.5)
"""A sound transmitter never drives the loop beyond these (NAMUR NE 43)."""
CHANNEL = {"transducer-frozen": LOOP, "crank-stuck": CRANK, "cam-stuck": CAM}
INVALID = {"crank-invalid": CRANK, "cam-invalid": CAM, "loop-invalid": LOOP}


@dataclass(frozen=True, slots=True)
class Samples:
    """F frames of n samples. `codes`: uint16[F, n, 3] crank, cam, loop. `valid`: uint8[F], the link's validity bits."""

    codes: NDArray[np.uint16]
    valid: NDArray[np.uint8]


class Sampler:
    """Samples both shafts and the loop at the same instants. Ask for frames in the order of time, each once."""

    def __init__(self, scenario: Scenario, motion: Motion, drive: Drive, rngs: list[np.random.Generator]) -> None:
        """`rngs`: three: loop noise, noise faults, slap from turn to turn."""
        self._scenario, self._motion, self._drive = scenario, motion, drive
        self._noise_rng, self._fault_rng = rngs[0], rngs[1]
        head, shafts, tightener = scenario.head, scenario.shafts, scenario.tightener
        self._ratio = scenario.engine.ratio
        self._offsets_s = np.arange(head.samples) * (head.interval_ns * 1e-9)
        self._torsion_deg = wave_table(list(shafts.torsion), self._ratio)
        amplitude, phase = shafts.crank_eccentric
        self._crank_ecc = wave_table([(1.0, amplitude / 360, phase)], self._ratio)
        amplitude, phase = shafts.cam_eccentric
        self._cam_ecc = wave_table([(1.0, amplitude / 360, phase)])
        self._slap_mm = wave_table(list(tightener.slap), self._ratio)
        self._slap_turns = 1 + tightener.slap_random * np.clip(rngs[2].standard_normal(4096), -2, 2)
        self._slips: dict[str, list[Ramp]] = {
            kind: [(e.at_s, 0.0, e.deg / 360) for e in scenario.event if isinstance(e, EncoderSlip) and e.kind == kind]
            for kind in ("crank-slip", "cam-slip")
        }
        self._moved = [r for e in scenario.event for r in _moved(e)]
        self._noisy = [e for e in scenario.event if isinstance(e, Noisy)]
        self._overrides = [e for e in scenario.event if isinstance(e, LoopFault | Standing) and e.kind != "pause"]
        self._held: dict[int, int] = {}

    def sample(self, start_s: Floats) -> Samples:
        """`start_s`: float64[F], time of each frame's first sample."""
        t = start_s[:, None] + self._offsets_s
        codes = np.empty((*t.shape, 3), dtype=np.uint16)
        angle = self._motion.angle(t)
        index = (angle * (TABLE / self._ratio)).astype(np.int64)
        index &= TABLE - 1
        codes[..., CRANK], codes[..., CAM] = self._shafts(t, angle, index)
        codes[..., LOOP] = self._loop(t, angle, index)
        valid = np.full(len(start_s), 0b111, dtype=np.uint8)
        self._override(t, codes, valid)
        return Samples(codes, valid)

    def _shafts(self, t: Floats, angle: Floats, index: NDArray[np.int64]) -> tuple[Floats, Floats]:
        head, shafts = self._scenario.head, self._scenario.shafts
        stands = angle + shafts.crank_at_start_deg / 360
        late = self._torsion_deg.take(index)
        late *= self._between(self._drive.shake, t)
        late += self._between(self._drive.lag_smooth_deg, t)
        late += shafts.zero_deg + ramps(t, self._drive.lag_changes)
        cam = stands - late / 360
        cam /= self._ratio
        cam += self._cam_ecc.take(index)
        cam += ramps(t, self._slips["cam-slip"])
        stands += self._crank_ecc.take(index)
        stands += ramps(t, self._slips["crank-slip"])
        return _binary_angle(stands, head.crank_counts), _binary_angle(cam, head.cam_counts)

    def _loop(self, t: Floats, angle: Floats, index: NDArray[np.int64]) -> NDArray[np.uint16]:
        transducer = self._scenario.transducer
        length = self._slap_mm.take(index)
        length *= self._slap_turns.take(angle.astype(np.int64) & 4095)
        length *= self._between(self._drive.slap, t)
        length += self._between(self._drive.spring_smooth_mm, t)
        length += ramps(t, self._drive.spring_changes) + ramps(t, self._moved)
        per_mm = 16 / (transducer.at_20ma_mm - transducer.at_4ma_mm)
        ma = (length - transducer.at_4ma_mm) * per_mm + 4
        if transducer.noise_ma:
            ma += transducer.noise_ma * self._noise_rng.standard_normal(t.shape, dtype=np.float32)
        for event in self._noisy:
            hit = (t >= event.at_s) & (t < event.until_s)
            ma[hit] += event.ma * self._fault_rng.standard_normal(int(hit.sum()))
        return np.rint(np.clip(ma, *SATURATED_MA) * 1000).astype(np.uint16)

    def _between(self, slow: object, t: Floats) -> Floats:
        """A slow figure at each sample: worked out at each frame's ends, in a straight line between them."""
        assert callable(slow)
        if t.shape[1] < 4 or self._offsets_s[-1] > 1.0:
            return np.asarray(slow(t))
        ends = slow(t[:, [0, -1]])
        first = ends[:, :1]
        return np.asarray(first + (ends[:, 1:] - first) * (self._offsets_s / self._offsets_s[-1]))

    def _override(self, t: Floats, codes: NDArray[np.uint16], valid: NDArray[np.uint8]) -> None:
        first, last = t[0, 0], t[-1, -1]
        for number, event in enumerate(self._overrides):
            if last < event.at_s or first >= event.until_s:
                continue
            hit = (t >= event.at_s) & (t < event.until_s)
            if isinstance(event, LoopFault):
                codes[..., LOOP][hit] = round(event.loop_ma * 1000)
            elif event.kind in INVALID:
                codes[..., INVALID[event.kind]][hit] = 0
                valid[hit.any(axis=1)] &= 0xFF ^ (1 << INVALID[event.kind])
            elif hit.any():
                channel = codes[..., CHANNEL[event.kind]]
                channel[hit] = self._held.setdefault(number, int(channel[hit][0]))


def _binary_angle(turns: Floats, counts: int) -> Floats:
    """The nearest count, given as the nearest of 65,536 parts of a turn."""
    count = np.rint(turns * counts)
    return np.asarray(np.rint(count * (65_536 / counts)).astype(np.int64) & 0xFFFF)


def _moved(event: Event) -> list[Ramp]:
    if isinstance(event, Drift):
        return [(event.at_s, event.for_s, event.mm)]
    if isinstance(event, Shift):
        back = [] if event.for_s is None else [(event.until_s, 0.0, -event.mm)]
        return [(event.at_s, 0.0, event.mm), *back]
    return []
