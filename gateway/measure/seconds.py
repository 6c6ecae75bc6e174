"""What is looked at once a second: travel of both shafts, the loop's behaviour, plain means for a standing engine."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.measure.cutter import FrameSums
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
        columns = [getattr(sums, name).tolist() for name in FrameSums.__slots__]
        interval_ns, crank_valid = block.interval_ns, bool(block.valid & CRANK_VALID)
        if self._due_us is None:
            self._due_us = _next_second(int(block.head_us[0]))
        for k, (end, n, crank0, lag0, crank, lag, lag_sum, spring_sum, bad, low, high, steps) in enumerate(
            zip(*columns, strict=True)
        ):
            s = self._s
            # The first frame after a break shows the travel between its own samples only.
            from_crank, from_lag = self._last or (crank0, lag0)
            s.crank_travel += crank - from_crank
            s.cam_travel += crank - from_crank - (lag - from_lag)
            s.span_ns += (n if self._last else n - 1) * interval_ns
            self._covered_ns += n * interval_ns
            self._last = (crank, lag) if crank_valid else None
            s.frames += 1
            s.n += n
            s.t_us = end
            self._lag_sum += lag_sum
            self._spring_sum += spring_sum
            self._bad += bad
            self._steps += steps
            s.loop_min_ua = min(s.loop_min_ua, low)
            s.loop_max_ua = max(s.loop_max_ua, high)
            s.crank_valid &= crank_valid
            s.cam_valid &= bool(block.valid & CAM_VALID)
            s.loop_valid &= bool(block.valid & LOOP_VALID)
            if end >= self._due_us:
                self._due_us = _next_second(end)
                out.append((k, self._finish()))
        return out

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


def _next_second(t_us: int) -> int:
    return (t_us // SECOND_US + 1) * SECOND_US


def sums_without_crank(block: SampleBlock, length_nm: NDArray[np.int32], last_loop: int | None) -> FrameSums:
    """Frame sums of a block whose crank is not valid: only the loop's figures mean anything.

    `last_loop`: µA of the sample before the block's first, `None` where none joins it.
    """
    starts = block.starts
    ends = np.append(starts[1:], len(block.loop))
    spring = length_nm[block.loop].astype(np.int64)
    if not block.valid & LOOP_VALID:
        spring[:] = BAD_NM
    bad = spring == BAD_NM
    loop = block.loop.astype(np.int64)
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
        loop_min=np.minimum.reduceat(loop, starts),
        loop_max=np.maximum.reduceat(loop, starts),
        loop_steps=np.add.reduceat(np.abs(np.diff(loop, prepend=loop[0] if last_loop is None else last_loop)), starts),
    )
