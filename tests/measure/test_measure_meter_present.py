"""The present reading field by field, raw angles, the load's loop, and what a gap does to each part."""

from dataclasses import replace
from typing import Any

import pytest
from firmware_sim_voyages import capture, event, tern_settings

from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Decoder
from gateway.link.runs import SampleRun, runs
from gateway.measure.meter import STALE_US, Meter
from gateway.model.enums import Quality, Running
from gateway.model.records import Cycle, Health
from gateway.model.settings import slack_tension_n

HEALTH = Health(1, 7, 10**6, 41.2, 55.3, 48.7, 23_950, 11_200, 0, 0, 0, 1_234)


def meter(**engine: Any) -> Meter:
    return Meter(tern_settings(**engine).engine[0])


def played(speed: str, seconds: float) -> tuple[Meter, list[Any], int]:
    """A meter after this, its cycles, and when the last second ended."""
    m, cycles = meter(), []
    text = f"[engine]\nspeed = {speed}\n"
    for item in runs(Decoder().gather(capture(text, seconds, seed=3))):
        if isinstance(item, SampleRun) and item.block is not None:
            cycles += [w for w in m.block(item.block, item.interleaved) if isinstance(w, Cycle)]
    assert m.last_second is not None
    return m, cycles, m.last_second.t_us


def test_every_field_of_a_good_reading() -> None:
    """Steady ahead: means, the figures that follow from them, and the casing of the last health frame."""
    m, cycles, t_us = played("[[0, 96]]", 70)
    m.take_interleaved(HEALTH)
    r = m.reading(t_us)
    assert (r.t_us, r.running, r.hours, r.casing_c) == (t_us, Running.AHEAD, m.hours.hours, 55.3)
    assert r.rpm == pytest.approx(96, abs=0.5)
    assert r.spring.quality is r.lag.quality is Quality.GOOD
    assert r.spring.value is not None and r.compression_mm is not None
    assert r.compression_mm == pytest.approx(203.2 - r.spring.value)
    assert r.tension_n == pytest.approx(slack_tension_n(m.engine.tightener, r.compression_mm))
    assert r.lag_p2p_deg == m.lag_p2p.value is not None
    assert r.slap_mm == m.slap.value is not None
    assert r.lag.value is not None and m.zero_deg is not None
    assert m.raw_now() == pytest.approx(r.lag.value + m.zero_deg)
    assert len(cycles) > 90


def test_standing_still_has_no_figures_of_turning() -> None:
    """Stopped: the plain means of the last second; neither slap nor peak to peak; raw angles all the same."""
    m, _, t_us = played("[[0, 96], [60, 96], [75, 0]]", 110)
    r = m.reading(t_us)
    assert (r.running, r.slap_mm, r.lag_p2p_deg) == (Running.STOPPED, None, None)
    assert r.spring.quality is Quality.GOOD and r.spring.value is not None
    raw = m.raw_now()
    assert raw is not None and m.zero_deg is not None and r.lag.value == pytest.approx(raw - m.zero_deg)
    assert m.last_second is not None
    for name in ("crank_valid", "cam_valid"):
        m.last_second = replace(m.last_second, **{name: False})
        assert m.raw_now() is None
        assert m.lag_now(t_us).reason == "an encoder is not valid"
        m.last_second = replace(m.last_second, **{name: True})
    m.last_second = replace(m.last_second, spring_nm=None)
    told = m.spring_now(t_us)
    assert (told.value, told.quality, told.reason) == (None, Quality.BAD, "no sample with a good loop current")
    m.last_second = None
    assert m.raw_now() is None


def test_the_present_grows_stale_to_the_microsecond() -> None:
    """At the bound it is still believed, a microsecond later nothing was heard."""
    m, _, t_us = played("[[0, 96]]", 70)
    for figure, last_us in ((m.spring_now, m._spring_us), (m.lag_now, m._lag_us)):
        assert figure(last_us + m._stale_us).quality is Quality.GOOD
        beyond = figure(t_us + m._stale_us + 1)
        assert (beyond.value, beyond.quality, beyond.reason) == (
            None, Quality.BAD, "nothing heard from the sensor head",
        )  # fmt: skip


