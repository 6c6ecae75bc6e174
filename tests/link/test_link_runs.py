"""Blocks joined to runs: nothing lost, nothing reordered, nothing joined across a break."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from firmware_sim_voyages import capture, event
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.link.blocks import Frames, SampleRun, block_of
from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Decoder, Piece
from gateway.link.runs import runs
from gateway.model.records import Health, Identity, SampleBlock

TEXT = (
    event("drop", 5, rate=0.05)
    + event("cam-invalid", 10, for_s=2)
    + event("restart", 15, down_s=1)
    + event("pause", 20, for_s=3)
)
DATA = capture(TEXT, 30.0, seed=7)


def order_of_pieces(pieces: list[Piece]) -> list[object]:
    """The stream frame by frame: sample frames by their bytes, other things as they are."""
    out: list[object] = []
    for item in pieces:
        if isinstance(item, Frames):
            out += order_of_block(block_of([item]))
        else:
            out.append(item)
    return out


def order_of_block(b: SampleBlock) -> list[object]:
    """One entry for each frame."""
    edges = [*b.starts.tolist(), len(b.crank)]
    return [
        (b.boot, b.valid, us, b.crank[i:j].tobytes(), b.cam[i:j].tobytes(), b.loop[i:j].tobytes())
        for us, i, j in zip(b.head_us.tolist(), edges[:-1], edges[1:], strict=True)
    ]


def order_of_runs(pieces: list[Piece]) -> list[object]:
    """The same, read from runs: each health frame behind as many sample frames as it says."""
    out: list[object] = []
    for run in runs(pieces):
        if not isinstance(run, SampleRun):
            out.append(run)
            continue
        frames = order_of_block(run.block) if run.block is not None else []
        for k in range(len(frames) + 1):
            out += [health for at, health in run.interleaved if at == k]
            out += frames[k : k + 1]
        assert run.frames == len(frames) + len(run.interleaved)
    return out


@settings(max_examples=40)
@given(st.lists(st.integers(0, len(DATA)), max_size=12))
def test_runs_keep_every_frame_in_its_place(cuts: list[int]) -> None:
    """However the stream is fed: the runs say the same frames in the same order as the decoder's pieces."""
    decoder = Decoder()
    edges = [0, *sorted(cuts), len(DATA)]
    for a, b in pairwise(edges):
        pieces = decoder.gather(DATA[a:b])
        assert order_of_runs(pieces) == order_of_pieces(pieces)


def test_a_run_is_of_one_kind_and_without_a_break() -> None:
    """One boot, one validity, times that go on at the interval; and it is worth its name: seconds long, not frames."""
    found = [r for r in runs(Decoder().gather(DATA)) if isinstance(r, SampleRun) and r.block is not None]
    for run in found:
        b = run.block
        assert b is not None
        n = np.diff(b.starts, append=len(b.crank))
        np.testing.assert_allclose(np.diff(b.head_us), n[:-1] * b.interval_ns / 1000, atol=2)
        assert {h.boot for _, h in run.interleaved} <= {b.boot}
        assert (run.boot, run.head_us) == (b.boot, int(b.head_us[0]))
    assert max(run.frames for run in found) > 20


def test_marks_and_identities_stand_between_runs() -> None:
    """A break ends a run, and what it was is told before what comes after it."""
    said = list(runs(Decoder().gather(DATA)))
    kinds = [type(s) for s in said]
    assert {SampleRun, StreamBreak, Identity} == set(kinds)
    for before, after in pairwise(said):
        if isinstance(before, SampleRun) and isinstance(after, SampleRun) and before.block and after.block:
            assert before.block.valid != after.block.valid or not after.block.joined


def test_who_is_known_says_so_without_ending_a_run() -> None:
    """An identity frame every ten seconds breaks nothing as long as it says the same; another one does."""
    items = Decoder().gather(capture("", 31.0))
    first, lone, run = runs(items)
    assert isinstance(first, Identity) and isinstance(lone, SampleRun) and isinstance(run, SampleRun)
    assert sum(isinstance(aside, Identity) for _, aside in run.interleaved) == 3
    assert [type(s) for s in runs(items, first)] == [SampleRun, SampleRun]
    assert isinstance(runs(items, replace(first, serial=first.serial + 1))[0], Identity)


def test_who_is_known_may_say_so_first() -> None:
    """Right behind a break, too, a known head's name is said among the frames, and is no news."""
    known = next(i for i in Decoder().gather(capture("", 1.0)) if isinstance(i, Identity))
    again = replace(known, sequence=9, head_us=known.head_us + 1)
    mark, run = runs([StreamBreak("lost", 1, 0, known.boot, 0), again], known)
    assert isinstance(mark, StreamBreak)
    assert isinstance(run, SampleRun) and run.interleaved == ((0, again),)


def test_health_frames_without_samples_are_a_run_of_their_own() -> None:
    """A head that only tells its health is heard."""
    health = Health(0, 3, 77, None, None, None, None, None, None, None, None, None)
    (run,) = runs([health, health])
    assert isinstance(run, SampleRun)
    assert (run.block, run.boot, run.head_us, run.frames) == (None, 3, 77, 2)
    assert list(runs([])) == []
