"""What follows what: gaps, boots, pauses, clocks that step, and frames that come twice or late."""

import struct

import numpy as np
import pytest
from head_writer import HeadWriter, frame

from gateway.link import Decoder, Item, StreamBreak
from gateway.model.limits import OUT_OF_ORDER_FRAMES_MAX
from gateway.model.records import Health, SampleBlock


def marks(items: list[Item]) -> list[tuple[str, int]]:
    return [(item.cause, item.count) for item in items if isinstance(item, StreamBreak)]


def blocks(items: list[Item]) -> list[SampleBlock]:
    return [item for item in items if isinstance(item, SampleBlock)]


def rows(items: list[Item]) -> list[tuple[int, int, int]]:
    return [row for b in blocks(items) for row in zip(b.crank.tolist(), b.cam.tolist(), b.loop.tolist(), strict=True)]


def test_frames_in_a_row_make_one_block() -> None:
    """Frames that follow each other in one feed come as one block, with each frame's place and head time."""
    w = HeadWriter(head_us=5_000)
    items = Decoder().feed(w.ramp(50) + w.ramp(3) + w.ramp(256))
    (block,) = blocks(items)
    assert block.starts.tolist() == [0, 50, 53]
    assert block.head_us.tolist() == [5_000, 105_000, 111_000]
    assert rows(items) == w.sent
    assert block.crank.dtype == np.uint16 and block.head_us.dtype == np.int64
    assert not block.joined


def test_block_does_not_pin_or_share_its_input() -> None:
    """What is handed out stays as it was when the caller's buffer is written over."""
    w = HeadWriter()
    buffer = bytearray(w.ramp(5))
    items = Decoder().feed(memoryview(buffer))
    buffer[:] = b"\xff" * len(buffer)
    assert rows(items) == w.sent


def test_next_feed_is_joined() -> None:
    """A block of a later feed says that it follows, and so does one behind a health frame; order is the stream's."""
    w = HeadWriter()
    decoder = Decoder()
    first = decoder.feed(w.ramp())
    second = decoder.feed(w.ramp() + w.health() + w.identity() + w.ramp())
    assert [type(i).__name__ for i in second] == ["SampleBlock", "Health", "Identity", "SampleBlock"]
    assert [b.joined for b in blocks(first + second)] == [False, True, True]


def test_valid_bits_cut_the_block_not_the_samples() -> None:
    """Other validity begins another block that still follows the one before."""
    w = HeadWriter()
    items = Decoder().feed(w.ramp(4) + w.ramp(4, valid=5) + w.ramp(4, valid=0xFD))
    assert [(b.valid, b.joined, b.crank.size) for b in blocks(items)] == [(7, False, 4), (5, True, 8)]


def test_other_interval_does_not_join() -> None:
    """Samples at another interval are never joined to the ones before."""
    w = HeadWriter()
    data = w.ramp(4)
    w.interval_ns = 1_000_000
    items = Decoder().feed(data + w.ramp(4))
    assert [b.joined for b in blocks(items)] == [False, False]


def test_lost_frames_are_counted_once_across_the_wrap() -> None:
    """A gap in sequence that spans 65535 to 0 is counted in frames, marked where it stands, and joins nothing."""
    w = HeadWriter(sequence=65_533)
    data = w.ramp()
    for _ in range(4):
        w.ramp()
    decoder = Decoder()
    items = decoder.feed(data + w.ramp() + w.ramp())
    assert [type(i).__name__ for i in items] == ["SampleBlock", "StreamBreak", "SampleBlock"]
    assert marks(items) == [("lost", 4)] and decoder.counts.lost == 4
    assert [b.joined for b in blocks(items)] == [False, False]
    assert next(i for i in items if isinstance(i, StreamBreak)).gap_us == 4 * 100_000


