"""Run a capture through the same pipeline and print what the daemon would publish, one JSON object a line."""

import argparse
import sys
import uuid
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from gateway.cli.progress import progress
from gateway.cli.replay_account import Account
from gateway.cli.text import note
from gateway.encode.messages import Topics, event_payload, utc_of
from gateway.encode.publish import encode_alarm, encode_reading, encode_trend
from gateway.measure.timeline import Now
from gateway.model.errors import Refused
from gateway.model.output import NewEvent
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.pipeline import AlarmChanged, EnginePipeline, Output, ReadingDue, TrendDue
from gateway.sources.capture_file import read_capture
from gateway.store.whole_file import write_whole

CHUNK_BYTES = 1 << 18
"""Small enough that a chunk's arrays stay in the cache, large enough that numpy's cost a call does not count."""
NAMESPACE = uuid.UUID("6f0d8a52-3c1b-4d0e-9a54-2b7a1f6f2c11")
"""Ours, drawn once: the replayed gateway's id follows from the vessel's slug: same bytes, same output."""


def main(args: argparse.Namespace) -> int:
    """Replay, then sum up on stderr. 1 where the capture holds no good frame, or is of another head."""
    settings = load_settings(args.config)
    try:
        start_utc_s = utc_of(args.start)
    except ValueError as e:
        raise Refused(f"--start: {e}; give a UTC such as 2031-02-03T04:05:00Z") from None
    if args.plot is not None and args.plot.suffix.lower() != ".svg":
        raise Refused(f"--plot {args.plot}: give a name that ends in .svg")
    slug = _engine(settings, args.engine)
    pipeline = pipeline_for(settings, slug, start_utc_s)
    topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
    lines = Lines(topics, slug, settings.vessel.slug, readings=args.readings)
    account, done = Account(keep=args.plot is not None), 0
    chunks = read_capture(args.capture, CHUNK_BYTES)
    with progress(f"replay of {args.capture.name}", _bytes_of(args.capture), lines_on_stdout=True) as moved:
        for chunk in chunks:
            outputs = list(pipeline.feed(chunk, Now(0.0, 0.0)))
            sys.stdout.buffer.writelines(lines.of(outputs))
            account.take(outputs)
            done += len(chunk)
            moved(done)
    _sum_up(pipeline)
    for line in account.lines():
        note(line)
    if args.plot is not None:
        _draw(args.plot, account, pipeline)
    if pipeline.presence.is_wrong:
        note(f"camdrift: {pipeline.presence.wrong_text}")
        return 1
    return 0 if pipeline.decoder.counts.good else 1


def _bytes_of(path: Path) -> float | None:
    """Of a regular file; `None` for a pipe, whose end nobody knows."""
    return path.stat().st_size or None if path.is_file() else None


def _draw(path: Path, account: Account, pipeline: EnginePipeline) -> None:
    try:
        drawing = account.drawing(pipeline.engine)
    except ValueError as e:
        raise Refused(f"--plot {path}: {e}; check the capture, then --engine") from None
    write_whole(path, drawing.encode())
    note(f"drawn: {path}")


def pipeline_for(settings: Settings, engine: str, start_utc_s: float) -> EnginePipeline:
    """The pipeline of an engine with head time as its clock."""
    head_time = replace(settings.time, source="head")
    return EnginePipeline(replace(settings, time=head_time), engine, start_utc_s)


class Lines:
    """Turns output into lines; counts the events as an outbox would."""

    def __init__(self, topics: Topics, engine: str, vessel: str, *, readings: bool) -> None:
        self._topics, self._engine, self._readings = topics, engine, readings
        self._gateway = str(uuid.uuid5(NAMESPACE, vessel))
        self._seq = 0

    def of(self, outputs: Iterable[Output]) -> list[bytes]:
        """The lines, each with its newline."""
        lines: list[bytes] = []
        for output in outputs:
            if isinstance(output, AlarmChanged):
                event, state = encode_alarm(self._topics, output)
                lines += (self._event(event), _line(state.topic, state.payload))
            elif isinstance(output, TrendDue):
                trend = encode_trend(self._topics, self._engine, output)
                lines.append(_line(trend.topic, trend.payload))
            elif isinstance(output, ReadingDue) and self._readings:
                lines.append(_line(*encode_reading(self._topics, self._engine, output)))
        return lines

    def _event(self, event: NewEvent) -> bytes:
        self._seq += 1
        return _line(event.topic, event_payload(self._gateway, self._seq, event.body))


def _line(topic: str, payload: bytes) -> bytes:
    # A topic holds nothing that JSON would escape: slugs and tags.
    return b'{"topic":"' + topic.encode() + b'","message":' + payload + b"}\n"


def _engine(settings: Settings, wanted: str | None) -> str:
    slugs = [e.slug for e in settings.engine]
    if wanted is None and len(slugs) > 1:
        raise Refused(f"there are several engines; name one with --engine: {', '.join(slugs)}")
    if wanted is not None and wanted not in slugs:
        raise Refused(f"--engine {wanted}: not among the engines: {', '.join(slugs)}")
    return wanted or slugs[0]


def _sum_up(p: EnginePipeline) -> None:
    c = p.decoder.counts
    note(f"frames      {c.good} good: {c.samples} samples, {c.health} health, {c.identity} identity")
    losses = {
        "lost": c.lost,
        "duplicate": c.duplicates,
        "out of order": c.out_of_order,
        "head restarts": c.boots,
        "time steps": c.time_steps,
        "pauses": c.pauses,
        "cut at the start": c.partial_first,
        **{f"refused, {cause}": n for cause, n in c.refused.items()},
    }
    note("losses      " + (", ".join(f"{n} {cause}" for cause, n in losses.items() if n) or "none"))
    refused = ", ".join(f"{n} {cause}" for cause, n in sorted(p.meter.refused.items())) or "none"
    note(f"revolutions {p.meter.used} used; refused: {refused}")
    hours = p.meter.hours.hours
    note(f"hours       {hours:,.3f}, of them {hours - p.engine.service.hours_at_start:,.3f} in this capture")
    if c.good == 0:
        note("no valid data: this is not a capture of the head's link, version 1")
