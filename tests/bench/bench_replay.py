"""Replay of an hour at 500 Hz through the whole pipeline, beside real time and beside one pass over the whole file.

The bound is the least that any program of this shape must do with the file: undo COBS and prove the CRC frame by frame,
make one array of all bodies, unwrap both shafts at once, and take every revolution's means over crank angle by one
`reduceat`. It counts no losses, joins no health frames, judges nothing and says nothing.

The fair rival of decoding and measuring is one vectorised pass that makes every figure which the meter makes: of each
revolution its end, duration, lag over 64 steps of angle, the orders in it, mean length and slap; of each second travel,
means and the loop's behaviour. It bears no break, no fault, no turn astern and no state. Its lag is held against the
meter's.

Run: `python tests/bench/bench_replay.py [seconds] [repeats]`. Prints ratios and where the time goes; asserts nothing.
"""

import cProfile
import pstats
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from cobs.cobs import decode as uncobs
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from firmware_sim_voyages import START_UTC_S, capture, pipeline  # noqa: E402

from gateway.link.blocks import SampleRun  # noqa: E402
from gateway.link.decoder import Decoder  # noqa: E402
from gateway.link.runs import runs  # noqa: E402
from gateway.measure.loop import length_table_nm  # noqa: E402
from gateway.measure.timeline import Now  # noqa: E402
from gateway.model.records import Cycle, Identity  # noqa: E402

SECONDS, REPEATS = 3_600, 7
FEED_BYTES = 1 << 18
NOW = Now(0.0, START_UTC_S)
RESIDUE = crc32(b"\0\0\0\0")
"""A payload followed by its CRC-32, little-endian, leaves this behind, whatever it is."""
HEAD_BYTES, CRC_BYTES, SAMPLES = 24, 4, 2
RATE, TURN, BINS = 500, 65_536, 64


def whole(data: bytes) -> int:
    """Bytes to sayings, as the replay command does; revolutions used."""
    p = pipeline()
    for at in range(0, len(data), FEED_BYTES):
        for _ in p.feed(data[at : at + FEED_BYTES], NOW):
            pass
    return p.meter.used


def runs_of(decoder: Decoder, data: bytes) -> Iterator[SampleRun]:
    """Runs of samples, an identity that is known already among them, as in the pipeline."""
    known: Identity | None = None
    for at in range(0, len(data), FEED_BYTES):
        for run in runs(decoder.gather(data[at : at + FEED_BYTES], known), known):
            if isinstance(run, SampleRun):
                yield run
            elif isinstance(run, Identity):
                known = run


def link_only(data: bytes) -> int:
    """Bytes to runs of samples."""
    return sum(len(run.block.crank) for run in runs_of(Decoder(), data) if run.block is not None)


def measure_too(data: bytes) -> int:
    """Bytes to revolutions and seconds: link and meter without judging."""
    p = pipeline()
    made = (p.meter.block(run.block, run.interleaved) for run in runs_of(p.decoder, data) if run.block is not None)
    return sum(1 for each in made for _ in each)


def samples(data: bytes) -> list[NDArray[np.uint16]]:
    """Crank, cam and loop of the whole file."""
    bodies = []
    for piece in data.split(b"\0"):
        if piece:
            frame = uncobs(piece)
            if crc32(frame) == RESIDUE and frame[1] == SAMPLES:
                bodies.append(frame[HEAD_BYTES:-CRC_BYTES])
    table = np.frombuffer(b"".join(bodies), dtype="<u2").reshape(-1, 3)
    return [np.ascontiguousarray(table[:, k]) for k in range(3)]


def bound(data: bytes) -> int:
    """One vectorised pass; revolutions."""
    crank16, cam16, loop = samples(data)
    crank = np.cumsum(np.diff(crank16, prepend=crank16[0]).view(np.int16), dtype=np.int64) + int(crank16[0])
    lag16 = crank16 - cam16
    lag = np.cumsum(np.diff(lag16, prepend=lag16[0]).view(np.int16), dtype=np.int64)
    turns = crank >> 16
    starts = np.flatnonzero(np.diff(turns)) + 1
    step = np.diff(crank)
    lag_area = np.add.reduceat((lag[1:] + lag[:-1]) * step, starts[:-1] - 1)
    loop_wide = loop.astype(np.int64)
    loop_area = np.add.reduceat((loop_wide[1:] + loop_wide[:-1]) * step, starts[:-1] - 1)
    slap = np.maximum.reduceat(loop, starts) - np.minimum.reduceat(loop, starts)
    return min(len(lag_area), len(loop_area), len(slap))


def figures(data: bytes) -> int:
    """One vectorised pass that makes the meter's figures; revolutions."""
    return len(pass_over(data)[0])


