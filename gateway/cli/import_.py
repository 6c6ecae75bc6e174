"""Make a capture for replay from another logger's CSV recording, and report what the recording lacks."""

import argparse
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from gateway.cli.progress import progress
from gateway.cli.text import note
from gateway.link.encode import health_frame, identity_frame, samples_frame
from gateway.model.errors import Refused, StorageError
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import load_settings
from gateway.sources.recording import Floats, Recording, Shaft, read_recording

BLOCK = 50
CRANK, CAM, LOOP = 1, 2, 4
LATER_US = 1_000
"""The identity comes a millisecond before the first sample, as a head sends it at its start."""


def main(args: argparse.Namespace) -> int:
    """Write the capture. 1 where no turn of the crank is in it."""
    settings = load_settings(args.config)
    engine = _engine(settings, args.engine)
    recording = read_recording(args.file, engine)
    name = next(h.name for h in settings.head if h.slug == engine.head) or "import"
    try:
        with open(args.out, "xb") as out:
            _write(out, recording, engine, name)
    except FileExistsError:
        raise Refused(f"{args.out} exists; give another name, or remove it") from None
    except OSError as e:
        raise StorageError(f"{args.out}: {e.strerror or e}; check the folder, its rights and the disk") from None
    turns = abs(float(recording.crank.turns[-1] - recording.crank.turns[0]))
    note(f"{recording.rows:,} rows, {turns:,.0f} turns of the crank → {args.out}")
    for lack in recording.lacks:
        note(f"- {lack}")
    note(f"Next: camdrift replay {args.config} {args.out}")
    return 0 if turns >= 1 else 1


def _write(out: BinaryIO, recording: Recording, engine: EngineSettings, name: str) -> None:
    with progress("writing the capture", float(recording.rows)) as moved:
        samples = 0
        step_s = engine.recording.interval_ms / 1_000 if engine.recording else 1.0
        whole_s = max(float(recording.crank.t_s[-1] - recording.crank.t_s[0]), step_s)
        for frame in frames(recording, engine, name):
            out.write(frame)
            samples += BLOCK
            moved(min(1.0, samples * step_s / whole_s) * recording.rows)


def _engine(settings: Settings, slug: str | None) -> EngineSettings:
    slugs = [e.slug for e in settings.engine]
    if slug is None and len(slugs) == 1:
        return settings.engine[0]
    if slug not in slugs:
        raise Refused(f"give --engine: {', '.join(slugs)}")
    return settings.engine[slugs.index(slug)]


def frames(recording: Recording, engine: EngineSettings, name: str) -> Iterator[bytes]:
    """The recording as frames of the link, version 1: head time is the recording's own time less its start."""
    s = engine.recording
    assert s is not None
    step_s, start_s = s.interval_ms / 1_000, float(max(recording.crank.t_s[0], recording.cam.t_s[0]))
    interval_ns, sequence = round(s.interval_ms * 1e6), 1
    yield identity_frame(0, 0, name, interval_ns, (recording.crank.counts, recording.cam.counts))
    health_us = 0
    for from_s, to_s in _stretches(recording, s.gap_s):
        for t_s in _blocks(from_s, to_s, step_s):
            head_us = round((t_s[0] - start_s) * 1e6) + LATER_US
            if head_us >= health_us:
                turns = abs(
                    float(np.interp(t_s[0], recording.crank.t_s, recording.crank.turns) - recording.crank.turns[0])
                )
                yield health_frame(sequence, head_us, int(turns))
                sequence, health_us = sequence + 1, head_us + 1_000_000
            valid, columns = _samples(recording, t_s)
            yield samples_frame(sequence, head_us, interval_ns, valid, columns)
            sequence += 1


def _stretches(r: Recording, gap_s: float) -> Iterator[tuple[float, float]]:
    """Times from and to between which both shafts were recorded without a gap."""
    edges = sorted({*_gaps(r.crank, gap_s), *_gaps(r.cam, gap_s)})
    at = float(max(r.crank.t_s[0], r.cam.t_s[0]))
    end = float(min(r.crank.t_s[-1], r.cam.t_s[-1]))
    for low, high in edges:
        if low > at:
            yield at, min(low, end)
        at = max(at, high)
    if at < end:
        yield at, end


def _gaps(shaft: Shaft, gap_s: float) -> list[tuple[float, float]]:
    wide = np.flatnonzero(np.diff(shaft.t_s) > gap_s)
    return [(float(shaft.t_s[k]), float(shaft.t_s[k + 1])) for k in wide]


def _blocks(from_s: float, to_s: float, step_s: float) -> Iterator[Floats]:
    n = int((to_s - from_s) / step_s + 1e-6) + 1
    for k in range(0, n, BLOCK):
        yield from_s + np.arange(k, min(k + BLOCK, n), dtype=np.float64) * step_s


def _samples(r: Recording, t_s: Floats) -> tuple[int, tuple[npt.NDArray[np.uint16], ...]]:
    angles = [
        np.round(np.interp(t_s, shaft.t_s, shaft.turns) * 65_536).astype(np.int64).astype(np.uint16)
        for shaft in (r.crank, r.cam)
    ]
    valid, loop = CRANK | CAM, np.zeros(len(t_s))
    if r.loop is not None:
        loop = np.interp(t_s, *r.loop)
        # A length that is missing in a row is none in the whole frame: a frame has one set of validity bits.
        valid |= LOOP if np.isfinite(loop).all() else 0
    return valid, (angles[0], angles[1], np.nan_to_num(loop).round().astype(np.uint16))
