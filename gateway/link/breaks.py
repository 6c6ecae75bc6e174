"""Where the stream of samples breaks, in its place in the stream."""

from dataclasses import dataclass
from typing import Literal

Cause = Literal["lost", "boot", "time-step", "pause"]


@dataclass(frozen=True, slots=True)
class StreamBreak:
    """A break: what comes after it does not join what came before it.

    `cause`: `lost`, frames are missing from the sequence; `boot`, the head started again; `time-step`, its clock went
    back; `pause`, the sequence is whole but time went on without samples (every burst ends in one). `count`: frames
    lost, else 1. `head_us`, `boot`: of the frame that showed the break. `gap_us`: head time minus what was expected,
    0 where that is not known. One break may have two records (frames lost and a clock gone back).
    """

    cause: Cause
    count: int
    head_us: int
    boot: int
    gap_us: int = 0
