"""What a work sheet is made from: an engine's snapshot or, where no daemon runs, its log book."""

from collections.abc import Sequence
from dataclasses import replace

from gateway.engine.snapshot import EngineSnapshot
from gateway.model.enums import Quality
from gateway.model.records import Measured
from gateway.model.settings import EngineSettings
from gateway.model.snapshot import EngineDetail
from gateway.wear import bookings as b
from gateway.wear.logbook import rebase
from gateway.worksheet.sheet import Facts

LIVE_S = 5.0
"""A reading that is older is not live: nothing may be confirmed by it."""


def facts_of(engine: EngineSettings, s: EngineSnapshot, now_utc_s: float | None = None) -> Facts:
    """The present of a running engine. `now_utc_s`: the wall clock, where the head sends in bursts; else `None`."""
    view, d, trend = s.view, s.view.detail, s.trend
    taken = _pressures(s.log)
    if d is None:
        return Facts(engine, s.datum, taken=taken)
    sea = (None, None, None) if trend is None else (trend.lag_deg.p05, trend.lag_deg.p50, trend.lag_deg.p95)
    return Facts(
        engine,
        s.datum,
        running=view.running,
        utc_s=d.utc_s,
        hours=view.running_hours,
        rpm=view.rpm,
        spring=_live(d),
        lag=d.lag,
        raw_deg=d.raw_deg if d.standing_raw_deg is None else d.standing_raw_deg,
        whole_turn=d.standing_raw_deg is not None,
        turned_raw_deg=d.turned_raw_deg,
        turned_utc_s=d.turned_utc_s,
        turned_lost_deg=d.turned_lost_deg if _at_this_stop(d) else None,
        turned_lost_from_utc_s=d.turned_lost_from_utc_s if _at_this_stop(d) else None,
        crank_deg=None if d.head is None else d.head.crank_deg,
        rest_s=d.rest_s,
        sea_lag_deg=sea,
        elongation_percent=view.elongation_percent,
        agreement="unknown" if trend is None else trend.agreement.state,
        taken=taken,
        cam_loads=d.cam_loads,
        burst_age_s=None if now_utc_s is None or now_utc_s - d.utc_s < LIVE_S else now_utc_s - d.utc_s,
    )


def _at_this_stop(d: EngineDetail) -> bool:
    """Was the engine turned each way since it last ran?"""
    return d.turned_lost_from_utc_s is not None and d.turned_lost_from_utc_s >= d.utc_s - d.rest_s


def _live(d: EngineDetail) -> Measured:
    """The spring's length: with each frame while the engine stands, unless its reading is bad; else by the second."""
    if d.standing_spring_mm is None or d.spring.quality is Quality.BAD:
        return d.spring
    return replace(d.spring, value=d.standing_spring_mm)


def facts_at_rest(engine: EngineSettings, log: Sequence[b.Entry]) -> Facts:
    """What is known without a daemon: settings and log book, and no reading."""
    return Facts(engine, rebase(engine, log), taken=_pressures(log))


def _pressures(log: Sequence[b.Entry]) -> tuple[b.Pressures, ...]:
    """Pressures booked, oldest first, without those that were corrected or struck out."""
    corrected = {e.replaces: e.entry for e in log if isinstance(e, b.Correction)}
    stand = [corrected.get(e.id, e) for e in log]
    return tuple(e for e in stand if isinstance(e, b.Pressures))
