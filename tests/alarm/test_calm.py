"""While it is calm, judging again would find the same; where anything could turn, it is not called calm."""

from dataclasses import replace

import pytest
from drive_engines import tern
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarm.calm import TRUSTED_US, Calm, Figures, calm
from gateway.alarm.judge import Evidence, WearSeen, judge
from gateway.alarm.machine import AlarmSet
from gateway.alarm.table import BY_TAG, ENGINE_TAGS, ROWS
from gateway.model.enums import Running

ENGINE = tern()
FREE_MM = ENGINE.tightener.free_length_mm
NOW_US = 77_000_000


def seen(running: Running, settled: bool, figures: Figures) -> Evidence:
    """What is judged by when these are the figures."""
    lag_deg, spring_mm, slap_mm, loss = figures
    return Evidence(
        running=running, settled=settled, lag_deg=lag_deg, spring_mm=spring_mm, slap_mm=slap_mm,
        compression_mm=None if spring_mm is None else FREE_MM - spring_mm,
        lag_step=None, tension_step=None, lag_step_known=lag_deg is not None, tension_step_known=spring_mm is not None,
        transducer="", crank="", cam="", silent_s=0.0, link_loss_percent=loss,
        wear=WearSeen(0.3, "agree", (), 9_000.0, "lag-near", 1_600.0, 4_000.0),
    )  # fmt: skip


def standing_as_found(running: Running, settled: bool, figures: Figures) -> tuple[AlarmSet, Calm]:
    """Alarms at rest in what these figures find, and how calm that is."""
    alarms = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), ENGINE.alarms, "main")
    for _ in range(2):
        # Once active an alarm has its dead band: what it finds then is what it stands in.
        findings = judge(ENGINE, alarms, seen(running, settled, figures))
        for tag, finding in findings.items():
            alarms[tag].facts.active = bool(finding.over)
    assert not alarms.moves_any(findings)
    return alarms, calm(NOW_US, (), figures, findings)


def known(low: float, high: float) -> st.SearchStrategy[float | None]:
    """A figure, at times not known."""
    return st.none() | st.floats(low, high)


FIGURES = st.tuples(known(-2.5, 2.5), known(170.0, 190.0), known(0.0, 4.0), known(0.0, 3.0))
OFF = st.tuples(*[st.floats(-0.2, 0.2) | st.floats(-3.0, 3.0)] * 4)


@settings(max_examples=500)
@given(st.sampled_from(list(Running)), st.booleans(), FIGURES, OFF)
def test_what_is_calm_would_be_found_the_same(
    running: Running, settled: bool, figures: Figures, off: tuple[float, ...]
) -> None:
    """Figures anywhere within the bounds: every alarm's condition holds, or does not, or is unknown, as before."""
    alarms, quiet = standing_as_found(running, settled, figures)
    later = tuple(None if f is None else f + d for f, d in zip(figures, off, strict=True))
    assert quiet.holds(NOW_US, figures) == all(low != high for low, high in zip(quiet.low, quiet.high, strict=True))
    if quiet.holds(NOW_US, later):  # type: ignore[arg-type]
        findings = judge(ENGINE, alarms, seen(running, settled, later))  # type: ignore[arg-type]
        assert not alarms.moves_any(findings)


EDGES = {
    "lag-near": (0, ENGINE.lag.near_deg),
    "lag-limit": (0, -ENGINE.lag.limit_deg),
    "tension-low": (1, FREE_MM - ENGINE.tightener.required_compression_mm + ENGINE.tightener.band_mm),
    "tension-high": (1, FREE_MM - ENGINE.tightener.required_compression_mm - ENGINE.tightener.band_mm),
    "slap-high": (2, ENGINE.tightener.slap_limit_mm),
    "link-poor": (3, 1.0),
}
GOOD: Figures = (0.8, 180.2, 0.8, 0.0)


@pytest.mark.parametrize("tag", sorted(EDGES))
def test_calm_ends_at_each_limit_and_not_long_before(tag: str) -> None:
    """From a good engine a single figure may go to within a billionth of the limit, and no further."""
    place, edge = EDGES[tag]
    begun = list(GOOD)
    if tag == "lag-limit":
        begun[0] = -1.9
    _, quiet = standing_as_found(Running.AHEAD, True, tuple(begun))  # type: ignore[arg-type]
    inward = 1 if (begun[place] or 0.0) > edge else -1
    for off, holds in ((1e-6 * inward, True), (0.0, False), (-1e-6 * inward, False)):
        figures = list(begun)
        figures[place] = edge + off
        assert quiet.holds(NOW_US, tuple(figures)) == holds  # type: ignore[arg-type]


def test_an_active_alarm_keeps_its_dead_band() -> None:
    """Called at 1.5°, the lag may fall to the limit less the dead band before it must be judged."""
    alarms, quiet = standing_as_found(Running.AHEAD, True, (1.6, 180.2, 0.8, 0.0))
    back_deg = ENGINE.lag.near_deg - BY_TAG["lag-near"].deadband
    assert alarms.active("lag-near")
    assert quiet.holds(NOW_US, (back_deg + 1e-6, 180.2, 0.8, 0.0))
    assert not quiet.holds(NOW_US, (back_deg - 1e-6, 180.2, 0.8, 0.0))


@pytest.mark.parametrize("place", range(4))
def test_what_becomes_known_or_unknown_ends_the_calm(place: int) -> None:
    """Each of the figures, either way."""
    without: Figures = tuple(None if k == place else f for k, f in enumerate(GOOD))  # type: ignore[assignment]
    for before, after in ((GOOD, without), (without, GOOD)):
        _, quiet = standing_as_found(Running.AHEAD, True, before)
        assert quiet.holds(NOW_US, before) and not quiet.holds(NOW_US, after)


def test_it_is_not_trusted_for_long() -> None:
    """Half a minute after the whole judging another is due, whatever the figures."""
    _, quiet = standing_as_found(Running.AHEAD, True, GOOD)
    assert quiet.holds(NOW_US + TRUSTED_US - 1, GOOD) and not quiet.holds(NOW_US + TRUSTED_US, GOOD)


def test_a_locked_tightener_that_moves_ends_it() -> None:
    """The room of the spring's length is that of the lock, either way."""
    locked = replace(ENGINE, tightener=replace(ENGINE.tightener, kind="locked", locked_at_mm=180.0, moved_mm=0.5))
    alarms = AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), ENGINE.alarms, "main")
    figures: Figures = (0.8, 180.1, 0.8, 0.0)
    quiet = calm(NOW_US, (), figures, judge(locked, alarms, seen(Running.AHEAD, True, figures)))
    assert quiet.holds(NOW_US, (0.8, 180.4, 0.8, 0.0)) and not quiet.holds(NOW_US, (0.8, 180.5, 0.8, 0.0))
