"""Cuts the stream of samples into whole working cycles and averages each over crank angle.

Everything that is summed is an integer: crank and cam counts (65,536 = one turn) and spring length in nm. Sums of
integers are exact, so the same samples give the same bits however the stream was split into blocks. Only the pieces at
a cycle's two edges, where the crossing lies between two samples, are floating point, and each of them depends on two
samples alone.

A cycle is one crank turn of a two-stroke and two of a four-stroke, whose cam turns once in that time: only over a whole
turn of *both* shafts do the eccentricity of both encoders and the engine's half orders cancel.

A cycle lies between two neighbouring crossings of multiples of its length in the same direction. An encoder that
dithers on an edge makes pairs of opposite crossings, which bound no cycle; running astern needs no other code.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.measure.loop import BAD_NM
from gateway.model.records import CAM_VALID, LOOP_VALID, SampleBlock

TURN = 65_536
BINS_PER_TURN = 64
WIDTH = TURN // BINS_PER_TURN
ORDERS = 8
SHRUNK = np.sinc(np.arange(1, ORDERS + 1) / BINS_PER_TURN)
LOOK_EVERY = 8
WAVES = np.exp(-2j * np.pi * np.outer(np.arange(1, ORDERS + 1), np.arange(256)) / 256)
JUMP_UA = 2_000
"""From one sample to the next: 10 mm of 80 mm within milliseconds. No chain moves the spring so fast."""
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cut:
    """Cycles of one block, N of them. Lag in counts of the crank before any zero, unwrapped; spring in nm.

    `frame`: index of the block's frame in which the cycle ended. `end_us`: head time of its end. `direction`: +1 ahead.
    `lag_bad`, `spring_bad`: the cycle holds a sample that may not be averaged. `bins`: float64[N, 64·ratio], lag in
    counts averaged over equal steps of crank angle, in the order in which they were passed. `ripple_nm`: amplitude of
    the spring's length over the turn, of one cycle in eight; NaN of the others.
    """

    frame: Ints
    end_us: Ints
    duration_us: Floats
    direction: Ints
    lag: Floats
    lag_p2p: Ints
    lag_bad: NDArray[np.bool_]
    spring_nm: Floats
    slap_nm: Ints
    spring_bad: NDArray[np.bool_]
    bins: Floats
    ripple_nm: Floats

    def orders(self, ratio: int) -> Floats:
        """float64[N, 8]: amplitudes of the lag's first eight orders of the crank, in counts.

        A bin is a mean over its width, which shrinks order k by sinc(k/64) (`SHRUNK`): divided out here.
        """
        n = self.bins.shape[1]
        spectrum = np.fft.rfft(self.bins, axis=1)[:, ratio : ORDERS * ratio + 1 : ratio]
        out: Floats = 2.0 / n * np.abs(spectrum) / SHRUNK
        return out


@dataclass(frozen=True, slots=True)
class FrameSums:
    """Per frame of a block, F of them: what the once-a-second judgement needs. Counts and nm, unwrapped.

    `crank0`, `lag0`: at the frame's first sample; `crank`, `lag`: at its last. `lag_sum`, `spring_sum`: over its `n`
    samples; `spring_bad`: samples without a length. `loop_min`, `loop_max`: µA; `loop_steps`: sum of |step| between
    neighbours.
    """

    end_us: Ints
    n: Ints
    crank0: Ints
    lag0: Ints
    crank: Ints
    lag: Ints
    lag_sum: Ints
    spring_sum: Ints
    spring_bad: Ints
    loop_min: Ints
    loop_max: Ints
    loop_steps: Ints


class Cutter:
    """Feed it blocks in order; it keeps the unfinished cycle between them.

    Bounded: a turn that takes longer than `slow_s` is not averaged (the turning gear), so no more need be kept.
    """

    def __init__(self, ratio: int, length_nm: Ints, slow_s: float = 30.0) -> None:
        self._ratio = ratio
        self._shift = 16 if ratio == 1 else 17
        self._length_nm = length_nm
        self._slow_s = slow_s
        self._last_loop: int | None = None
        self._last_lag = 0
        self.reset()

    def reset(self) -> None:
        """Forget the unfinished cycle: what comes next does not follow what came before."""
        self._crank = self._lag = self._spring = np.empty(0, dtype=np.int64)
        # By frame: where its samples begin among those held, its head time, whether the cam is not valid.
        self._starts = self._head_us = np.empty(0, dtype=np.int64)
        self._cam_bad = np.empty(0, dtype=np.bool_)
        self._interval_ns = 0

    def skip(self, block: SampleBlock) -> int | None:
        """Pass over a block whose crank is not valid. Returns the loop's µA before its first sample, if that joins."""
        self.reset()
        before, self._last_loop = self._last_loop, int(block.loop[-1])
        return before if block.joined else None

    def feed(self, block: SampleBlock) -> tuple[Cut, FrameSums]:
        """Average the cycles that end in this block. The block's crank must be valid."""
        if not block.joined:
            self.reset()
        old = len(self._crank)
        self._append(block)
        sums = self._frame_sums(block, old)
        cut, keep = self._cut(len(self._starts) - len(block.starts))
        self._keep(keep)
        if self._time_us(len(self._crank) - 1) - self._time_us(0) > self._slow_s * self._ratio * 1e6:
            self._keep(len(self._crank) - 1)
        return cut, sums

    def _append(self, block: SampleBlock) -> None:
        """Join the new samples to the old ones. Neighbouring samples lie less than half a turn apart."""
        lag16 = block.crank - block.cam * np.uint16(self._ratio)
        old = len(self._crank)
        self._crank = _unwrapped(self._crank, block.crank, self._in_cycle(block, int(lag16[0])))
        if block.valid & CAM_VALID:
            self._last_lag += _signed(int(lag16[-1]) - self._last_lag)
        self._lag = _unwrapped(self._lag, lag16, int(lag16[:1].view(np.int16)[0]))
        spring = np.empty(len(self._crank), dtype=np.int64)
        spring[:old] = self._spring
        if block.valid & LOOP_VALID:
            np.take(self._length_nm, block.loop, out=spring[old:], mode="clip")
        else:
            spring[old:] = BAD_NM
        self._spring = spring
        cam_bad = np.full(len(block.starts), not block.valid & CAM_VALID)
        self._starts = np.concatenate((self._starts, block.starts + old))
        self._head_us = np.concatenate((self._head_us, block.head_us))
        self._cam_bad = np.concatenate((self._cam_bad, cam_bad))
        self._interval_ns = block.interval_ns

    def _in_cycle(self, block: SampleBlock, lag16: int) -> int:
        """The first crank angle within the working cycle. Which of a four-stroke's two turns it is the camshaft shows:
        after a break the half orders would else have either sign. The lag is the one nearest to that before."""
        crank = int(block.crank[0])
        if self._ratio == 1:
            return crank
        lag = self._last_lag + _signed(lag16 - self._last_lag)
        return (self._ratio * int(block.cam[0]) + lag) % (self._ratio * TURN) if block.valid & CAM_VALID else crank

    def _keep(self, first: int) -> None:
        """Let go of all samples before this one."""
        frame = int(self._frame(first))
        self._crank, self._lag, self._spring = self._crank[first:], self._lag[first:], self._spring[first:]
        self._starts = self._starts[frame:] - first
        self._head_us, self._cam_bad = self._head_us[frame:], self._cam_bad[frame:]

    def _frame(self, sample: Ints | int) -> Ints:
        """The frame of a sample; of each, if there are several."""
        out: Ints = np.searchsorted(self._starts, sample, side="right") - 1
        return out

    def _time_us(self, sample: Ints | int) -> Ints:
        """Head time of a sample; of each, if there are several."""
        frame = self._frame(sample)
        out: Ints = self._head_us[frame] + (sample - self._starts[frame]) * self._interval_ns // 1000
        return out

    def _frame_sums(self, block: SampleBlock, old: int) -> FrameSums:
        starts = block.starts
        ends = np.append(starts[1:], len(block.crank)) - 1
        crank, lag, spring = self._crank[old:], self._lag[old:], self._spring[old:]
        before = self._last_loop if block.joined else None
        loop_min, loop_max, loop_steps = loop_figures(block, before)
        if int(loop_steps.max()) > JUMP_UA:
            _mark_jumps(block.loop, before, spring)
        self._last_loop = int(block.loop[-1])
        no_length = spring == BAD_NM
        any_bad = bool(no_length.any())
        return FrameSums(
            end_us=block.head_us + (ends - starts + 1) * block.interval_ns // 1000,
            n=ends - starts + 1,
            crank0=crank[starts],
            lag0=lag[starts],
            crank=crank[ends],
            lag=lag[ends],
            lag_sum=np.add.reduceat(lag, starts),
            spring_sum=np.add.reduceat(np.where(no_length, 0, spring) if any_bad else spring, starts),
            spring_bad=np.add.reduceat(no_length, starts, dtype=np.int64) if any_bad else np.zeros_like(starts),
            loop_min=loop_min,
            loop_max=loop_max,
            loop_steps=loop_steps,
        )

    def _cut(self, frames_before: int) -> tuple[Cut, int]:
        """The cycles, and the index of the first sample that the unfinished one still needs.

        `frames_before`: those held that are not of the present block.
        """
        turns = self._crank >> self._shift
        at = np.flatnonzero(turns[1:] != turns[:-1])
        if len(at) == 0:
            return no_cycles(self._ratio), 0
        direction = turns[at + 1] - turns[at]
        soon = np.diff(self._time_us(at)) <= self._slow_s * self._ratio * 1e6
        whole = np.flatnonzero((direction[1:] == direction[:-1]) & soon)
        keep = int(at[-1])
        if len(whole) == 0:
            return no_cycles(self._ratio), keep
        edge = np.maximum(turns[at], turns[at + 1]) << self._shift
        # Neighbouring cycles in one direction are cut together: their angle never turns back beyond an edge.
        breaks = np.flatnonzero((np.diff(whole) != 1) | (np.diff(direction[whole]) != 0)) + 1
        parts = []
        for run in np.split(whole, breaks):
            bounds = np.append(run, run[-1] + 1)
            parts.append(self._average(at[bounds], edge[bounds], int(direction[run[0]])))
        cut = parts[0] if len(parts) == 1 else _joined(parts)
        frame = np.maximum(cut.frame - frames_before, 0)
        return Cut(frame, *(getattr(cut, f) for f in Cut.__slots__[1:])), keep

    def _average(self, at: Ints, edge: Ints, direction: int) -> Cut:
        """Cycles between the crossings `at` (each between samples at and at + 1) of the angles `edge`, all one way."""
        first_frame, last_frame = self._frame(at[:-1]), self._frame(at[1:] + 1)
        us, next_us = self._time_us(at), self._time_us(at + 1)
        lo, hi = int(at[0]), int(at[-1]) + 2
        crank, lag, spring = self._crank[lo:hi], self._lag[lo:hi], self._spring[lo:hi]
        at = at - lo
        step = np.diff(crank)
        n = len(at) - 1
        cycle = self._ratio * TURN
        lag_to, spring_to = _integral(lag, step), _integral(spring, step)
        part = (edge - crank[at]).astype(np.float64)
        share = part / step[at]
        spring_part = part * (2 * spring[at] + (spring[at + 1] - spring[at]) * share)
        spring_mean = (np.diff(spring_to[at]) + np.diff(spring_part)) / (2 * cycle * direction)
        edge_us = us + share * (next_us - us)
        first, last = at[:-1] + 1, int(at[-1]) + 1
        lag_min, lag_max = np.minimum.reduceat(lag[:last], first), np.maximum.reduceat(lag[:last], first)
        spring_min, spring_max = np.minimum.reduceat(spring[:last], first), np.maximum.reduceat(spring[:last], first)
        # The samples on either side of an edge take part in the mean: a bad one spoils both cycles.
        spring_ok = (spring_min != BAD_NM) & (spring[at[:-1]] != BAD_NM) & (spring[at[1:] + 1] != BAD_NM)
        bad_before = np.append(0, np.cumsum(self._cam_bad))
        bins = self._bins(crank, lag, step, lag_to, at, edge, direction)
        return Cut(
            frame=last_frame,
            end_us=np.floor(edge_us[1:]).astype(np.int64),
            duration_us=np.diff(edge_us),
            direction=np.full(n, direction, dtype=np.int64),
            lag=bins.mean(axis=1),
            lag_p2p=lag_max - lag_min,
            lag_bad=bad_before[last_frame + 1] > bad_before[first_frame],
            spring_nm=spring_mean,
            slap_nm=spring_max - spring_min,
            spring_bad=~spring_ok,
            bins=bins,
            ripple_nm=_ripple(crank, spring, at, edge, spring_ok),
        )

    def _bins(self, crank: Ints, lag: Ints, step: Ints, lag_to: Ints, at: Ints, edge: Ints, direction: int) -> Floats:
        """Mean lag in each of the equal steps of angle: differences of the integral at their borders."""
        per = BINS_PER_TURN * self._ratio
        n = len(at) - 1
        borders = edge[0] + direction * WIDTH * np.arange(n * per + 1, dtype=np.int64)
        # The last sample before each border. Running maxima make the angle rise where the encoder dithers.
        reach = crank if direction > 0 else -crank
        if (step.min() if direction > 0 else -step.max()) < 0:
            reach = np.maximum.accumulate(reach)
        reached = reach // WIDTH
        passes = np.flatnonzero(reached[1:] != reached[:-1])
        passed = np.repeat(passes, reached[passes + 1] - reached[passes])
        # At a cycle's edge the crossing itself, for its end and for the next one's beginning alike.
        after_first = int(edge[0]) * direction // WIDTH - int(reached[0])
        i = np.append(at[0], passed[after_first : after_first + n * per])
        i[::per] = at
        part = (borders - crank[i]).astype(np.float64)
        integral = part * (2 * lag[i] + (lag[i + 1] - lag[i]) * (part / step[i]))
        # Whole differences first, in integers: what was summed before the cycle leaves no rounding behind.
        whole = np.diff(lag_to[i])
        out: Floats = ((whole + np.diff(integral)) / (2 * WIDTH * direction)).reshape(n, per)
        return out