def pass_over(data: bytes) -> list[NDArray[Any]]:
    """Arrays by revolution, the lag in counts first, then by second."""
    crank16, cam16, loop = samples(data)
    crank = np.cumsum(np.diff(crank16, prepend=crank16[0]).view(np.int16), dtype=np.int64) + int(crank16[0])
    lag16 = crank16 - cam16
    lag = np.cumsum(np.diff(lag16, prepend=lag16[0]).view(np.int16), dtype=np.int64) + int(np.int16(lag16[0]))
    spring = length_table_nm(pipeline().engine.transducer)[loop]
    step = np.diff(crank)
    lag_to, spring_to = (np.concatenate(([0], np.cumsum((x[1:] + x[:-1]) * step))) for x in (lag, spring))
    turns = crank >> 16
    at = np.flatnonzero(np.diff(turns))
    edge, first, n = turns[at + 1] << 16, at[:-1] + 1, len(at) - 1
    border = edge[0] + (TURN // BINS) * np.arange(n * BINS + 1)
    reached = crank // (TURN // BINS)
    passes = np.flatnonzero(reached[1:] != reached[:-1])
    i = passes[border // (TURN // BINS) - int(reached[0]) - 1]
    part = (border - crank[i]).astype(np.float64)
    piece = part * (2 * lag[i] + (lag[i + 1] - lag[i]) * part / step[i])
    bins = ((np.diff(lag_to[i]) + np.diff(piece)) / (2 * TURN / BINS)).reshape(n, BINS)
    mean = bins.mean(axis=1)
    share = (edge - crank[at]) / step[at]
    piece = share * step[at] * (2 * spring[at] + (spring[at + 1] - spring[at]) * share)
    by_revolution = [
        mean,
        bins - mean[:, None],
        np.abs(np.fft.rfft(bins, axis=1)[:, 1:9]) * 2 / BINS,
        np.diff(at + share),
        (np.diff(spring_to[at]) + np.diff(piece)) / (2 * TURN),
        *(np.maximum.reduceat(x, first) - np.minimum.reduceat(x, first) for x in (lag, spring)),
    ]
    seconds = np.arange(0, len(crank), RATE)
    rough = np.append(np.uint16(0), np.maximum(loop[1:], loop[:-1]) - np.minimum(loop[1:], loop[:-1]))
    by_second = [
        np.diff(crank[seconds]),
        np.diff(lag[seconds]),
        *(np.add.reduceat(x, seconds, dtype=np.int64) for x in (lag, spring, rough)),
        np.minimum.reduceat(loop, seconds),
        np.maximum.reduceat(loop, seconds),
    ]
    return [*by_revolution, *by_second]


def apart_deg(data: bytes) -> float:
    """The most by which the pass's lag of a revolution differs from the meter's."""
    p = pipeline()
    found = []
    for run in runs_of(p.decoder, data):
        if run.block is not None:
            found += [x.raw_deg for x in p.meter.block(run.block, run.interleaved) if isinstance(x, Cycle)]
    theirs = np.array(found, dtype=np.float64)
    ours = pass_over(data)[0] * 360 / TURN
    if len(ours) != len(theirs):
        raise SystemExit(f"{len(ours)} revolutions by the pass, {len(theirs)} by the meter; the bench is broken")
    return float(np.abs((ours - theirs + 180) % 360 - 180).max())


def best_s(work: Sequence[Callable[[bytes], int]], data: bytes, repeats: int) -> list[float]:
    """The shortest of several runs of each, in s of CPU: what else the box does shows least. In turn, so that a slow
    minute is slow for all of them."""
    times: list[list[float]] = [[] for _ in work]
    for _ in range(repeats):
        for one, took in zip(work, times, strict=True):
            begin = time.process_time()
            made = one(data)
            took.append(time.process_time() - begin)
            if not made:
                raise SystemExit(f"{one.__name__} made nothing of the capture; the bench is broken")
    return [min(took) for took in times]


def where(data: bytes) -> list[tuple[str, float]]:
    """Share of the profiled time by part of the house; the profiler's own cost is spread over all."""
    profile = cProfile.Profile()
    profile.runcall(whole, data)
    shares: dict[str, float] = {}
    for (file, _, _), (_, _, own_s, _, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        parts = Path(file).parts
        part = f"gateway/{parts[parts.index('gateway') + 1]}" if "gateway" in parts else "numpy, zlib, cobs, Python"
        shares[part] = shares.get(part, 0.0) + own_s
    total = sum(shares.values())
    return sorted(((part, s / total) for part, s in shares.items()), key=lambda x: -x[1])


def run(seconds: int, repeats: int) -> None:
    """Make the capture, time each depth, print."""
    say = sys.stdout.write
    data = capture("", float(seconds))
    say(f"{seconds} s at 500 Hz, {len(data) / 1e6:.1f} MB\n")
    rows: dict[str, Callable[[bytes], int]] = {
        "bound: one vectorised pass": bound,
        "a pass with all figures": figures,
        "link": link_only,
        "link, measure": measure_too,
        "whole pipeline": whole,
    }
    took = best_s(list(rows.values()), data, repeats)
    bound_s, fair_s, *_ = took
    for name, took_s in zip(rows, took, strict=True):
        say(f"  {name:28} {took_s:7.3f} s  {seconds / took_s:8.0f} × real time  {took_s / bound_s:5.2f} × bound")
        say(f"  {took_s / fair_s:5.2f} × the pass with all figures\n")
    say(f"the lag of each revolution by that pass and by the meter: {apart_deg(data):.1e} deg apart at most\n")
    say("own time by part, under the profiler:\n")
    for part, share in where(data)[:8]:
        say(f"  {part:28} {100 * share:5.1f} %\n")


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    run(given[0] if given else SECONDS, given[1] if len(given) > 1 else REPEATS)
