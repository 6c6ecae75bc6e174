"""Bytes of the head's link in, records out. No I/O, no clock: the same bytes always give the same records.

The stream is cut at its zero bytes. Each piece has its COBS undone and its CRC proven before any of its fields is
looked at; from there on nothing but the head itself can have written it. A piece is then good, or refused and counted
by cause; either way the next zero byte begins a new one, so no fault outlives its own frame.

Nearly all frames are samples that simply follow the last ones. The loop in `_take` tries for exactly that with a
handful of comparisons, and leaves everything else to `_other`, which judges a frame field by field. Where many come at
once, `plain` tries for all of them first.
"""

from collections.abc import Iterator
from itertools import chain
from zlib import crc32

from cobs.cobs import DecodeError
from cobs.cobs import decode as uncobs

from gateway.link.blocks import Frames, OpenBlock, SampleRun, block_of, separated
from gateway.link.breaks import StreamBreak
from gateway.link.continuity import Continuity
from gateway.link.counts import LinkCounts, Refusal
from gateway.link.frames import (
    CRC_BYTES,
    CRC_RESIDUE,
    HEAD_US_MAX,
    HEADER,
    KIND_IDENTITY,
    KIND_SAMPLES,
    SAMPLE_BYTES,
    SAMPLES_BYTES_FIXED,
    SAMPLES_HEAD,
    parse_health,
    parse_identity,
    refusal,
)
from gateway.link.plain import plain
from gateway.model.limits import FRAME_BYTES_MAX, SAMPLES_PER_FRAME_MAX
from gateway.model.records import CAM_VALID, CRANK_VALID, LOOP_VALID, Health, Identity, SampleBlock

Piece = Frames | Identity | Health | StreamBreak | SampleRun
"""What a feed completes: samples not yet in arrays, or a whole run where nothing was amiss."""
Item = SampleBlock | Identity | Health | StreamBreak

SLICE_BYTES = 1 << 20
"""A feed is split in such slices, so that the pieces of a whole capture are never all held at once."""

VALID_BITS = CRANK_VALID | CAM_VALID | LOOP_VALID


