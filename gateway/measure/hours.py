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

UNSEEN_TURNS, UNSEEN_S = 2.0, 2.0
"""Turns, and seconds at the present speed, that a count may be ahead of the seconds seen in a stream without a gap."""


class TurnCount(NamedTuple):
    """The head's count of turns at a health frame."""

    boot: int
    turns: int


class HoursMeter:
    """Counts hours under way, ahead and astern; the turning gear does not count.

    Time covered by samples counts by their speed. A gap counts by the turns the head counted meanwhile: whole, if they
    fit the speed before or after it; else as long as so many turns take at that speed (the engine was stopped for the
    rest). Without a count of turns a gap counts where the engine ran before it and after it.

    A burst may begin with a health frame, which then comes before the samples that show the gap. A count that the
    samples seen so far cannot have made is therefore kept for the gap it belongs to.
    """

    def __init__(self, hours: float, turning_rpm: float) -> None:
        self.hours = hours
        self._turning_rpm = turning_rpm
        self._mark: TurnCount | None = None
        self._seen_turns = 0.0
        self._gap_us = 0
        self._gap_turns: float | None = None
        self._after_gap: TurnCount | None = None
        self._heard_after_gap = False
        self._early: TurnCount | None = None
        self._early_seen_turns = 0.0
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
        if self._rpm >= self._turning_rpm:
            self.hours += span_us / 3.6e9
        if self._gap_us and (self._heard_after_gap or self._mark is None):
            self._settle()

    def gap(self, gap_us: int) -> None:
        """The samples missed `gap_us`; settled when the next count of turns and the next speed are known."""
        if self._gap_us == 0:
            self._rpm_before, self._gap_turns = self._rpm, None
            self.pause_rpm, self.ran_through = None, False
        self._gap_us += gap_us
        self._after_gap, self._early = self._early, None
        self._heard_after_gap = self._after_gap is not None
        if self._after_gap is not None:
            self._gap_turns = self._unseen_turns(self._after_gap)

    def health(self, boot: int, turns: int | None) -> None:
        """A health frame: the head's own count of whole turns since its start, `None` where not fitted."""
        now = TurnCount(boot, turns) if turns is not None else None
        unseen = self._unseen_turns(now)
        gap_s = self._gap_us / 1e6
        too_many = unseen is not None and unseen > UNSEEN_TURNS + (UNSEEN_S + gap_s) * self._rpm / 60
        # A long gap may hold any speed. A short one that is still open ended the burst before, and cannot have them.
        too_many = too_many and gap_s < SHORT_GAP_S
        if (too_many or self._is_of_another_gap(now)) and self._is_early():
            self._early, self._early_seen_turns = now, self._seen_turns
        elif self._gap_us:
            self._heard_after_gap, self._after_gap = True, now
            self._gap_turns = self._gap_turns if unseen is None else unseen
        else:
            self._mark, self._seen_turns, self._early = now, 0.0, None

    def _is_of_another_gap(self, now: TurnCount | None) -> bool:
        """The open gap has its count already, and since then too many turns were made: the samples have yet to show it.

        So it is where the gateway came up at the very end of a burst, and saw of it no second and one health frame.
        """
        before = self._after_gap
        if now is None or before is None or before.boot != now.boot:
            return False
        return (now.turns - before.turns) % U32 > UNSEEN_TURNS + UNSEEN_S * self._rpm / 60

    def _unseen_turns(self, now: TurnCount | None) -> float | None:
        if now is None or self._mark is None or self._mark.boot != now.boot:
            return None
        return max(0.0, (now.turns - self._mark.turns) % U32 - self._seen_turns)

    def _is_early(self) -> bool:
        """No samples have come since the first count that was too high; else no gap will explain it any more."""
        return self._early is None or self._seen_turns == self._early_seen_turns

    def _settle(self) -> None:
        gap_s = self._gap_us / 1e6
        ran_s = min(self._ran_s(gap_s), gap_s)
        self.hours += ran_s / 3600
        if self._gap_turns is not None and gap_s >= SPEED_GAP_S and ran_s == gap_s:
            self.pause_rpm = mean = self._gap_turns / gap_s * 60
            waves_only = all(abs(rpm - mean) <= WAVES_RPM for rpm in (self._rpm_before, self._rpm))
            self.ran_through = waves_only and gap_s <= RAN_THROUGH_S
        self._gap_us, self._gap_turns = 0, None
        self._mark, self._seen_turns = self._after_gap, 0.0
        self._after_gap, self._heard_after_gap = None, False

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
            "mark": tuple(self._mark) if self._mark else None,
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
        if isinstance(mark, list | tuple):
            self._mark = TurnCount(int(mark[0]), int(mark[1]))
