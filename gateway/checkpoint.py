"""What a restart needs of an engine's stages, taken from them and put back, in one piece."""

from collections.abc import Mapping

from gateway.alarm.judging import Judging
from gateway.measure.measuring import Measuring
from gateway.measure.timeline import Timeline
from gateway.wear.watch import WearWatch


def taken(timeline: Timeline, measuring: Measuring, wear: WearWatch, judging: Judging) -> dict[str, object]:
    """All of it, fit for JSON, but what the trend has learnt: that is larger, and `wear.series.state` keeps it."""
    return {"timeline": timeline.checkpoint(), **judging.checkpoint(), **measuring.state(), **wear.state()}


def put_back(
    kept: Mapping[str, object],
    series: Mapping[str, object] | None,
    timeline: Timeline,
    measuring: Measuring,
    wear: WearWatch,
    judging: Judging,
) -> tuple[str, ...]:
    """Go on from what was `taken`, and from `wear.series.state` where that was kept.

    Returns what the settings measure otherwise than before the restart, in words. Raises ValueError for any JSON that
    is no checkpoint; stages that were half restored must not be used.
    """
    try:
        times = kept["timeline"]
        if not isinstance(times, dict):  # no assertion: those are gone under -OO
            raise TypeError("timeline: not what was kept")
        timeline.restore(times)
        judging.restore(kept)
        t_us = timeline.t_us
        measuring.restore(kept, t_us)
        changed = wear.changed_since(kept)
        measuring.measured_otherwise(lag=changed.lag, spring=changed.spring)
        wear.restore(kept, series, t_us, measuring.slow_means(timeline.utc_s(t_us)))
    except Exception as e:
        # What a damaged disk gives back can fail anywhere below: to the caller it is one case.
        raise ValueError(f"not a checkpoint: {type(e).__name__}: {e}") from None
    return changed.texts
