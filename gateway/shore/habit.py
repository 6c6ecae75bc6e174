"""How long a ship is silent by habit, so that only an unusual silence is reported. Pure."""

from collections.abc import Sequence

SILENCES_MAX = 20
"""The last ones are kept."""
NOTED_S = 1_800.0
"""Shorter ones mean nothing: trends come each hour at most."""
BEYOND = 1.5
SILENT_S_MAX = 4 * 86_400.0


def noted(silences: Sequence[float], last_s: float) -> list[float]:
    """The ship's silences with the one that has just ended."""
    return [*silences, round(last_s)][-SILENCES_MAX:] if last_s >= NOTED_S else list(silences)


def silent_after_s(silences: Sequence[float], least_s: float) -> float:
    """After so long a silence is unusual: half as long again as the second longest of the last ones.

    The second longest, so that one outage is no habit; never less than `least_s`, never more than four days.
    """
    ordered = sorted(silences, reverse=True)
    habit = ordered[1] if len(ordered) > 1 else 0.0
    return max(least_s, min(SILENT_S_MAX, BEYOND * habit))