@pytest.mark.parametrize("lost_in_a_row", [1, 2, 5])
def test_no_time_is_told_twice_where_health_frames_come_between_lost_samples(lost_in_a_row: int) -> None:
    """Frames of samples lost in a row, a health frame behind each: the gaps told make up the time that is missing."""
    w = HeadWriter()
    data = w.ramp() + w.health()
    for _ in range(lost_in_a_row):
        w.ramp()
        data += w.health()
    items = Decoder().feed(data + w.ramp() + w.ramp())
    assert [i.gap_us for i in items if isinstance(i, StreamBreak)] == [100_000] * lost_in_a_row


def test_gap_seen_by_a_health_frame_is_not_joined_over() -> None:
    """A gap shown by a health frame still cuts the samples behind it, and is not counted again."""
    w = HeadWriter()
    data = w.ramp()
    w.ramp()
    decoder = Decoder()
    items = decoder.feed(data + w.health() + w.ramp())
    assert [type(i).__name__ for i in items] == ["SampleBlock", "StreamBreak", "Health", "SampleBlock"]
    assert not blocks(items)[1].joined and decoder.counts.lost == 1 and decoder.counts.pauses == 0


def test_frame_of_unknown_kind_keeps_its_number() -> None:
    """A kind that is skipped is not also counted as lost, and the samples on its two sides join."""
    w = HeadWriter()
    decoder = Decoder()
    items = decoder.feed(w.ramp() + frame(w.header(9) + b"abc") + w.ramp())
    assert decoder.counts.refused["kind"] == 1 and decoder.counts.lost == 0
    (block,) = blocks(items)
    assert block.crank.size == 100


def test_duplicates_are_dropped() -> None:
    """A frame that comes twice in a row is heard once and counted, and what follows still joins."""
    w = HeadWriter()
    one, two, three = w.ramp(), w.ramp(), w.ramp()
    decoder = Decoder()
    items = decoder.feed(one + two + two + two + three)
    assert rows(items) == w.sent and marks(items) == []
    assert decoder.counts.duplicates == 2 and decoder.counts.samples == 3


def test_late_frames_are_dropped() -> None:
    """A frame older than the last one is dropped and counted; the samples around it still join."""
    w = HeadWriter()
    one, two, three, four = w.ramp(), w.ramp(), w.ramp(), w.ramp()
    decoder = Decoder()
    items = decoder.feed(one + two + three + one + two + four)
    assert rows(items) == w.sent and decoder.counts.out_of_order == 2
    assert [b.crank.size for b in blocks(items)] == [200]


def test_new_boot_number_is_a_new_start() -> None:
    """A head that starts anew is marked once, its old sequence and clock are forgotten, and nothing joins."""
    w = HeadWriter()
    data = w.ramp()
    again = HeadWriter(boot=8, sequence=40_000, head_us=10)
    decoder = Decoder()
    items = decoder.feed(data + again.ramp() + again.ramp())
    assert marks(items) == [("boot", 1)]
    assert [(b.boot, b.joined, b.crank.size) for b in blocks(items)] == [(7, False, 50), (8, False, 100)]
    assert (decoder.counts.boots, decoder.counts.lost, decoder.counts.time_steps) == (1, 0, 0)


def test_restart_without_new_boot_number_is_believed() -> None:
    """Old numbers that keep rising are dropped a few times, then taken as a new start: never deaf for good."""
    w = HeadWriter(sequence=1_000, head_us=10**9)
    decoder = Decoder()
    decoder.feed(w.ramp())
    again = HeadWriter(sequence=0, head_us=0)
    items = decoder.feed(b"".join(again.ramp() for _ in range(OUT_OF_ORDER_FRAMES_MAX + 2)))
    assert marks(items) == [("boot", 1)]
    assert rows(items) == again.sent[(OUT_OF_ORDER_FRAMES_MAX - 1) * 50 :]
    assert decoder.counts.out_of_order == OUT_OF_ORDER_FRAMES_MAX


def test_long_silence_past_half_the_circle_is_a_gap() -> None:
    """A cable out for so long that the count has gone more than half round loses nothing of what comes after it."""
    w = HeadWriter(sequence=10)
    data = w.ramp()
    w.sequence, w.head_us = 10 + 50_000, w.head_us + 5_000 * 10**6
    decoder = Decoder()
    items = decoder.feed(data + w.ramp())
    assert len(rows(items)) == 100
    assert decoder.counts.lost == 49_999 and decoder.counts.out_of_order == 0


