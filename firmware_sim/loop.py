"""The 4–20 mA loop: what the transducer makes of the length, and what wires, contacts and mains make of the current."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firmware_sim.drive import Ramp, ramps
from firmware_sim.events import BadContact, BracketLoose, Drift, Event, LoopFault, Noisy, Ripple, Seized, Shift
from firmware_sim.motion import Timetable
from firmware_sim.scenario import Scenario
from firmware_sim.streams import CONTACT, FAULT, NOISE, SHAKE, Floats, Streams

SATURATED_MA = (3.8, 20.5)
"""A sound transmitter never drives the loop beyond these (NAMUR NE 43)."""
CHANCES = 4_096
BRACKET_JUMPS_S = 7.0
Hits = NDArray[np.bool_]


class Loop:
    """Length to current, sample by sample. Ask in the order of time, each sample once: noise and play remember."""

    def __init__(self, scenario: Scenario, timetable: Timetable, streams: Streams) -> None:
        self._transducer, self._timetable = scenario.transducer, timetable
        self._reference_rpm = scenario.engine.reference_rpm
        self._noise_rng, self._fault_rng = streams(NOISE), streams(FAULT)
        self._chances = streams(CONTACT).random(CHANCES)
        self._jumps = streams(SHAKE).standard_normal(CHANCES)
        events = scenario.event
        self._moved = [r for e in events for r in _moved(e)]
        self._noisy = [e for e in events if isinstance(e, Noisy)]
        self._ripples = [e for e in events if isinstance(e, Ripple)]
        self._contacts = [e for e in events if isinstance(e, BadContact)]
        self._brackets = [e for e in events if isinstance(e, BracketLoose)]
        self._seized = [e for e in events if isinstance(e, Seized) and e.kind == "transducer-seized"]
        self._failed = [e for e in events if isinstance(e, LoopFault)]
        self._stuck_ma: dict[int, float] = {}
        self._played_mm: float | None = None

    def current_ua(self, t: Floats, length: Floats) -> Floats:
        """Current in µA, whole. `length` is used up."""
        length += ramps(t, self._moved)
        for event in self._brackets:
            if (hit := _hit(t, event)).any():
                length += hit * self._bracket(event, t)
        if self._transducer.hysteresis_mm:
            length = self._play(length)
        ma = (length - self._transducer.at_4ma_mm) * self._ma_per_mm + 4
        if self._transducer.noise_ma:
            noise = self._noise_rng.standard_normal(t.shape, dtype=np.float32)
            for number, seized in enumerate(self._seized):
                if (hit := _hit(t, seized)).any():
                    ma = self._seize(number, hit, ma)
                    noise[hit] *= seized.noise_ua / 1000 / self._transducer.noise_ma
            ma += self._transducer.noise_ma * noise
        for noisy in self._noisy:
            hit = _hit(t, noisy)
            ma[hit] += noisy.ma * self._fault_rng.standard_normal(int(hit.sum()))
        for ripple in self._ripples:
            if (hit := _hit(t, ripple)).any():
                ma += hit * ripple.ma * np.sin(2 * np.pi * ((ripple.hz * t) % 1.0))
        ua = np.rint(np.clip(ma, *SATURATED_MA) * 1000)
        return self._broken(t, ua)

    @property
    def _ma_per_mm(self) -> float:
        return 16 / (self._transducer.at_20ma_mm - self._transducer.at_4ma_mm)

    def _seize(self, number: int, hit: Hits, ma: Floats) -> Floats:
        held = self._stuck_ma.setdefault(number, float(ma[hit][0]))
        return np.where(hit, held, ma)

    def _broken(self, t: Floats, ua: Floats) -> Floats:
        for event in self._contacts:
            if (hit := _hit(t, event)).any():
                slot = np.floor(t * event.per_s)
                opens = (slot + self._chances.take(slot.astype(np.int64) & (CHANCES - 1))) / event.per_s
                since = t - opens
                # An opening that begins late in its slot may last into the next one.
                before = (slot - 1 + self._chances.take((slot.astype(np.int64) - 1) & (CHANCES - 1))) / event.per_s
                open_s = event.open_ms / 1000
                open_now = ((since >= 0) & (since < open_s)) | (t - before < open_s)
                ua[hit & open_now] = round(event.ma * 1000)
        for failed in self._failed:
            ua[_hit(t, failed)] = round(failed.loop_ma * 1000)
        return ua

    def _bracket(self, event: BracketLoose, t: Floats) -> Floats:
        part = self._timetable.rpm(t) / self._reference_rpm
        jump = self._jumps.take((t / BRACKET_JUMPS_S).astype(np.int64) & (CHANCES - 1))
        return np.asarray(event.mm * part**2 * (1 + 0.33 * jump))

    def _play(self, length: Floats) -> Floats:
        """Backlash: the transducer follows only when the play is used up; its place is remembered."""
        half = self._transducer.hysteresis_mm / 2
        flat = length.ravel().tolist()
        held = flat[0] if self._played_mm is None else self._played_mm
        for i, x in enumerate(flat):
            held = flat[i] = min(max(held, x - half), x + half)
        self._played_mm = held
        return np.array(flat).reshape(length.shape)


def _hit(t: Floats, event: Noisy | Ripple | BadContact | BracketLoose | Seized | LoopFault) -> Hits:
    if t[-1, -1] < event.at_s or t[0, 0] >= event.until_s:
        return np.zeros(t.shape, dtype=bool)
    return np.asarray((t >= event.at_s) & (t < event.until_s))


def _moved(event: Event) -> list[Ramp]:
    if isinstance(event, Drift):
        return [(event.at_s, event.for_s, event.mm)]
    if isinstance(event, Shift):
        back = [] if event.for_s is None else [(event.until_s, 0.0, -event.mm)]
        return [(event.at_s, 0.0, event.mm), *back]
    return []
