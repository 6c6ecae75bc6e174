"""One engine's meter: from blocks of samples to cycles, seconds, and the present reading."""

import math
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import replace
from enum import Enum
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cutter import TURN, Cutter, FrameSums, no_cycles
from gateway.measure.cycles import DEG, CycleFigures, causes, figures_of, lag_from_zero, skew_lag_deg
from gateway.measure.hours import HoursMeter
from gateway.measure.loop import NM_PER_MM, length_table_nm
from gateway.measure.mains import MainsLook, MainsWatch, tooth_orders
from gateway.measure.ripple import RippleWatch
from gateway.measure.running import RunningState
from gateway.measure.seconds import Second, SecondCounter, sums_without_crank
from gateway.measure.sense import SenseWatch
from gateway.measure.sensors import NO_FAULTS, SensorFaults, SensorWatch
from gateway.measure.shape import ShapeMean
from gateway.measure.slow_turn import NOW_US, SlowTurn
from gateway.measure.smoothing import Ewma, Smoother, SpikeGate
from gateway.measure.turn_shape import TurnShapeSum
from gateway.model.enums import STANDING, Quality, Running
from gateway.model.records import CAM_VALID, CRANK_VALID, Cycle, Health, Identity, Measured, Reading, SampleBlock
from gateway.model.settings import EngineSettings, slack_tension_n

GATE_FLOOR_DEG = 0.01
"""Half a step of an encoder of 14,400 counts: what two neighbouring revolutions may always differ by."""
GATE_FLOOR_MM = 0.02
OPEN_TAUS = 2.0
"""Time constants of the fast mean for which a sample out of range casts doubt on it."""
STALE_US = 5_000_000
"""A figure older than this is no longer the present."""


class BlockStart(NamedTuple):
    """A block begins: its frames are followed one by one while the engine stands. `valid`: both encoders are."""

    sums: FrameSums
    valid: bool


class BlockEnd(Enum):
    """The block's last frame has come."""

    END = "end"


BLOCK_END = BlockEnd.END
Interleaved = Health | Identity
Placed = tuple[int, Interleaved]
Piece = CycleFigures | Second | MainsLook | BlockStart | BlockEnd | Interleaved