def test_pause_between_bursts() -> None:
    """Whole sequence, later head time: a pause, marked with its length, and no loss."""
    w = HeadWriter()
    data = w.ramp()
    w.head_us += 594_000_000
    decoder = Decoder()
    items = decoder.feed(data + w.health() + w.ramp())
    assert marks(items) == [("pause", 1)] and decoder.counts.lost == 0
    assert not blocks(items)[1].joined
    assert next(i for i in items if isinstance(i, StreamBreak)).gap_us == 594_000_000


def test_pause_after_a_burst_whose_end_was_lost() -> None:
    """A health frame has told of the lost samples; the pause behind it is told from there, with its length."""
    w = HeadWriter()
    data = w.ramp()
    w.ramp()
    data += w.health()
    reported_us = w.head_us
    w.head_us += 594_000_000
    decoder = Decoder()
    items = decoder.feed(data + w.ramp())
    lost, pause = [i for i in items if isinstance(i, StreamBreak)]
    assert lost == StreamBreak("lost", 1, reported_us, w.boot, 100_000)
    assert pause == StreamBreak("pause", 1, reported_us + 594_000_000, w.boot, 594_000_000)
    assert decoder.counts.pauses == 1


def test_clock_that_goes_back() -> None:
    """A head time that steps back is marked and counted once, though samples and health both show it."""
    w = HeadWriter(head_us=10**10)
    data = w.ramp() + w.health()
    w.head_us -= 3_600_000_000
    decoder = Decoder()
    items = decoder.feed(data + w.ramp() + w.health() + w.ramp())
    assert marks(items) == [("time-step", 1)] and decoder.counts.time_steps == 1
    assert [b.joined for b in blocks(items)] == [False, False, True]


def test_clock_that_goes_back_shown_by_health() -> None:
    """The same where the health frame comes first: the samples behind it do not join and are not counted again."""
    w = HeadWriter(head_us=10**10)
    data = w.ramp() + w.health()
    w.head_us -= 3_600_000_000
    decoder = Decoder()
    items = decoder.feed(data + w.health() + w.ramp() + w.ramp())
    assert marks(items) == [("time-step", 1)] and decoder.counts.time_steps == 1
    assert [b.joined for b in blocks(items)] == [False, False]


def test_rounding_of_head_time_joins() -> None:
    """Head time in whole µs beside an interval that is not: a thousand frames still join."""
    w = HeadWriter(interval_ns=1_953_125)
    data = bytearray()
    for i in range(1_000):
        w.head_us = (i * 7 * w.interval_ns) // 1_000
        data += w.ramp(7)
    items = Decoder().feed(data)
    assert marks(items) == [] and sum(b.crank.size for b in blocks(items)) == 7_000
    assert [b.joined for b in blocks(items)] == [False] + [True] * (len(blocks(items)) - 1)


def test_head_time_beyond_what_is_exact_is_refused() -> None:
    """Head time past 2**53 µs is refused with its cause; it neither raises nor reaches the arrays."""
    w = HeadWriter(head_us=2**64 - 1)
    decoder = Decoder()
    assert decoder.feed(w.ramp(1) + w.health(2**63)) == []
    assert decoder.counts.refused["absurd"] == 2


def test_name_of_the_head_is_made_printable() -> None:
    """Control characters and bad UTF-8 in a head's name do not reach a log."""
    w = HeadWriter()
    (item,) = Decoder().feed(w.identity(b"a\x1b[2J\xff\nb"))
    assert getattr(item, "name", "") == "a�[2J��b"


def test_first_piece_may_be_cut() -> None:
    """The tail of a frame at the start of a stream is no fault; later the same bytes are one."""
    w = HeadWriter()
    tail = w.ramp()[40:]
    decoder = Decoder()
    decoder.feed(tail + w.ramp())
    assert (decoder.counts.partial_first, decoder.counts.refused_total, decoder.counts.samples) == (1, 0, 1)
    decoder.feed(tail)
    assert (decoder.counts.partial_first, decoder.counts.refused_total) == (1, 1)


