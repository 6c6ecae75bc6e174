"""Which frame follows which: the head's sequence, its boots, and its clock.

The sequence alone shows what is missing; head time alone shows whether samples join. They are kept apart: a health
frame in the middle of a gap moves the sequence on, and must not make the samples on its two sides look joined.

A number ahead of the last one by up to half the circle is a gap; one behind is an old frame, late or sent twice -
unless its head time is later than anything heard. Then the cable was out for long and the count has gone round: it is
a gap too, and counted in frames lost modulo 65,536. Old numbers that keep rising are a head that began its count
again without a new boot number; after a few it is believed.
"""

from gateway.link.breaks import Cause, StreamBreak
from gateway.link.counts import LinkCounts
from gateway.model.limits import OUT_OF_ORDER_FRAMES_MAX

HALF_CIRCLE = 32_768
PAUSE_US = 1_000_000
"""Samples that come so long after a break was reported have paused since."""
JITTER_NS = 1_000
"""Head time comes in whole µs: two neighbours may be out by one in all."""
SENDING_STEP_US = 10_000
"""Times of sending may be stamped a little out of order by the head's own queue; a clock that goes back by less than
this between two health frames does no harm to any figure made from them."""


def tolerance(interval_ns: int) -> int:
    """How far a frame's head time may lie from where the last frame puts it, ns, for its samples to join."""
    return max(interval_ns // 2, JITTER_NS)


class Continuity:
    """What the next frame must look like to follow the last; breaks go into `breaks`, which the caller empties."""

    __slots__ = (
        "boot",
        "breaks",
        "counts",
        "end_ns",
        "next_sequence",
        "old_next",
        "old_run",
        "reported_us",
        "sent_us",
        "whole",
    )

    def __init__(self, counts: LinkCounts) -> None:
        self.counts = counts
        self.breaks: list[StreamBreak] = []
        self.boot = -1
        self.next_sequence = -1
        self.end_ns = -1
        """When the sample after the last one is due; -1 = not known."""
        self.sent_us = -1
        """Head time of the last frame that was not samples; -1 = not known."""
        self.reported_us = -1
        """Head time up to which a break since the last sample has been reported; -1 = there was none."""
        self.whole = False
        """Nothing has broken since the last sample."""
        self.old_run = 0
        self.old_next = -1

    def follow(self, sequence: int, boot: int, head_us: int) -> bool:
        """Book a good frame's number. False: it is a duplicate or too old, and must be dropped."""
        if boot != self.boot:
            self._restart(sequence, boot, head_us)
            return True
        ahead = (sequence - self.next_sequence) & 0xFFFF
        if ahead and not self._catch_up(ahead, sequence, head_us):
            return False
        self.next_sequence = (sequence + 1) & 0xFFFF
        self.old_run = 0
        return True

    def _catch_up(self, ahead: int, sequence: int, head_us: int) -> bool:
        latest_us = max(self.sent_us, -(-self.end_ns // 1_000) if self.end_ns >= 0 else -1)
        if ahead < HALF_CIRCLE or head_us > latest_us >= 0:
            self.counts.lost += ahead
            self._break("lost", ahead, head_us, self._gap_us(head_us))
            self.reported_us = head_us
            return True
        if ahead == 0xFFFF:
            self.counts.duplicates += 1
            return False
        self.counts.out_of_order += 1
        rising = (sequence - self.old_next) & 0xFFFF < HALF_CIRCLE
        self.old_run = self.old_run + 1 if self.old_run and rising else 1
        self.old_next = (sequence + 1) & 0xFFFF
        if self.old_run < OUT_OF_ORDER_FRAMES_MAX:
            return False
        self._restart(sequence, self.boot, head_us)
        return True

    def _restart(self, sequence: int, boot: int, head_us: int) -> None:
        if self.boot >= 0:
            self.counts.boots += 1
            self._break("boot", 1, head_us, 0, boot)
        self.boot = boot
        self.next_sequence = (sequence + 1) & 0xFFFF
        self.end_ns = self.sent_us = self.reported_us = -1
        self.old_run = 0

    def sent(self, head_us: int) -> None:
        """Book the head time of a frame that is stamped with its sending."""
        if head_us < self.sent_us - SENDING_STEP_US:
            self.counts.time_steps += 1
            self._break("time-step", 1, head_us, head_us - self.sent_us)
            self.end_ns = -1
        self.sent_us = head_us

    def sampled(self, head_us: int, interval_ns: int, n: int) -> bool:
        """Book the head time of a followed sample frame. True: its first sample follows the last one heard."""
        joined = False
        if self.end_ns >= 0:
            off_ns = head_us * 1_000 - self.end_ns
            tolerance_ns = tolerance(interval_ns)
            if off_ns < -tolerance_ns:
                self.counts.time_steps += 1
                self._break("time-step", 1, head_us, off_ns // 1_000)
                self.sent_us = -1
            elif self.whole and off_ns > tolerance_ns:
                self.counts.pauses += 1
                self._break("pause", 1, head_us, off_ns // 1_000)
            elif not self.whole and head_us - self.reported_us > PAUSE_US and self.reported_us >= 0:
                # The last samples of a burst were lost and a health frame showed it: the pause comes after that.
                self.counts.pauses += 1
                self._break("pause", 1, head_us, head_us - self.reported_us)
            joined = self.whole
        self.end_ns = head_us * 1_000 + n * interval_ns
        self.reported_us = -1
        self.whole = True
        return joined

    def _gap_us(self, head_us: int) -> int:
        """Since the last sample, or since a frame lost after it: no time is reported twice."""
        return head_us - max(self.end_ns // 1_000, self.reported_us) if self.end_ns >= 0 else 0

    def _break(self, cause: Cause, count: int, head_us: int, gap_us: int, boot: int | None = None) -> None:
        self.whole = False
        self.breaks.append(StreamBreak(cause, count, head_us, self.boot if boot is None else boot, gap_us))