class Meter:
    """Feed it blocks (their times in pipeline time), health frames and gaps in order; read its present state."""

    def __init__(self, engine: EngineSettings, *, bursts: bool = False, stale_us: int = STALE_US) -> None:
        """`stale_us`: a figure older than this is no longer the present; longer where the head pauses by design."""
        self._stale_us = stale_us
        self.engine = engine
        self._bursts = bursts
        self._length_nm = length_table_nm(engine.transducer)
        self._cutter = Cutter(engine.ratio, self._length_nm)
        self._seconds = SecondCounter()
        self.running = RunningState(engine.running, bursts=bursts)
        self.hours = HoursMeter(engine.service.hours_at_start, engine.running.turning_rpm)
        self.sensors = SensorWatch(engine.transducer, stale_us / 1e6 if bursts else 0.0)
        self.sense, self.mains = SenseWatch(engine), MainsWatch(tooth_orders(engine.chain))
        self.ripple = RippleWatch(stale_us / 1e6 if bursts else 60.0)
        self.lag_doubt = self.length_doubt = ""
        """A step stands that the sensor may have made: the value is not to be called good."""
        s = engine.smoothing
        self.lag = Smoother(SpikeGate(s.gate_revolutions, s.gate_k, GATE_FLOOR_DEG), s.fast_s, s.slow_s)
        self.spring = Smoother(SpikeGate(s.gate_revolutions, s.gate_k, GATE_FLOOR_MM), s.fast_s, s.slow_s)
        self.slap, self.lag_p2p = Ewma(s.fast_s), Ewma(s.fast_s)
        self.zero_deg, self._skew_us = engine.lag.zero_deg, engine.lag.skew_us
        self.free_length_mm = engine.tightener.free_length_mm
        self.used = 0
        self.cycles = 0
        """Working cycles that were cut, whether or not they could be used."""
        self.frames = 0
        """Good frames taken so far, in the stream's order."""
        self.refused: Counter[str] = Counter()
        self._travel = (0, 0)
        """Of both shafts, in crank counts, signed."""
        self.health: Health | None = None
        self.last_second: Second | None = None
        self.seen_us = 0
        """Pipeline time up to which the hours are counted, a gap that is not settled yet among them."""
        self.last_cycle: Cycle | None = None
        self._shape = ShapeMean(s.fast_s)
        self.turn_shape = TurnShapeSum(engine.ratio) if engine.cams is not None else None
        self._settle_s = engine.running.settle_min * 60
        self._slow = SlowTurn(engine.ratio)
        self._lengths: deque[tuple[int, int, int]] = deque(maxlen=256)
        """While the engine stands, of each frame of the last second: its end, the sum of its lengths, how many."""
        self._block: BlockStart | None = None
        self._followed = 0
        """Frames of the block that have been followed while the engine stood."""
        self._open_us: int | None = None
        """When a sample last lay outside 3.8 to 20.5 mA."""
        self._raw_deg: float | None = None
        self._lag_us = self._spring_us = self._steady_us = 0
        self._unseen_s = 0.0
        self.since_steady_s = 0.0
        """From the steady revolution before the last to the last."""

    # -- what comes in ------------------------------------------------------------------------------------------

    def block(self, block: SampleBlock, interleaved: Sequence[Placed] = ()) -> list[Cycle | Second]:
        """Measure a block as a whole: its cycles and seconds, in the stream's order."""
        return [x for piece in self.pieces(block, interleaved) if (x := self.take(*piece)) is not None]

    def pieces(
        self, block: SampleBlock | None, interleaved: Sequence[Placed] = (), offset_us: int = 0
    ) -> list[tuple[int, Piece]]:
        """Cut a block into the pieces to `take` one after the other, in the stream's order.

        Each comes with the frame of the block in which it ends. `interleaved`: health and known identity frames between
        the samples, each with the number of the block's frames that came before it. `offset_us`: from head time to
        pipeline time.
        """
        if block is None:
            return list(interleaved)
        block = replace(block, head_us=block.head_us + offset_us)
        pieces: list[tuple[int, Piece]] = []
        if not block.joined:
            self._slow.broke()
            if (second := self._seconds.cut()) is not None:
                pieces.append((-1, second))
        if block.valid & CRANK_VALID:
            cut, sums = self._cutter.feed(block)
        else:
            last_loop = self._cutter.skip(block)
            cut, sums = no_cycles(self.engine.ratio), sums_without_crank(block, self._length_nm, last_loop)
        pieces.append((-1, BlockStart(sums, bool(block.valid & CRANK_VALID and block.valid & CAM_VALID))))
        # In the stream's order; a cycle that ends in the frame that ends a second comes before it.
        cycles = zip(cut.frame.tolist(), figures_of(cut, self.engine.ratio, self._skew_us), strict=True)
        looks = self.mains.block(block)
        parts: list[tuple[int, Piece]] = [*interleaved, *cycles, *looks, *self._seconds.feed(block, sums)]
        # Sorting keeps the order of those of one frame.
        parts.sort(key=itemgetter(0))
        return [*pieces, *parts, (len(block.starts) - 1, BLOCK_END)]

    def take(self, frame: int, piece: Piece) -> Cycle | Second | None:
        """Take the next piece into means and state; returns what it has become, `None` for what is neither."""
        if isinstance(piece, CycleFigures):
            self._follow(frame)
            return self._cycle(piece)
        if isinstance(piece, Second):
            self._follow(frame)
            return self._second(piece)
        if isinstance(piece, BlockStart):
            self._block, self._followed = piece, 0
        elif isinstance(piece, BlockEnd):
            self._follow(frame)
        elif isinstance(piece, MainsLook):
            self.mains.take(piece)
        else:
            self.take_interleaved(piece)
        return None

    def _follow(self, frame: int) -> None:
        """Up to this frame of the block; the state of the engine changes within a block, wherever a second ends."""
        if frame >= 0 and (self._slow.taken or self.running.state in STANDING):
            self._stand(slice(self._followed, frame + 1))
        self._followed = frame + 1

    def _stand(self, frames: slice) -> None:
        """While the engine stands or is on the turning gear: follow the lag frame by frame."""
        if self.running.state not in STANDING or self._block is None:
            self._slow.forget()
            self._lengths.clear()
            return
        sums = self._block.sums
        end_us = sums.end_us[frames].tolist()
        if not end_us:
            return
        good = (sums.n[frames] - sums.spring_bad[frames]).tolist()
        self._lengths.extend(zip(end_us, sums.spring_sum[frames].tolist(), good, strict=True))
        while end_us[-1] - self._lengths[0][0] >= NOW_US:
            self._lengths.popleft()
        if not self._block.valid:
            self._slow.broke()
        else:
            middle = (sums.crank0[frames] + sums.crank[frames]) / 2
            # On the turning gear one second's speed is the next one's.
            lag = sums.lag_sum[frames] / sums.n[frames] - self._skew_counts(self.running.rpm or 0.0)
            for row in zip(end_us, middle.tolist(), lag.tolist(), strict=True):
                self._slow.add(*row)

    def gap(self, gap_us: int) -> Second | None:
        """The stream broke; nothing is joined across. `gap_us`: time that passed without samples, 0 if not known."""
        self._cutter.reset()
        second = self._end_second()
        if gap_us:
            self.seen_us += gap_us
            self._unseen_s += gap_us / 1e6
            self.hours.gap(gap_us)
            self.running.gap(gap_us / 1e6)
            self.sensors.gap(gap_us / 1e6)
            self.sense.gap(gap_us / 1e6)
        return second

    def _end_second(self) -> Second | None:
        second = self._seconds.cut()
        return self._second(second) if second is not None else None

    def silent(self) -> None:
        """No frame for long: what the engine does is not known."""
        self.running.lost()

    def take_interleaved(self, frame: Interleaved) -> None:
        """A health frame: temperatures, turns, slips. An identity that is known already counts as a frame, no more."""
        self.frames += 1
        if isinstance(frame, Health):
            self.health = frame
            self.hours.health(frame.boot, frame.crank_turns, frame.head_us)
            self.sensors.health(frame)

    # -- cycles and seconds -------------------------------------------------------------------------------------

    def _skew_counts(self, rpm: float) -> float:
        return skew_lag_deg(self._skew_us, rpm) / DEG

    def _second(self, s: Second) -> Second:
        rpm = s.rpm
        s.lag -= self._skew_counts(rpm)
        self.last_second = s
        self.seen_us = s.t_us
        self.frames += s.frames
        if s.spring_bad_share:
            self._open_us = s.t_us
        if s.crank_valid and s.cam_valid:
            self._travel = (self._travel[0] + s.crank_travel, self._travel[1] + s.cam_travel)
        faults = self.sensors.second(s, under_way=abs(rpm) >= self.engine.running.turning_rpm, also=self._signs(s))
        if faults.crank_dead:
            # The head's own count of turns, or the speed on either side, will show whether the engine ran.
            self.running.lost()
            self.hours.gap(s.covered_us)
        elif s.span_ns:
            self.running.second(rpm, s.covered_us / 1e6)
            self.hours.second(rpm, s.covered_us, s.crank_travel / 65_536)
        return s

    def _signs(self, s: Second) -> SensorFaults:
        """What shows over more than a second: the sense of the encoders, mains ripple, a length that does not move."""
        steady = self.running.state is Running.AHEAD and self.lag.seen_s >= self.lag.fast.tau_s
        self.sense.second(s, self.running.state, self.lag.fast.value if steady else None, self.zero_deg)
        loop = self.mains.text or self.ripple.text
        if not (loop or self.sense.crank or self.sense.cam):
            return NO_FAULTS
        return SensorFaults(loop, self.sense.crank, self.sense.cam)

    def _look_at_ripple(self, f: CycleFigures) -> None:
        """Only while nothing else is wrong with the loop."""
        r = self.engine.running
        if f.spring_bad or math.isnan(f.ripple_mm) or not r.rpm_min <= f.rpm <= r.rpm_max:
            return
        if self.sensors.now.transducer in ("", self.ripple.text):
            self.ripple.turn(f.t_us, f.ripple_mm)

    def _cycle(self, f: CycleFigures) -> Cycle:
        c = self._judged(f)
        self.last_cycle = c
        self.cycles += 1
        if c.refused:
            self.refused.update(c.refused)
        elif c.steady:
            self.used += 1
        if c.steady:
            self._smooth(c)
            if self.engine.tightener.kind == "sprung":
                self._look_at_ripple(f)
            if c.lag_p2p_deg is not None:
                self._shape.add(f.shape_deg, c.duration_s)
                if self.turn_shape is not None and self.running.under_way_s >= self._settle_s:
                    self.turn_shape.add(f.shape_deg, c.rpm, self.load())
        return c

    def _judged(self, f: CycleFigures) -> Cycle:
        """A cycle's figures as far as they are to be believed."""
        state, faults = self.running.state, self.sensors.now
        ahead = f.direction > 0 and state is Running.AHEAD
        lag_ok = not (f.lag_bad or f.torn or faults.crank or faults.cam)
        spring_ok = not (f.spring_bad or faults.transducer)
        raw = self._continuous(f.lag_deg) if lag_ok else None
        return Cycle(
            t_us=f.t_us,
            duration_s=f.duration_s,
            rpm=f.rpm,
            raw_deg=raw,
            lag_deg=self.lag_of(raw),
            lag_p2p_deg=f.lag_p2p_deg if lag_ok else None,
            spring_mm=f.spring_mm if spring_ok else None,
            slap_mm=f.slap_mm if spring_ok else None,
            orders_deg=tuple(f.orders_deg) if lag_ok else (),
            steady=ahead,
            refused=() if ahead and lag_ok and spring_ok else causes(f, state, faults),
        )

    def _continuous(self, raw_deg: float) -> float:
        """Unwrap against the mean so far, which no stuck encoder has moved; at first against the revolution before."""
        before = self._raw_deg if self.lag.fast.value is None else self.lag.fast.value
        if before is not None:
            raw_deg += 360.0 * round((before - raw_deg) / 360.0)
        self._raw_deg = raw_deg
        return raw_deg

    def lag_of(self, raw_deg: float | None) -> float | None:
        """Lag from the zero, within half a turn; `None` where there is no zero or no angle."""
        return lag_from_zero(raw_deg, self.zero_deg)

    def _smooth(self, c: Cycle) -> None:
        since_s = (c.t_us - self._steady_us) / 1e6
        if since_s > self.running.under_way_s:
            # It stood still meanwhile: whatever was done or has cooled, the present is not a mean with what was before.
            self.lag.begin_again()
            self.spring.begin_again()
        # After a pause, between bursts or while the box was down, the value stands for the pause as well: the mean must
        # not live in the past.
        paused = self._bursts or self._unseen_s > self.lag.fast.tau_s
        dt_s = since_s if paused and 0 < since_s < self.running.under_way_s else c.duration_s
        if dt_s > self.lag.fast.tau_s + c.duration_s:
            self.lag.pause()
            self.spring.pause()
        self._steady_us, self._unseen_s, self.since_steady_s = c.t_us, 0.0, since_s
        spikes = []
        if c.raw_deg is not None and c.lag_p2p_deg is not None:
            self.lag_p2p.update(c.lag_p2p_deg, dt_s)
            self._lag_us = c.t_us
            if not self.lag.update(c.raw_deg, dt_s):
                spikes.append("lag spike")
        if c.spring_mm is not None and c.slap_mm is not None:
            self.slap.update(c.slap_mm, dt_s)
            self._spring_us = c.t_us
            if not self.spring.update(c.spring_mm, dt_s):
                spikes.append("spring spike")
        if spikes:
            self.refused.update(spikes)

    # -- the present --------------------------------------------------------------------------------------------

    def reading(self, t_us: int) -> Reading:
        """The present of the engine at `t_us`."""
        spring, lag = self.spring_now(t_us), self.lag_now(t_us)
        compression = None if spring.value is None else self.free_length_mm - spring.value
        steady = self.running.state is Running.AHEAD
        return Reading(
            t_us=t_us,
            hours=self.hours.hours,
            running=self.running.state,
            rpm=self.running.rpm,
            spring=spring,
            compression_mm=compression,
            tension_n=None if compression is None else slack_tension_n(self.engine.tightener, compression),
            slap_mm=self.slap.value if steady and spring.value is not None else None,
            lag=lag,
            lag_p2p_deg=self.lag_p2p.value if steady and lag.value is not None else None,
            casing_c=self.health.casing_c if self.health else None,
        )

    def spring_now(self, t_us: int) -> Measured:
        """Spring length: averaged while steady ahead, the live plain mean otherwise."""
        return Measured(*self._spring_now(t_us))

    def _spring_now(self, t_us: int) -> tuple[float | None, Quality, str]:
        s, fault = self.last_second, self.sensors.now.transducer
        if s is None or t_us - s.t_us > self._stale_us:
            return None, Quality.BAD, "nothing heard from the sensor head"
        if fault:
            return None, Quality.BAD, fault
        live = None if s.spring_nm is None else s.spring_nm / NM_PER_MM
        state = self.running.state
        doubt = self._open_doubt(t_us) or self.length_doubt
        if state is Running.AHEAD and self.spring.fast.value is not None and t_us - self._spring_us <= self._stale_us:
            doubt = self._doubt(self.spring, t_us - self._spring_us) or doubt
            return self.spring.fast.value, Quality.UNCERTAIN if doubt else Quality.GOOD, doubt
        if live is None:
            return None, Quality.BAD, "no sample with a good loop current"
        if state in STANDING:
            return live, Quality.UNCERTAIN if doubt else Quality.GOOD, doubt
        return live, Quality.UNCERTAIN, _not_steady(state)

    def lag_now(self, t_us: int) -> Measured:
        """Lag: averaged while steady ahead, the live plain mean of the last second otherwise."""
        return Measured(*self._lag_now(t_us))

    def _lag_now(self, t_us: int) -> tuple[float | None, Quality, str]:
        s, faults = self.last_second, self.sensors.now
        if s is None or t_us - s.t_us > self._stale_us:
            return None, Quality.BAD, "nothing heard from the sensor head"
        if faults.crank or faults.cam:
            return None, Quality.BAD, faults.crank or faults.cam
        if self.zero_deg is None:
            return None, Quality.BAD, "the zero was never taken: book the camshaft setting with the pin gauge"
        state = self.running.state
        if state is Running.AHEAD and self.lag.fast.value is not None and t_us - self._lag_us <= self._stale_us:
            doubt = self._doubt(self.lag, t_us - self._lag_us) or self.sensors.lag_doubt or self.lag_doubt
            return self.lag_of(self.lag.fast.value), Quality.UNCERTAIN if doubt else Quality.GOOD, doubt
        if not s.crank_valid or not s.cam_valid:
            return None, Quality.BAD, "an encoder is not valid"
        return self.lag_of(s.lag * DEG), Quality.UNCERTAIN, _not_steady(state)

    def _open_doubt(self, t_us: int) -> str:
        """Why a length is not to be called good though its mean leaves such samples out: a contact that opens leaks."""
        lately = self._open_us is not None and t_us - self._open_us <= OPEN_TAUS * 1e6 * self.spring.fast.tau_s
        return "the loop was open or out of range a moment ago: check its wire and plug" if lately else ""

    def _doubt(self, mean: Smoother, age_us: int) -> str:
        """Why a mean is not to be called good; empty where it is. Half of what makes it stale is one and a half pauses
        of a head in bursts: the last burst had no steady revolution."""
        if mean.seen_s < mean.fast.tau_s:
            return "too few revolutions yet"
        return "no steady revolution in the last burst" if self._bursts and 2 * age_us > self._stale_us else ""

    def figures_now(self, t_us: int) -> tuple[float | None, float | None, float | None]:
        """What alarms are judged by: the values of `lag_now` and `spring_now`, and the slap; lag and slap while steady
        ahead only, and then no live values: a limit is judged by averages over whole turns or not at all."""
        if self.running.state is not Running.AHEAD:
            return None, self._spring_now(t_us)[0], None
        lag = self._lag_now(t_us)[0] if t_us - self._lag_us <= self._stale_us else None
        spring = self._spring_now(t_us)[0] if t_us - self._spring_us <= self._stale_us else None
        return lag, spring, None if spring is None else self.slap.value

    def raw_now(self) -> float | None:
        """Crank − ratio·cam as the encoders read: averaged while steady ahead, the last second's mean otherwise."""
        s = self.last_second
        if self.running.state is Running.AHEAD and self.lag.fast.value is not None:
            return self.lag.fast.value
        return s.lag * DEG if s is not None and s.crank_valid and s.cam_valid else None

    def turned_raw_deg(self) -> float | None:
        """Crank − ratio·cam, mean of the last whole turn on the turning gear; `None` before one."""
        return None if self._slow.turn is None else self._slow.turn.lag * DEG

    @property
    def turns(self) -> tuple[float, float]:
        """Turns of crank and cam since the start, signed, each of its own shaft; without seconds that are not valid."""
        return self._travel[0] / TURN, self._travel[1] / TURN / self.engine.ratio

    def crank_deg(self) -> float | None:
        """The crank encoder's angle while the engine stands or is on the turning gear, 0 to 360."""
        crank = self._slow.crank_now()
        return None if crank is None else crank * DEG % 360.0

    def mounting_deg(self) -> float | None:
        """Amplitude of the lag's first order of the crank over the last whole turn on the turning gear."""
        amplitude = self._slow.first_order()
        return None if amplitude is None else amplitude * DEG

    def turned_us(self) -> int | None:
        """When that turn ended."""
        return None if self._slow.turn is None else self._slow.turn.t_us

    def turned_way(self) -> int:
        """Which way that turn went: +1 ahead, −1 astern; 0 before one."""
        return 0 if self._slow.turn is None else self._slow.turn.way

    def standing_spring_mm(self) -> float | None:
        """Mean spring length of the last second, renewed with each frame while the engine stands; `None` otherwise."""
        good = sum(n for _, _, n in self._lengths)
        return sum(nm for _, nm, _ in self._lengths) / good / NM_PER_MM if good else None

    def standing_raw_deg(self) -> float | None:
        """Crank − ratio·cam at this instant, freed from the encoders' eccentric mounting; `None` before a whole turn
        on the turning gear, and while the engine runs."""
        lag = self._slow.lag_now()
        return None if lag is None else lag * DEG

    @property
    def shape_deg(self) -> NDArray[np.float64] | None:
        """float64[64·ratio]: lag over equal steps of crank angle from its mean, averaged as the fast mean is."""
        return self._shape.mean_deg

    def load(self) -> float | None:
        """Fuel index as a share, 0–1, from its own 4–20 mA loop; `None` where not fitted or out of range."""
        ua = self.health.fuel_index_ua if self.health else None
        return None if ua is None or not 3_800 <= ua <= 20_500 else (ua - 4_000) / 16_000

    # -- over a restart -----------------------------------------------------------------------------------------

    def checkpoint(self) -> dict[str, object]:
        """All that a restart needs to go on as if nothing had happened."""
        return {
            "lag": self.lag.checkpoint(),
            "spring": self.spring.checkpoint(),
            "slap": self.slap.value,
            "lag_p2p": self.lag_p2p.value,
            "raw_deg": self._raw_deg,
            "steady_us": self._steady_us,
            "seen_us": self.seen_us,
            "hours": self.hours.checkpoint(),
            "running": self.running.checkpoint(),
            "sensors": self.sensors.checkpoint(),
            "sense": self.sense.state(),
            "ripple": self.ripple.state(),
        }

    def restore(self, kept: dict[str, object]) -> None:
        """Go on from a checkpoint."""
        for part, name in (
            (self.lag, "lag"),
            (self.spring, "spring"),
            (self.hours, "hours"),
            (self.running, "running"),
            (self.sensors, "sensors"),
        ):
            state = kept[name]
            if not isinstance(state, dict):  # no assertion: those are gone under -OO
                raise TypeError("state: not what was kept")
            part.restore(state)
        for mean, name in ((self.slap, "slap"), (self.lag_p2p, "lag_p2p")):
            value = kept[name]
            mean.value = value if isinstance(value, float) else None
        raw = kept["raw_deg"]
        self._raw_deg = raw if isinstance(raw, float) else None
        self._steady_us = int(str(kept["steady_us"]))
        self.seen_us = int(str(kept.get("seen_us", 0)))
        self.sense.restore(kept.get("sense"))
        self.ripple.restore(kept.get("ripple"))


def _not_steady(state: Running) -> str:
    return {
        Running.ASTERN: "running astern: taut and slack side change over",
        Running.CHANGING: "speed is changing: live value",
        Running.STOPPED: "engine stopped: live value, not averaged over revolutions",
        Running.TURNING: "on the turning gear: live value, not averaged over revolutions",
        Running.UNKNOWN: "running state not known",
        Running.AHEAD: "too few revolutions yet",
    }[state]
