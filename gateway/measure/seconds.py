"""What is looked at once a second: travel of both shafts, the loop's behaviour, plain means for a standing engine."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cutter import FrameSums, loop_figures
from gateway.measure.loop import BAD_NM
from gateway.model.records import CAM_VALID, CRANK_VALID, LOOP_VALID, SampleBlock

SECOND_US = 1_000_000


@dataclass(slots=True)
class Second:
    """About one second of samples (whole frames). Travel in counts, signed; `lag` in counts before the zero.

    `cam_travel` is in crank counts (cam travel times the ratio). `spring_nm`: plain mean over the samples with a
    length, `None` without one; `spring_bad_share`: the share without. `loop_step_ua`: mean step between neighbours.
    `span_ns`: what the travel took; `covered_us`: what the samples stand for, one interval each.
    """

    t_us: int = 0
    span_ns: int = 0
    covered_us: int = 0
    frames: int = 0
    n: int = 0
    crank_travel: int = 0
    cam_travel: int = 0
    lag: float = 0.0
    spring_nm: float | None = None
    spring_bad_share: float = 0.0
    loop_min_ua: int = 65_535
    loop_max_ua: int = 0
    loop_step_ua: float = 0.0
    crank_valid: bool = True
    cam_valid: bool = True
    loop_valid: bool = True

    @property
    def rpm(self) -> float:
        """Signed mean speed over the second."""
        return self.crank_travel / 65_536 * 60e9 / self.span_ns if self.span_ns else 0.0


class SecondCounter:
    """Gathers frames into seconds of pipeline time; a break ends the second early."""

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None
        self._due_us: int | None = None
        self._start()

    def _start(self) -> None:
        self._s = Second()
        self._lag_sum = self._spring_sum = self._bad = self._steps = self._covered_ns = 0

    def cut(self) -> Second | None:
        """The stream broke: what was gathered, if anything, and no travel across the break."""
        out = self._finish() if self._s.n else None
        self._last = self._due_us = None
        return out

    def feed(self, block: SampleBlock, sums: FrameSums) -> list[tuple[int, Second]]:
        """Seconds that end in this block, each with the index of the frame that ended it."""
        out: list[tuple[int, Second]] = []
        closing = self._closing(block, sums)
        first = np.append(0, closing + 1)
        first = first[first < len(sums.n)]
        last = np.append(first[1:], len(sums.n)) - 1
        for k, piece in zip(last.tolist(), _pieces(sums, first, last), strict=True):
            self._gather(block, piece)
            if len(out) < len(closing):
                out.append((k, self._finish()))
        return out

    def _closing(self, block: SampleBlock, sums: FrameSums) -> NDArray[np.int64]:
        """Frames in which a second is over: the first that ends past its end."""
        if self._due_us is None:
            self._due_us = _next_second(int(block.head_us[0]))
        over = self._due_us // SECOND_US - 1
        reached = np.maximum.accumulate(np.maximum(sums.end_us // SECOND_US, over))
        self._due_us = (int(reached[-1]) + 1) * SECOND_US
        closing: NDArray[np.int64] = np.flatnonzero(np.diff(reached, prepend=over))
        return closing

    def _gather(self, block: SampleBlock, p: "_Piece") -> None:
        s, crank_valid = self._s, bool(block.valid & CRANK_VALID)
        # The first frame after a break shows the travel between its own samples only.
        from_crank, from_lag = self._last or (p.crank0, p.lag0)
        s.crank_travel += p.crank - from_crank
        s.cam_travel += p.crank - from_crank - (p.lag - from_lag)
        apart = 1 if crank_valid else p.frames
        s.span_ns += (p.n - apart + (self._last is not None)) * block.interval_ns
        self._covered_ns += p.n * block.interval_ns
        self._last = (p.crank, p.lag) if crank_valid else None
        s.frames += p.frames
        s.n += p.n
        s.t_us = p.end_us
        self._lag_sum += p.lag_sum
        self._spring_sum += p.spring_sum
        self._bad += p.spring_bad
        self._steps += p.loop_steps
        s.loop_min_ua = min(s.loop_min_ua, p.loop_min)
        s.loop_max_ua = max(s.loop_max_ua, p.loop_max)
        s.crank_valid &= crank_valid
        s.cam_valid &= bool(block.valid & CAM_VALID)
        s.loop_valid &= bool(block.valid & LOOP_VALID)

    def _finish(self) -> Second:
        s = self._s
        good = s.n - self._bad
        s.covered_us = self._covered_ns // 1000
        s.lag = self._lag_sum / s.n
        s.spring_nm = self._spring_sum / good if good else None
        s.spring_bad_share = self._bad / s.n
        s.loop_step_ua = self._steps / s.n
        self._start()
        return s


class _Piece(NamedTuple):
    """Frames of one block that belong to one second; named as in FrameSums."""

    frames: int
    end_us: int
    crank0: int
    lag0: int
    crank: int
    lag: int
    n: int
    lag_sum: int
    spring_sum: int
    spring_bad: int
    loop_steps: int
    loop_min: int
    loop_max: int


def _pieces(sums: FrameSums, first: NDArray[np.int64], last: NDArray[np.int64]) -> Iterator[_Piece]:
    """The frames from each of `first` to that of `last`, summed."""
    columns = [last - first + 1, sums.end_us[last], sums.crank0[first], sums.lag0[first], sums.crank[last]]
    columns.append(sums.lag[last])
    summed = (sums.n, sums.lag_sum, sums.spring_sum, sums.spring_bad, sums.loop_steps)
    columns += [np.add.reduceat(x, first) for x in summed]
    columns += [np.minimum.reduceat(sums.loop_min, first), np.maximum.reduceat(sums.loop_max, first)]
    return map(_Piece, *(x.tolist() for x in columns))


def _next_second(t_us: int) -> int:
    return (t_us // SECOND_US + 1) * SECOND_US


def sums_without_crank(block: SampleBlock, length_nm: NDArray[np.int64], last_loop: int | None) -> FrameSums:
    """Frame sums of a block whose crank is not valid: only the loop's figures mean anything.

    `last_loop`: µA of the sample before the block's first, `None` where none joins it.
    """
    starts = block.starts
    ends = np.append(starts[1:], len(block.loop))
    spring = length_nm[block.loop]
    if not block.valid & LOOP_VALID:
        spring[:] = BAD_NM
    bad = spring == BAD_NM
    loop_min, loop_max, loop_steps = loop_figures(block, last_loop)
    none = np.zeros_like(starts)
    return FrameSums(
        end_us=block.head_us + (ends - starts) * block.interval_ns // 1000,
        n=ends - starts,
        crank0=none,
        lag0=none,
        crank=none,
        lag=none,
        lag_sum=none,
        spring_sum=np.add.reduceat(np.where(bad, 0, spring), starts),
        spring_bad=np.add.reduceat(bad, starts, dtype=np.int64),
        loop_min=loop_min,
        loop_max=loop_max,
        loop_steps=loop_steps,
    )