def _mark_jumps(loop: NDArray[np.uint16], before: int | None, spring: Ints) -> None:
    """No length behind a jump between two currents that measure, which no spring makes: it is a contact's."""
    held = np.concatenate(([loop[0] if before is None else before], loop[:-1])).astype(np.int64)
    spring[(np.abs(loop - held) > JUMP_UA) & (held >= 3_800) & (held <= 20_500)] = BAD_NM


def _unwrapped(old: Ints, new: NDArray[np.uint16], first: int) -> Ints:
    """The angle goes on from the old; `first`: where the new begins if there is nothing before it."""
    out = np.empty(len(old) + len(new), dtype=np.int64)
    out[: len(old)] = old
    steps = out[len(old) :]
    steps[0] = int(old[-1]) + _signed(int(new[0]) - int(old[-1])) if len(old) else first
    steps[1:] = (new[1:] - new[:-1]).view(np.int16)
    np.cumsum(steps, out=steps)
    return out


def _signed(count: int) -> int:
    """A difference of counts as the shorter way round."""
    return (count + TURN // 2) % TURN - TURN // 2


def _integral(value: Ints, step: Ints) -> Ints:
    """Twice the area under straight lines between the samples, from the first to each."""
    out = np.zeros(len(value), dtype=np.int64)
    pieces = out[1:]
    np.add(value[1:], value[:-1], out=pieces)
    pieces *= step
    np.cumsum(pieces, out=pieces)
    return out


def loop_figures(block: SampleBlock, before: int | None) -> tuple[Ints, Ints, Ints]:
    """Of the loop current in each frame, µA: least, most, and the sum of |step| between neighbours.

    `before`: the sample before the block's first, `None` where none joins it.
    """
    loop, starts = block.loop, block.starts
    steps = np.empty_like(loop)
    steps[0] = 0 if before is None else abs(int(loop[0]) - before)
    # Unsigned, so the greater less the smaller.
    np.subtract(np.maximum(loop[1:], loop[:-1]), np.minimum(loop[1:], loop[:-1]), out=steps[1:])
    least, most = np.minimum.reduceat(loop, starts), np.maximum.reduceat(loop, starts)
    return least.astype(np.int64), most.astype(np.int64), np.add.reduceat(steps, starts, dtype=np.int64)


def no_cycles(ratio: int) -> Cut:
    """A cut in which no cycle ends."""
    i, f, b = np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=np.bool_)
    return Cut(i, i, f, i, f, i, b, f, i, b, np.empty((0, BINS_PER_TURN * ratio)), f)


def _ripple(crank: Ints, spring: Ints, at: Ints, edge: Ints, ok: NDArray[np.bool_]) -> Floats:
    """Root of the sum of the squared amplitudes of the length's first eight orders; NaN where it is not looked at."""
    out = np.full(len(ok), np.nan)
    cycle = abs(int(edge[1] - edge[0]))
    looked = ok & ((edge[:-1] // cycle) % LOOK_EVERY == 1)
    for i in np.flatnonzero(looked).tolist():
        part = spring[at[i] + 1 : at[i + 1] + 1].astype(np.float64)
        waves = WAVES[:, (crank[at[i] + 1 : at[i + 1] + 1] & (TURN - 1)) >> 8]
        out[i] = 2.0 / len(part) * float(np.linalg.norm(waves @ (part - part.mean())))
    return out


def _joined(parts: list[Cut]) -> Cut:
    return Cut(*(np.concatenate([getattr(p, f) for p in parts]) for f in Cut.__slots__))