def test_too_few_revolutions_are_said_so() -> None:
    """Steady for less than the mean's own time: uncertain, and why, for both figures."""
    m, _, t_us = played("[[0, 96]]", 45)
    for told in (m.spring_now(t_us), m.lag_now(t_us)):
        assert (told.quality, told.reason) == (Quality.UNCERTAIN, "too few revolutions yet")


@pytest.mark.parametrize(
    ("ua", "share"),
    [(None, None), (3_799, None), (3_800, -0.0125), (4_000, 0.0), (12_000, 0.5), (20_000, 1.0), (20_500, 1.03125),
     (20_501, None)],
)  # fmt: skip
def test_load_from_its_loop(ua: int | None, share: float | None) -> None:
    """4–20 mA as a share; outside of 3.8 to 20.5 mA, and before any health frame, not known."""
    m = meter()
    assert m.load() is None
    m.take_interleaved(replace(HEALTH, fuel_index_ua=ua))
    assert m.load() == (None if share is None else pytest.approx(share))


def test_a_gap_is_told_to_every_part_in_its_own_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hours in microseconds, running and sensors in seconds, the time that was seen; of no length, to none."""
    m, _, _ = played("[[0, 96]]", 20)
    heard: list[tuple[str, float]] = []
    for name in ("hours", "running", "sensors"):
        monkeypatch.setattr(type(getattr(m, name)), "gap", lambda _self, g, name=name: heard.append((name, g)))
    seen_us = m.seen_us
    m.gap(0)
    assert (heard, m.seen_us) == ([], seen_us)
    m.gap(2_500_000)
    assert heard == [("hours", 2_500_000), ("running", 2.5), ("sensors", 2.5)]
    assert m.seen_us == seen_us + 2_500_000


ROUGH = (
    "[engine]\nspeed = [[0, 96], [150, 96], [160, -50], [190, -50], [200, 0], [230, 0], [240, 85]]\n"
    + event("drop", 20, rate=0.03, for_s=60)
    + event("cam-invalid", 90, for_s=8)
    + event("loop-broken", 105, for_s=15)
    + event("pause", 125, for_s=9)
)


@pytest.mark.parametrize("zero_deg", [17.35, None])
def test_what_is_judged_by_is_what_is_shown(zero_deg: float | None) -> None:
    """After every cycle and second of a rough five minutes: the values of `lag_now` and `spring_now`, lag and slap only
    while steady ahead."""
    m = meter()
    m.zero_deg = zero_deg
    seen = set()
    for item in runs(Decoder().gather(capture(ROUGH, 300.0, seed=3))):
        if isinstance(item, StreamBreak):
            m.gap(max(0, item.gap_us))
        elif isinstance(item, SampleRun) and item.block is not None:
            for piece in m.pieces(item.block, item.interleaved):
                what = m.take(*piece)
                if what is None:
                    continue
                for t_us in (what.t_us, what.t_us + STALE_US, what.t_us + STALE_US + 1):
                    lag, spring = m.lag_now(t_us).value, m.spring_now(t_us).value
                    ahead = m.running.state is Running.AHEAD
                    judged = m.figures_now(t_us)
                    assert judged[0] in ((lag, None) if ahead else (None,))
                    assert judged[1] in ((spring, None) if ahead else (spring,))
                    assert judged[2] == (m.slap.value if ahead and judged[1] is not None else None)
                    if ahead:
                        assert judged[0] in (None, m.lag_of(m.lag.fast.value)), "no live value is judged"
                        assert judged[1] in (None, m.spring.fast.value)
                    seen.add((ahead, lag is None, spring is None))
    assert len(seen) >= (6 if zero_deg is not None else 4)
