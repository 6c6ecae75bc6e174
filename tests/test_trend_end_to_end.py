"""Trends from bytes: the same however they arrive, near the truth, and readable from the store by the command."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from firmware_sim import Head, Truth, load_scenario
from gateway.cli.main import main
from gateway.cli.replay import Lines, pipeline_for
from gateway.encode.publish import encode_trend
from gateway.encode.topics import Topics
from gateway.measure.timeline import Now
from gateway.model.output import Batch
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.pipeline import EnginePipeline, MedianDue, Output, TrendDue
from gateway.report.words import DO
from gateway.store.state import NewRetained, StateStore

HOURS = 500
TOPICS = Topics("camdrift/1", "tern-passage")
NOW = Now(0.0, 0.0)


def voyage() -> tuple[bytes, Truth]:
    """Bursts of three seconds at 100 Hz every ten minutes: some hundred running hours in a few megabytes."""
    scenario = load_scenario("wear").changed(
        head={"rate_hz": 100, "burst_s": 3, "every_s": 600},
        chain={"elongation_percent": 0.28, "wear_percent_per_1000h": 0.03},
    )
    return Head(scenario, seed=11).capture(HOURS * 3600.0), Truth(scenario, seed=11)


@pytest.fixture(scope="module")
def captured() -> tuple[bytes, Truth]:
    return voyage()


@pytest.fixture(scope="module")
def settings() -> Settings:
    loaded = load_settings(Path("config/tern-passage.toml"))
    return replace(loaded, head=[replace(loaded.head[0], burst_pause_s=597.0)])


def fed(pipeline: EnginePipeline, data: bytes, sizes: tuple[int, ...]) -> list[Output]:
    """All sayings when the bytes arrive in chunks of these sizes, over and over."""
    said: list[Output] = []
    at = n = 0
    while at < len(data):
        size = sizes[n % len(sizes)]
        said += pipeline.feed(data[at : at + size], NOW)
        at, n = at + size, n + 1
    return said


def lines(said: list[Output]) -> bytes:
    return b"".join(Lines(TOPICS, "main", "tern-passage", readings=True).of(said))


@pytest.fixture(scope="module")
def replayed(captured: tuple[bytes, Truth], settings: Settings) -> list[Output]:
    return fed(pipeline_for(settings, "main", 0.0), captured[0], (1 << 18,))


@pytest.mark.slow
def test_trends_do_not_depend_on_how_the_bytes_arrive(
    captured: tuple[bytes, Truth], settings: Settings, replayed: list[Output]
) -> None:
    """A live run's small chunks and a replay's large ones give the same messages, to the byte."""
    live = fed(pipeline_for(settings, "main", 0.0), captured[0], (700, 1, 4096, 333))
    assert lines(live) == lines(replayed)
    assert sum(isinstance(s, TrendDue) for s in live) > HOURS / 2


@pytest.mark.slow
def test_the_trend_is_near_the_truth(captured: tuple[bytes, Truth], replayed: list[Output]) -> None:
    """After some hundred hours the slope's range holds the rate of wear that was played, and the hours are right."""
    trend = [s.trend for s in replayed if isinstance(s, TrendDue)][-1]
    per_1000h = 0.03 * captured[1].lag_deg_per_percent
    low, high = trend.lag_deg_per_1000h.p05, trend.lag_deg_per_1000h.p95
    assert low is not None
    assert high is not None
    width = high - low
    assert low - width < per_1000h < high + width
    assert width < per_1000h
    assert trend.hours - 21_400 == pytest.approx(HOURS, rel=0.003)
    assert trend.agreement.state != "part"


def test_hours_of_medians_rise(replayed: list[Output]) -> None:
    """Every ten-minute median is booked at later running hours than the one before."""
    hours = [s.median.hours for s in replayed if isinstance(s, MedianDue)]
    assert len(hours) > HOURS * 5
    assert all(b > a for a, b in pairwise(hours))


@pytest.mark.slow
def test_a_restart_goes_on_with_what_was_learnt(captured: tuple[bytes, Truth], settings: Settings) -> None:
    """A pipeline restored through JSON says of the slope what the uninterrupted one says."""
    data = captured[0]
    cut = data.index(b"\0", len(data) // 2) + 1
    first = pipeline_for(settings, "main", 0.0)
    fed(first, data[:cut], (1 << 18,))
    second = pipeline_for(settings, "main", 0.0)
    second.restore(json.loads(json.dumps(first.checkpoint())), json.loads(json.dumps(first.wear.series.state())))
    after_restart = [s.trend for s in fed(second, data[cut:], (1 << 18,)) if isinstance(s, TrendDue)][-1]
    whole = [s.trend for s in fed(first, data[cut:], (1 << 18,)) if isinstance(s, TrendDue)][-1]
    assert after_restart.hours == pytest.approx(whole.hours, abs=0.02)
    assert after_restart.lag_deg_per_1000h.p50 == pytest.approx(whole.lag_deg_per_1000h.p50, rel=0.02)
    assert after_restart.decision == whole.decision


def test_the_command_prints_the_stored_trend(
    replayed: list[Output], settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`camdrift trend` shows what was published last, as text and as the message, also while no daemon runs."""
    due = [s for s in replayed if isinstance(s, TrendDue)][-1]
    trend, spoken = due.trend, encode_trend(TOPICS, "main", due)
    store = StateStore(tmp_path, settings.gateway, brokers={})
    store.commit(Batch(retained=[NewRetained(spoken.topic, spoken.klass, spoken.payload)]))
    store.close()
    arguments = ["trend", "config/tern-passage.toml", "--data-dir", str(tmp_path)]
    assert main(arguments) == 0
    text = capsys.readouterr().out
    assert f"  decision{'':<26}{DO[trend.decision.do]}. {trend.decision.why}" in text
    assert "    retightening due" in text and "retighten-due" not in text
    assert "not permission to work" in text
    assert main([*arguments, "--json"]) == 0
    assert capsys.readouterr().out.encode() == spoken.payload + b"\n"


def test_the_command_says_when_there_is_none(
    settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a trend the command says when one will come, and its status is 1."""
    StateStore(tmp_path, settings.gateway, brokers={}).close()
    assert main(["trend", "config/tern-passage.toml", "--data-dir", str(tmp_path)]) == 1
    assert "no trend yet" in capsys.readouterr().err
