"""Running hours from the crank: seconds that were seen, and the head's count of turns for those that were not."""

from typing import NamedTuple

U32 = 1 << 32
SHORT_GAP_S = 10.0
"""Below this the count of turns, whole turns only, shows less than the speed on either side."""
SPEED_GAP_S = 300.0
"""From here on two turns too many or too few make the mean speed wrong by less than half a turn a minute."""
WAVES_RPM = 1.5
"""So far a burst's speed may lie from the mean by the seaway alone; further, and the speed was changed meanwhile."""
RAN_THROUGH_S = 7_200.0
"""In a longer gap a stop long enough for hands on the drive could hide within the waves."""
BEHIND_US = 60_000_000
"""From here on a reading waits a second for the gap's hours."""
EARLY_US = 5_000_000
"""A health frame so much later than the samples so far stands behind a gap that they have not shown yet; a second of
samples may be on its way."""


class TurnCount(NamedTuple):
    """The head's count of turns at a health frame. `head_us`: by the head's clock."""

    boot: int
    turns: int
    head_us: int


class HoursMeter:
    """Counts hours under way, ahead and astern; the turning gear does not count.

    Time covered by samples counts by their speed. A gap counts by the turns the head counted meanwhile: whole, if they
    fit the speed before or after it; else as long as so many turns take at that speed (the engine was stopped for the
    rest). Without a count of turns a gap counts where the engine ran before it and after it.

    A burst's health frame may be its first, and then comes before the samples that show the gap; or its last, and then
    comes just before the next gap. The head's clock shows on which side of a gap a count stands: what lies between two
    counts is the samples seen and the gaps shown, or there is a gap yet to come.
    """

    def __init__(self, hours: float, turning_rpm: float) -> None:
        self.hours = hours
        self._turning_rpm = turning_rpm
        self._count: TurnCount | None = None
        """The last count before the open gap, or the last of all."""
        self._since_us = 0
        """Time since that count: samples seen, and gaps."""
        self._seen_turns = 0.0
        self._gap_us = 0
        self._gap_turns: float | None = None
        self._after_gap: TurnCount | None = None
        self._heard_after_gap = False
        self._seen_at_after = 0.0
        self._seconds_after_gap = 0
        self._early: TurnCount | None = None
        self._rpm_before = self._rpm = 0.0
        self.pause_rpm: float | None = None
        """Mean speed over the last gap by the head's count; `None` if short or not run through."""

        self.ran_through = False
        """Over the last gap the engine ran at the speed of before and after it, by the head's count."""

    @property
    def behind(self) -> bool:
        """Is a gap of a minute or more still open while the engine runs? The next count of turns will add hours."""
        return self._gap_us >= BEHIND_US and self._rpm >= self._turning_rpm

    def second(self, rpm: float, span_us: int, turns: float) -> None:
        """A second of samples: signed mean speed, time covered, turns made (either way)."""
        self._rpm = abs(rpm)
        self._seen_turns += abs(turns)
        self._since_us += span_us
        if self._rpm >= self._turning_rpm:
            self.hours += span_us / 3.6e9
        if self._gap_us:
            self._seconds_after_gap += 1
            if self._heard_after_gap or self._count is None:
                self._settle()

    def gap(self, gap_us: int) -> None:
        """The samples missed `gap_us`; settled when the next count of turns and the next speed are known."""
        if self._heard_after_gap and self._gap_turns is not None and self._rpm >= self._turning_rpm:
            # A bit that flickers opens another gap before a second was seen: the first has its count.
            self._settle()
        if self._gap_us == 0:
            self._rpm_before, self._gap_turns = self._rpm, None
            self.pause_rpm, self.ran_through = None, False
        self._gap_us += gap_us
        self._since_us += gap_us
        self._seconds_after_gap = 0
        # A count between this gap and an open one before it holds no more: the next one is for both.
        self._after_gap, self._heard_after_gap = None, False
        # A bit that flickered in the burst's last half second opens a gap of its own before the pause is shown. The
        # pause itself takes the count in any case: the head's clock may have stepped, or samples be lost without a gap.
        if self._early is not None and (gap_us >= 1e6 * SHORT_GAP_S or not self._stands_behind_a_gap(self._early)):
            self._hear(self._early)
            self._early = None

    def health(self, boot: int, turns: int | None, head_us: int = 0) -> None:
        """A health frame: the head's own count of whole turns since its start, `None` where not fitted; its time."""
        now = None if turns is None else TurnCount(boot, turns, head_us)
        # Samples have come since the count before, and no gap that explains it: none will.
        waited = self._early is not None and self._gap_us > 0 and self._seconds_after_gap > 0
        if now is not None and not waited and self._stands_behind_a_gap(now):
            self._early = now
            return
        self._early = None
        if not self._gap_us:
            self._take(now)
            return
        self._hear(now)
        if self._seconds_after_gap:
            self._settle()

    def _hear(self, now: TurnCount | None) -> None:
        """A count behind the open gap."""
        self._heard_after_gap, self._after_gap, self._seen_at_after = True, now, self._seen_turns
        unseen = self._unseen_turns(now)
        self._gap_turns = self._gap_turns if unseen is None else unseen

    def _take(self, now: TurnCount | None) -> None:
        self._count, self._since_us, self._seen_turns = now, 0, 0.0

    def _stands_behind_a_gap(self, now: TurnCount) -> bool:
        """Has more time passed at the head since the last count than the samples and gaps shown so far explain?"""
        before = self._count
        if before is None or before.boot != now.boot:
            return False
        return now.head_us - before.head_us - self._since_us > EARLY_US

    def _unseen_turns(self, now: TurnCount | None) -> float | None:
        if now is None or self._count is None or self._count.boot != now.boot:
            return None
        return max(0.0, (now.turns - self._count.turns) % U32 - self._seen_turns)

    def _settle(self) -> None:
        gap_s = self._gap_us / 1e6
        ran_s = min(self._ran_s(gap_s), gap_s)
        self.hours += ran_s / 3600
        if self._gap_turns is not None and gap_s >= SPEED_GAP_S and ran_s == gap_s:
            self.pause_rpm = mean = self._gap_turns / gap_s * 60
            waves_only = all(abs(rpm - mean) <= WAVES_RPM for rpm in (self._rpm_before, self._rpm))
            self.ran_through = waves_only and gap_s <= RAN_THROUGH_S
        self._gap_us, self._gap_turns = 0, None
        before, now = self._count, self._after_gap
        since_us = 0
        if before is not None and now is not None and before.boot == now.boot:
            since_us = self._since_us - (now.head_us - before.head_us)
        self._count, self._since_us = now, since_us
        self._seen_turns -= self._seen_at_after
        self._after_gap, self._heard_after_gap, self._seen_at_after = None, False, 0.0

    def _ran_s(self, gap_s: float) -> float:
        speeds = [r for r in (self._rpm_before, self._rpm) if r >= self._turning_rpm]
        if self._gap_turns is None or gap_s < SHORT_GAP_S:
            return gap_s if len(speeds) == 2 else 0.0
        if not speeds:
            return gap_s if self._gap_turns / gap_s * 60 >= self._turning_rpm else 0.0
        if self._gap_turns >= 0.9 * min(speeds) / 60 * gap_s - 1:
            return gap_s
        return self._gap_turns / max(speeds) * 60

    def checkpoint(self) -> dict[str, object]:
        """Hours, and the head's count they belong to: turns made while nobody looked are caught up after a restart."""
        return {
            "hours": self.hours,
            "mark": tuple(self._count) if self._count else None,
            "since_us": self._since_us,
            "seen_turns": self._seen_turns,
            "rpm": self._rpm,
            "gap_us": self._gap_us,
            "rpm_before": self._rpm_before,
        }

    def restore(self, kept: dict[str, object]) -> None:
        """Go on from a checkpoint. A gap that was not settled yet is, with what comes."""
        self.hours = float(str(kept["hours"]))
        self._rpm, self._rpm_before = float(str(kept["rpm"])), float(str(kept["rpm_before"]))
        self._seen_turns = float(str(kept["seen_turns"]))
        self._gap_us = int(str(kept["gap_us"]))
        mark = kept.get("mark")
        # A checkpoint of before the head's clock was kept has no place in time: its gap is not distinguished by it.
        if isinstance(mark, list | tuple) and len(mark) == 3:
            self._count = TurnCount(int(mark[0]), int(mark[1]), int(mark[2]))
            self._since_us = int(str(kept.get("since_us", 0)))
