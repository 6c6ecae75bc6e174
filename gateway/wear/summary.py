"""What the floors above see of the wear: what the trend comes to, and a step that stands."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StandingStep:
    """A step that nobody has set right: its size from the level before, and what it looks like."""

    size: float
    text: str


@dataclass(frozen=True, slots=True)
class WearSummary:
    """What the trend comes to; `None` = not known."""

    elongation_percent: float | None = None
    agreement: str = "unknown"
    causes: tuple[str, ...] = ()
    hours_to_limit: float | None = None
    nearest_limit: str = ""
    hours_since_retightened: float | None = None
    retighten_every_h: float = 0.0
