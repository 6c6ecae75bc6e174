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
ORDERS = 8
SHRUNK = np.sinc(np.arange(1, ORDERS + 1) / BINS_PER_TURN)
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cut:
    """Cycles of one block, N of them. Lag in counts of the crank before any zero, unwrapped; spring in nm.

    `frame`: index of the block's frame in which the cycle ended. `end_us`: head time of its end. `direction`: +1 ahead.
    `lag_bad`, `spring_bad`: the cycle holds a sample that may not be averaged. `bins`: float64[N, 64·ratio], lag in
    counts averaged over equal steps of crank angle, in the order in which they were passed.
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

    def __init__(self, ratio: int, length_nm: NDArray[np.int32], slow_s: float = 30.0) -> None:
        self._ratio = ratio
        self._shift = 16 if ratio == 1 else 17
        self._length_nm = length_nm
        self._slow_s = slow_s
        self._last_loop: int | None = None
        self.reset()

    def reset(self) -> None:
        """Forget the unfinished cycle: what comes next does not follow what came before."""
        self._empty = True
        self._crank = self._lag = self._spring = self._us = np.empty(0, dtype=np.int64)
        self._bad = np.empty(0, dtype=np.uint8)

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
        cut, keep = self._cut(block, old)
        self._crank, self._lag = self._crank[keep:], self._lag[keep:]
        self._spring, self._us, self._bad = self._spring[keep:], self._us[keep:], self._bad[keep:]
        self._forget_slow()
        return cut, sums

    def _append(self, block: SampleBlock) -> None:
        """Unwrap the new samples onto the old ones. Neighbouring samples lie less than half a turn apart."""
        crank, lag16 = block.crank, block.crank - block.cam * np.uint16(self._ratio)
        first = self._empty
        last_crank = np.uint16(int(crank[0]) if first else int(self._crank[-1]) & 0xFFFF)
        last_lag = np.uint16(int(lag16[0]) if first else int(self._lag[-1]) & 0xFFFF)
        base_crank = int(crank[0]) if first else int(self._crank[-1])
        base_lag = int(np.int16(lag16[0].astype(np.int16))) if first else int(self._lag[-1])
        new_crank = np.cumsum(np.diff(crank, prepend=last_crank).view(np.int16), dtype=np.int64) + base_crank
        new_lag = np.cumsum(np.diff(lag16, prepend=last_lag).view(np.int16), dtype=np.int64) + base_lag
        if block.valid & LOOP_VALID:
            spring = self._length_nm[block.loop].astype(np.int64)
        else:
            spring = np.full(len(crank), BAD_NM, dtype=np.int64)
        us = _times_us(block)
        bad = np.full(len(crank), 0 if block.valid & CAM_VALID else 1, dtype=np.uint8)
        join = (lambda a, b: b) if first else (lambda a, b: np.concatenate((a, b)))
        self._crank, self._lag = join(self._crank, new_crank), join(self._lag, new_lag)
        self._spring, self._us, self._bad = join(self._spring, spring), join(self._us, us), join(self._bad, bad)
        self._empty = False

    def _frame_sums(self, block: SampleBlock, old: int) -> FrameSums:
        starts = block.starts
        ends = np.append(starts[1:], len(block.crank)) - 1
        crank, lag, spring = self._crank[old:], self._lag[old:], self._spring[old:]
        no_length = spring == BAD_NM
        any_bad = bool(no_length.any())
        loop = block.loop.astype(np.int64)
        before = self._last_loop if block.joined and self._last_loop is not None else int(loop[0])
        steps = np.abs(np.diff(loop, prepend=before))
        self._last_loop = int(loop[-1])
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
            loop_min=np.minimum.reduceat(loop, starts),
            loop_max=np.maximum.reduceat(loop, starts),
            loop_steps=np.add.reduceat(steps, starts),
        )

    def _cut(self, block: SampleBlock, old: int) -> tuple[Cut, int]:
        """The cycles, and the index of the first sample that the unfinished one still needs."""
        turns = self._crank >> self._shift
        at = np.flatnonzero(turns[1:] != turns[:-1])
        if len(at) == 0:
            return no_cycles(self._ratio), 0
        direction = turns[at + 1] - turns[at]
        soon = (self._us[at[1:]] - self._us[at[:-1]]) <= self._slow_s * self._ratio * 1e6
        whole = np.flatnonzero((direction[1:] == direction[:-1]) & soon)
        keep = int(at[-1])
        if len(whole) == 0:
            return no_cycles(self._ratio), keep
        edge = np.maximum(turns[at], turns[at + 1]) << self._shift
        parts = []
        # Neighbouring cycles in one direction are cut together: their angle never turns back beyond an edge.
        for run in np.split(whole, np.flatnonzero((np.diff(whole) != 1) | (np.diff(direction[whole]) != 0)) + 1):
            bounds = np.append(run, run[-1] + 1)
            parts.append(self._average(at[bounds], edge[bounds], int(direction[run[0]])))
        cut = parts[0] if len(parts) == 1 else _joined(parts)
        # `frame` holds the index of the sample that closed the cycle until here, where it becomes the frame's.
        frame = np.searchsorted(block.starts, cut.frame - old, side="right") - 1
        return Cut(np.maximum(frame, 0), *(getattr(cut, f) for f in Cut.__slots__[1:])), keep

    def _average(self, at: Ints, edge: Ints, direction: int) -> Cut:
        """Cycles between the crossings `at` (each between samples at and at + 1) of the angles `edge`, all one way."""
        lo, hi = int(at[0]), int(at[-1]) + 2
        crank, lag, spring = self._crank[lo:hi], self._lag[lo:hi], self._spring[lo:hi]
        at = at - lo
        step = np.diff(crank)
        n = len(at) - 1
        cycle = self._ratio * TURN
        lag_to = np.concatenate(([0], np.cumsum((lag[1:] + lag[:-1]) * step)))
        spring_to = np.concatenate(([0], np.cumsum((spring[1:] + spring[:-1]) * step)))
        part = (edge - crank[at]).astype(np.float64)
        share = part / step[at]
        spring_part = part * (2 * spring[at] + (spring[at + 1] - spring[at]) * share)
        spring_mean = (np.diff(spring_to[at]) + np.diff(spring_part)) / (2 * cycle * direction)
        us = self._us[lo:hi]
        edge_us = us[at] + share * (us[at + 1] - us[at])
        first, last = at[:-1] + 1, int(at[-1]) + 1
        lag_min, lag_max = np.minimum.reduceat(lag[:last], first), np.maximum.reduceat(lag[:last], first)
        spring_min, spring_max = np.minimum.reduceat(spring[:last], first), np.maximum.reduceat(spring[:last], first)
        # The samples on either side of an edge take part in the mean: a bad one spoils both cycles.
        spring_ok = (spring_min != BAD_NM) & (spring[at[:-1]] != BAD_NM) & (spring[at[1:] + 1] != BAD_NM)
        bad = self._bad[lo:hi]
        if bad.any():
            lag_bad = np.maximum.reduceat(bad[:last], first) + bad[at[:-1]] + bad[at[1:] + 1] > 0
        else:
            lag_bad = np.zeros(n, dtype=np.bool_)
        bins = self._bins(crank, lag, step, lag_to, at, edge, direction)
        return Cut(
            frame=at[1:] + 1 + lo,
            end_us=np.floor(edge_us[1:]).astype(np.int64),
            duration_us=np.diff(edge_us),
            direction=np.full(n, direction, dtype=np.int64),
            lag=bins.mean(axis=1),
            lag_p2p=lag_max - lag_min,
            lag_bad=lag_bad,
            spring_nm=spring_mean,
            slap_nm=spring_max - spring_min,
            spring_bad=~spring_ok,
            bins=bins,
        )

    def _bins(self, crank: Ints, lag: Ints, step: Ints, lag_to: Ints, at: Ints, edge: Ints, direction: int) -> Floats:
        """Mean lag in each of the equal steps of angle: differences of the integral at their borders."""
        per = BINS_PER_TURN * self._ratio
        width = TURN // BINS_PER_TURN
        n = len(at) - 1
        borders = edge[0] + direction * width * np.arange(n * per + 1, dtype=np.int64)
        # The first sample at or past a border; running maxima make the angle rise where the encoder dithers.
        reach = np.maximum.accumulate(crank * direction)
        i = np.searchsorted(reach, borders * direction, side="left") - 1
        # At a cycle's edge the crossing itself, for its end and for the next one's beginning alike.
        i[::per] = at
        part = (borders - crank[i]).astype(np.float64)
        integral = part * (2 * lag[i] + (lag[i + 1] - lag[i]) * (part / step[i]))
        # Whole differences first, in integers: what was summed before the cycle leaves no rounding behind.
        whole = np.diff(lag_to[i])
        out: Floats = ((whole + np.diff(integral)) / (2 * width * direction)).reshape(n, per)
        return out

    def _forget_slow(self) -> None:
        if self._us[-1] - self._us[0] > self._slow_s * self._ratio * 1e6:
            self._crank, self._lag = self._crank[-1:], self._lag[-1:]
            self._spring, self._us, self._bad = self._spring[-1:], self._us[-1:], self._bad[-1:]


def _times_us(block: SampleBlock) -> Ints:
    """Head time of every sample of a block."""
    n = len(block.crank)
    sizes = np.diff(block.starts, append=n)
    step_us, odd_ns = divmod(block.interval_ns, 1000)
    if not odd_ns:
        # By far the most; dividing each sample's time takes as long as all else here.
        return np.arange(n, dtype=np.int64) * step_us + np.repeat(block.head_us - block.starts * step_us, sizes)
    within = np.arange(n, dtype=np.int64) - np.repeat(block.starts, sizes)
    return np.repeat(block.head_us, sizes) + within * block.interval_ns // 1000


def no_cycles(ratio: int) -> Cut:
    """A cut in which no cycle ends."""
    i, f, b = np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=np.bool_)
    return Cut(i, i, f, i, f, i, b, f, i, b, np.empty((0, BINS_PER_TURN * ratio)))


def _joined(parts: list[Cut]) -> Cut:
    return Cut(*(np.concatenate([getattr(p, f) for p in parts]) for f in Cut.__slots__))