def test_reopened_port_drops_what_was_pending() -> None:
    """After the port was away the unfinished frame is void and the next piece may be cut; sequence goes on."""
    w = HeadWriter()
    decoder = Decoder()
    whole, cut, after = w.ramp(), w.ramp(), w.ramp()
    decoder.feed(whole + cut[:100])
    decoder.reopened()
    items = decoder.feed(cut[200:] + after)
    assert marks(items) == [("lost", 1)]
    assert (decoder.counts.partial_first, decoder.counts.refused_total) == (1, 0)


def test_health_is_not_samples() -> None:
    """A health frame keeps its own fields when it stands between samples."""
    w = HeadWriter()
    items = Decoder().feed(w.ramp() + w.health(turns=77) + w.ramp())
    (health,) = [i for i in items if isinstance(i, Health)]
    assert (health.crank_turns, health.casing_c) == (77, 55.3)


def test_head_restarted_with_fitting_number_and_time() -> None:
    """A new boot whose number and head time happen to fit the old ones' is still a new start."""
    w = HeadWriter()
    data = w.ramp()
    w.boot += 1
    items = Decoder().feed(data + w.ramp())
    assert marks(items) == [("boot", 1)] and [b.joined for b in blocks(items)] == [False, False]


@pytest.mark.parametrize("cause", ["version", "length", "absurd"])
def test_wrong_frame_that_fits_in_all_else(cause: str) -> None:
    """In the middle of samples, a frame next in number and time but of another version, with more samples than are
    allowed, or past the last head time, is refused all the same."""
    w = HeadWriter(head_us=2**53 - 50_000 if cause == "absurd" else 0)
    good = w.ramp(50)
    if cause == "version":
        wrong = frame(w.header(2, version=2) + struct.pack("<IHBB", w.interval_ns, 1, 7, 0) + bytes(6))
    else:
        wrong = w.ramp(257 if cause == "length" else 1)
    decoder = Decoder()
    items = decoder.feed(good + wrong)
    assert len(rows(items)) == 50
    assert [c for c, n in decoder.counts.refused.items() if n] == [cause]


def test_clock_that_goes_back_without_samples() -> None:
    """A head that sends no samples shows its clock's step by its health frames; a stamp a little early is none."""
    w = HeadWriter()
    decoder = Decoder()
    items = decoder.feed(w.health(9_000_000) + w.health(8_999_000) + w.health(1_000))
    assert marks(items) == [("time-step", 1)]
    assert [type(i).__name__ for i in items] == ["Health", "Health", "StreamBreak", "Health"]


@pytest.mark.parametrize("between", ["samples", "health"])
def test_late_frames_with_a_good_one_between_are_no_restart(between: str) -> None:
    """Late frames are only believed to be a restart when nothing in order comes between them."""
    w = HeadWriter()
    late = [w.ramp() for _ in range(2 * OUT_OF_ORDER_FRAMES_MAX - 2)]
    decoder = Decoder()
    decoder.feed(b"".join(late) + w.ramp())
    half = len(late) // 2
    first = w.ramp()
    next_one = w.ramp() if between == "samples" else w.health()
    items = decoder.feed(first + b"".join(late[:half]) + next_one + b"".join(late[half:]) + w.ramp())
    assert marks(items) == [] and decoder.counts.boots == 0
    assert decoder.counts.out_of_order == len(late)


def whole_marks(items: list[Item]) -> list[StreamBreak]:
    return [item for item in items if isinstance(item, StreamBreak)]