class Decoder:
    """One head's link. `counts`: what has been seen so far.

    Holds at most one unfinished frame (`FRAME_BYTES_MAX` bytes) between feeds. Never raises, whatever the bytes.
    """

    def __init__(self) -> None:
        self.counts = LinkCounts()
        self._line = Continuity(self.counts)
        self._block = OpenBlock()
        self._pending = b""
        self._skipping = False
        self._first = True

    def feed(self, data: bytes | bytearray | memoryview) -> list[Item]:
        """As `gather`, each stretch of samples as a block of arrays, and all else between them where it stood."""
        return [item for piece in self.gather(data) for item in _items(piece)]

    def gather(self, data: bytes | bytearray | memoryview, known: Identity | None = None) -> list[Piece]:
        """Take the next bytes of the stream, any number; give what they complete, in the stream's order.

        However the stream is cut into feeds, the samples, breaks, records and counts are the same, and only the borders
        between `joined` stretches of samples move. `known`: who the head is known to be.
        """
        view = memoryview(data).cast("B")
        self.counts.bytes += len(view)
        items: list[Piece] = []
        for at in range(0, len(view), SLICE_BYTES):
            # A slice may name another head; the next is not compared with this one.
            self._slice(bytes(view[at : at + SLICE_BYTES]), known if at == 0 else None, items)
        self._close(items)
        return items

    def reopened(self) -> None:
        """The port was closed and is open again: what was pending is void, and the next piece may be a cut frame."""
        self._pending = b""
        self._skipping = False
        self._first = True

    def _slice(self, data: bytes, known: Identity | None, items: list[Piece]) -> None:
        pieces = (self._pending + data).split(b"\0")
        self._pending = pieces.pop()
        if pieces:
            first = pieces[0]
            if self._skipping or self._first:
                pieces[0] = b""
            if not self._skipping and self._first and first:
                self._take([first], items)
            self._skipping = self._first = False
            pieces = [piece for piece in pieces if piece]
            if runs := plain(pieces, self._line, self._block, known):
                self._close(items)
                self._book(runs, len(pieces))
                items += runs
            else:
                self._take(pieces, items)
        if self._skipping:
            self._pending = b""
        elif len(self._pending) > FRAME_BYTES_MAX:
            self.counts.refused["overlong"] += 1
            self._pending = b""
            self._skipping = True

    def _book(self, runs: list[SampleRun], frames: int) -> None:
        """Go on from where plain runs end."""
        line, counts, block = self._line, self.counts, runs[-1].block
        assert block is not None
        for _, frame in chain.from_iterable(run.interleaved for run in runs):
            if isinstance(frame, Health):
                counts.health += 1
            else:
                counts.identity += 1
            line.sent_us = frame.head_us
        counts.samples += len(block.starts)
        last_n = len(block.crank) - int(block.starts[-1])
        line.end_ns = int(block.head_us[-1]) * 1_000 + last_n * block.interval_ns
        line.next_sequence = (line.next_sequence + frames) & 0xFFFF
        line.old_run = 0

    def _take(self, pieces: list[bytes], items: list[Piece]) -> None:
        line, block = self._line, self._block
        bodies, heads_us, sizes = block.bodies, block.heads_us, block.sizes
        unpack = SAMPLES_HEAD.unpack_from
        for piece in pieces:
            if len(piece) > FRAME_BYTES_MAX:
                self.counts.refused["overlong"] += 1
                continue
            try:
                frame = uncobs(piece)
            except DecodeError:
                self._refuse_cut("length")
                continue
            if crc32(frame) != CRC_RESIDUE:
                self._refuse_cut("crc" if len(frame) >= CRC_BYTES else "length")
                continue
            if len(frame) > SAMPLES_BYTES_FIXED and line.whole:
                version, kind, sequence, boot, head_us, interval_ns, n, valid, _ = unpack(frame)
                if (
                    kind == KIND_SAMPLES
                    and version == 1
                    and sequence == line.next_sequence
                    and boot == block.boot
                    and interval_ns == block.interval_ns
                    and valid == block.valid
                    and len(frame) == SAMPLES_BYTES_FIXED + SAMPLE_BYTES * n
                    and n <= SAMPLES_PER_FRAME_MAX
                    and head_us <= HEAD_US_MAX
                    and -block.tolerance_ns <= head_us * 1_000 - line.end_ns <= block.tolerance_ns
                ):
                    line.old_run = 0
                    line.next_sequence = (sequence + 1) & 0xFFFF
                    line.end_ns = head_us * 1_000 + n * interval_ns
                    bodies.append(frame[SAMPLES_HEAD.size : -CRC_BYTES])
                    heads_us.append(head_us)
                    sizes.append(n)
                    continue
            self._other(frame, items)
            bodies, heads_us, sizes = block.bodies, block.heads_us, block.sizes

    def _refuse_cut(self, cause: Refusal) -> None:
        """Refuse a piece whose fields cannot be trusted; at the start of a stream a cut one is to be expected."""
        if self._first:
            self.counts.partial_first += 1
        else:
            self.counts.refused[cause] += 1

    def _other(self, frame: bytes, items: list[Piece]) -> None:
        """A frame with a true CRC that is not simply the next samples."""
        cause = refusal(frame)
        if cause:
            self.counts.refused[cause] += 1
        if cause == "version" or len(frame) < HEADER.size + CRC_BYTES:
            return
        _, kind, sequence, boot, head_us = HEADER.unpack_from(frame)
        if head_us <= HEAD_US_MAX and self._line.follow(sequence, boot, head_us):
            if cause in ("length", "interval", "absurd"):
                self._close_at_break(items)
            elif kind == KIND_SAMPLES:
                self._samples(frame, items)
            else:
                self._line.sent(head_us)
                self._close_at_break(items)
                if not cause:
                    self._hand_out(kind, frame, items)

    def _hand_out(self, kind: int, frame: bytes, items: list[Piece]) -> None:
        self._close(items)
        if kind == KIND_IDENTITY:
            self.counts.identity += 1
            items.append(parse_identity(frame))
        else:
            self.counts.health += 1
            items.append(parse_health(frame))

    def _samples(self, frame: bytes, items: list[Piece]) -> None:
        block = self._block
        _, _, _, boot, head_us, interval_ns, n, bits, _ = SAMPLES_HEAD.unpack_from(frame)
        valid = bits & VALID_BITS
        joined = self._line.sampled(head_us, interval_ns, n)
        self._close_at_break(items)
        joined = joined and interval_ns == block.interval_ns
        if not (block.bodies and joined and valid == block.valid):
            self._close(items)
            block.begin(boot, interval_ns, valid, joined)
        block.add(frame[SAMPLES_HEAD.size : -CRC_BYTES], head_us, n)

    def _close_at_break(self, items: list[Piece]) -> None:
        """Put the breaks where they belong in the stream: after the samples before the break."""
        if self._line.breaks:
            self._close(items)
            items.extend(self._line.breaks)
            self._line.breaks.clear()

    def _close(self, items: list[Piece]) -> None:
        if self._block.bodies:
            self.counts.samples += len(self._block.bodies)
            items.append(self._block.take())


def _items(piece: Piece) -> Iterator[Item]:
    if isinstance(piece, Frames):
        yield block_of([piece])
    elif isinstance(piece, SampleRun):
        yield from separated(piece)
    else:
        yield piece
