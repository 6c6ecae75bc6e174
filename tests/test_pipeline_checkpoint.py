"""A store of version 0.1 still runs: what its pipeline kept is taken up as if nothing had happened."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.cli.replay import pipeline_for
from gateway.measure.timeline import Now
from gateway.model.settings_file import load_settings
from gateway.pipeline import AlarmChanged, EnginePipeline, ReadingDue

HERE = Path(__file__).parent
KEPT: dict[str, Any] = json.loads((HERE / "checkpoint_0_1.json").read_text(encoding="utf-8"))
"""Written by 0.1 after the first `bytes` of the rough link's capture, with a tooth jump in them."""
CASE = HERE / "replay" / "rough-link"
NOW = Now(0.0, 0.0)


def fresh() -> EnginePipeline:
    """A pipeline of the case's engine."""
    return pipeline_for(load_settings(CASE / "settings.toml"), "main", 1_900_000_000.0)


def test_a_checkpoint_of_0_1_goes_on_where_it_was() -> None:
    """What stood stands and is not raised again; what follows is what 0.1 made of it (`then`)."""
    data = (CASE / "capture.bin").read_bytes()
    restored = fresh()
    restored.restore(KEPT["checkpoint"], KEPT["wear"])
    assert [tag for tag, alarm in restored.alarms.alarms.items() if alarm.facts.active] == KEPT["active"]
    assert "lag-step" in KEPT["active"]
    assert restored.hours == KEPT["hours"]
    outputs = restored.feed(data[KEPT["bytes"] :], NOW)
    then = KEPT["then"]
    assert [o.transition.tag for o in outputs if isinstance(o, AlarmChanged)] == then["alarms"]
    last = [o.reading for o in outputs if isinstance(o, ReadingDue)][-1]
    assert (last.t_us, last.hours) == (then["t_us"], pytest.approx(then["hours"], abs=1e-9))
    assert last.lag.value == pytest.approx(then["lag_deg"], abs=1e-9)
    assert last.spring.value == pytest.approx(then["spring_mm"], abs=1e-9)


def test_what_is_kept_now_has_all_keys_of_0_1() -> None:
    """So a store goes back to the release before, too, which reads its own keys and leaves the others."""
    p = fresh()
    p.restore(KEPT["checkpoint"], KEPT["wear"])
    assert set(p.checkpoint()) >= set(KEPT["checkpoint"])
    assert set(p.wear.series.state()) >= set(KEPT["wear"])
    assert json.loads(json.dumps(p.checkpoint()["alarms"])) == KEPT["checkpoint"]["alarms"]


@pytest.mark.parametrize("part", ["timeline", "alarms", "meter", "lag_jump", "slips"])
def test_a_part_that_is_none_is_no_checkpoint(part: str) -> None:
    """Whatever a damaged disk gives back: one error, which names what failed."""
    kept = KEPT["checkpoint"]
    assert part in kept
    with pytest.raises(ValueError, match="not a checkpoint"):
        fresh().restore({**kept, part: 7}, KEPT["wear"])
    with pytest.raises(ValueError, match="not a checkpoint: KeyError"):
        fresh().restore({k: v for k, v in kept.items() if k != part}, KEPT["wear"])


def test_a_restart_returns_what_is_measured_otherwise() -> None:
    """Another skew of the encoders: in words; nothing changed, nothing returned."""
    kept = fresh().checkpoint()
    assert fresh().restore(kept) == ()
    settings = load_settings(CASE / "settings.toml")
    engine = settings.engine[0]
    other = replace(settings, engine=(replace(engine, lag=replace(engine.lag, skew_us=300.0)),))
    (text,) = pipeline_for(other, "main", 1_900_000_000.0).restore(kept)
    assert "skew" in text