def test_marks_tell_where_when_and_whose() -> None:
    """Each mark has its frame's head time and boot, a boot's mark the new number, and the gap in whole microseconds."""
    w = HeadWriter(boot=0, head_us=0)
    data = w.ramp(50)
    w.ramp(50)
    data += w.ramp(50)
    w.head_us += 7_000_003
    stepped_us = w.head_us
    data += w.ramp(50)
    again = HeadWriter(boot=4, sequence=9, head_us=70)
    decoder = Decoder()
    items = decoder.feed(data + again.ramp(50))
    lost, pause, boot = whole_marks(items)
    assert lost == StreamBreak("lost", 1, 200_000, 0, 100_000)
    assert (pause.head_us, pause.boot, pause.gap_us) == (stepped_us, 0, 7_000_003)
    assert boot == StreamBreak("boot", 1, 70, 4, 0)
    assert (decoder.counts.boots, decoder.counts.lost, decoder.counts.pauses) == (1, 1, 1)


def test_losses_add_up() -> None:
    """Two gaps of different lengths are their sum in the counts."""
    w = HeadWriter()
    data = w.ramp()
    for n in (2, 3):
        for _ in range(n):
            w.ramp()
        data += w.ramp()
    decoder = Decoder()
    items = decoder.feed(data)
    assert decoder.counts.lost == 5 and marks(items) == [("lost", 2), ("lost", 3)]


def test_a_first_frame_at_the_beginning_of_time() -> None:
    """Head time nought and boot nought are times and boots like any other: what follows joins, what is lost is seen."""
    w = HeadWriter(boot=0, sequence=0, head_us=0)
    data = w.health(0) + w.ramp(1) + w.ramp(1)
    w.ramp(1)
    decoder = Decoder()
    items = decoder.feed(data + w.ramp(1))
    assert [b.joined for b in blocks(items)] == [False, False]
    assert [b.crank.size for b in blocks(items)] == [2, 1]
    assert marks(items) == [("lost", 1)] and decoder.counts.boots == 0


def test_a_gap_before_any_samples_has_no_length() -> None:
    """Between two health frames with one missing nothing says how long it was."""
    w = HeadWriter()
    data = w.health()
    w.health()
    (mark,) = whole_marks(Decoder().feed(data + w.health()))
    assert (mark.cause, mark.count, mark.gap_us) == ("lost", 1, 0)


def test_counts_since_a_snapshot_are_differences() -> None:
    """Of every kind, and of each cause of refusal, with what was there before taken away."""
    w = HeadWriter()
    decoder = Decoder()
    long = b"\x01" * 5_000 + b"\0"
    unknown = frame(w.header(9) + b"abc")
    decoder.feed(w.ramp() + long + unknown + long)
    before = decoder.counts.snapshot()
    decoder.feed(w.ramp() + w.health() + frame(w.header(9)) + long + long + long)
    added = decoder.counts.since(before)
    assert (before.refused["overlong"], before.refused["kind"], before.samples) == (2, 1, 1)
    assert (added.refused["overlong"], added.refused["kind"], added.samples, added.health) == (3, 1, 1, 1)
    assert decoder.counts.refused["overlong"] == 5


def test_the_last_microsecond_that_is_held() -> None:
    """2**53 µs is still a time; one more is refused as one."""
    for head_us, refused in ((2**53, 0), (2**53 + 1, 1)):
        decoder = Decoder()
        decoder.feed(HeadWriter().health(head_us))
        assert (decoder.counts.refused["absurd"], decoder.counts.health) == (refused, 1 - refused)


def test_a_version_alone_is_told_as_one() -> None:
    """One byte with a true CRC and another version than 1; with version 1 it is only too short."""
    for byte, cause in ((b"\x02", "version"), (b"\x01", "length")):
        decoder = Decoder()
        decoder.feed(b"\0" + frame(byte))
        assert {c: n for c, n in decoder.counts.refused.items() if n} == {cause: 1}


def test_arrays_are_of_the_promised_kinds() -> None:
    """Angles and loop as uint16 in their own memory, head times and starts as int64, whatever machine this is."""
    (block,) = blocks(Decoder().feed(HeadWriter().ramp(5)))
    for column in (block.crank, block.cam, block.loop):
        assert column.dtype == np.dtype("=u2") and column.flags["C_CONTIGUOUS"]
    assert block.head_us.dtype == block.starts.dtype == np.int64
