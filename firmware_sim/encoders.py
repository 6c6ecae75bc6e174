"""What the two encoders make of the shafts: mounting error, counts, slips, loose couplings, wrong wiring."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firmware_sim.drive import Ramp, ramps
from firmware_sim.events import EncoderSlip, Loose
from firmware_sim.motion import wave_table
from firmware_sim.scenario import Scenario
from firmware_sim.streams import LOOSE, Floats, Streams

RATTLE = 65_536
RATTLE_PER_TURN = 97.3
"""A loose coupling's rattle goes by the shaft's turning, this many values a turn."""


class Encoder:
    """One encoder. `read`: turns of its shaft in, binary angles out."""

    def __init__(self, scenario: Scenario, which: str, streams: Streams) -> None:
        """`which`: `crank` or `cam`."""
        head, shafts, wiring = scenario.head, scenario.shafts, scenario.wiring
        crank = which == "crank"
        self._counts = head.crank_counts if crank else head.cam_counts
        self._scale = wiring.crank_scale if crank else wiring.cam_scale
        self._scale *= -1 if (wiring.crank_reversed if crank else wiring.cam_reversed) else 1
        amplitude, phase = shafts.crank_eccentric if crank else shafts.cam_eccentric
        more = shafts.crank_mount if crank else shafts.cam_mount
        turns = scenario.engine.ratio if crank else 1
        waves = [(1.0, amplitude / 360, phase), *((order, deg / 360, ph) for order, deg, ph in more)]
        self._mount = wave_table(waves, turns)
        self._slips: list[Ramp] = [
            (e.at_s, 0.0, e.deg / 360)
            for e in scenario.event
            if isinstance(e, EncoderSlip) and e.kind.startswith(which + "-")
        ]
        self._loose = [e for e in scenario.event if isinstance(e, Loose) and e.kind.startswith(which + "-")]
        self._rattle = streams(LOOSE).standard_normal(RATTLE) if self._loose else np.zeros(0)

    def read(self, t: Floats, turns: Floats, index: NDArray[np.int64]) -> Floats:
        """Binary angles, 65,536 to a turn. `turns` is used up; `index`: the place in the table of mounting errors."""
        return _binary_angle(self.turned(t, turns, index), self._counts)

    def turned(self, t: Floats, turns: Floats, index: NDArray[np.int64]) -> Floats:
        """Turns of its disc, before it counts lines; arguments as in `read`."""
        turns += self._mount.take(index)
        turns += ramps(t, self._slips)
        for event in self._loose:
            hit = (t >= event.at_s) & (t < event.until_s)
            if hit.any():
                turns += hit * self._play(event, turns)
        if self._scale != 1.0:
            turns *= self._scale
        return turns

    def _play(self, event: Loose, turns: Floats) -> Floats:
        """The encoder hangs back by half the play, and rattles within it."""
        way = np.sign(turns[:, -1:] - turns[:, :1]) if turns.shape[1] > 1 else np.ones_like(turns)
        place = (turns * RATTLE_PER_TURN).astype(np.int64) & (RATTLE - 1)
        rattle = np.clip(self._rattle.take(place) * event.shake_deg, -event.play_deg, event.play_deg)
        return np.asarray((rattle * np.abs(way) - way * event.play_deg / 2) / 360)


def _binary_angle(turns: Floats, counts: int) -> Floats:
    """The nearest count, given as the nearest of 65,536 parts of a turn."""
    count = np.rint(turns * counts)
    return np.asarray(np.rint(count * (65_536 / counts)).astype(np.int64) & 0xFFFF)
