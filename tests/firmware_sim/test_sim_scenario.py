"""Scenarios: the built-in ones play, the defaults are the invented vessel, every mistake is told with its key."""

import tomllib
from pathlib import Path

import head_decoder
import pytest

from firmware_sim import Head, Scenario, ScenarioError, Truth, load_scenario, parse_scenario
from firmware_sim.load import builtin_names

VESSEL = Path(__file__).parents[2] / "config" / "tern-passage.toml"


def faults_of(text: str) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, "my.toml")
    return caught.value.faults


def test_the_built_in_scenarios() -> None:
    """The scenarios that the docs speak of come with the package."""
    assert {"steady", "wear", "faults", "manoeuvring", "demo"} <= set(builtin_names())


@pytest.mark.parametrize("name", builtin_names())
def test_every_built_in_scenario_plays(name: str) -> None:
    """Each built-in scenario loads and gives frames of all three kinds, of its own head."""
    scenario = load_scenario(name)
    stream = head_decoder.decode(Head(scenario).capture(60))
    assert {f.kind for f in stream.frames} == {1, 2, 3}
    assert stream.frames[0].fields["name"] == scenario.head.name


def test_defaults_are_the_invented_vessel() -> None:
    """With no key set, the drive's figures are those of the vessel's configuration."""
    vessel, head = tomllib.loads(VESSEL.read_text(encoding="utf-8")), Scenario()
    engine = vessel["engine"][0]
    for key in ("pitch_mm", "crank_teeth", "cam_teeth", "loop_links", "taut_links"):
        assert getattr(head.chain, key) == engine["chain"][key]
    for key in ("kind", "wrap_deg", "lever_ratio", "nut_pitch_mm"):
        assert getattr(head.tightener, key) == engine["tightener"][key]
    assert head.transducer.at_4ma_mm == engine["transducer"]["at_4ma_mm"]
    assert head.transducer.at_20ma_mm == engine["transducer"]["at_20ma_mm"]
    assert head.shafts.zero_deg == engine["lag"]["zero_deg"]
    assert head.chain.elongation_at_camshaft_set_percent == engine["elongation"]["at_camshaft_set_percent"]
    assert head.engine.ratio == engine["ratio"]
    assert head.head.name == vessel["head"][0]["name"]


@pytest.mark.slow
def test_demo_tells_its_story() -> None:
    """In the demo the lag passes 1.5° and 2.0° and is set back by the re-timing; each retightening brings the slack
    spring back into its band; the transducer is stuck for a while only."""
    scenario = load_scenario("demo")
    vessel = tomllib.loads(VESSEL.read_text(encoding="utf-8"))["engine"][0]
    truth, tightener, lag = Truth(scenario), vessel["tightener"], vessel["lag"]
    target_mm = tightener["free_length_mm"] - tightener["required_compression_mm"]
    end_s = scenario.run.duration_s
    assert end_s is not None
    (retiming,) = [e for e in scenario.event if e.kind == "retime"]
    assert truth.lag_deg(0.0) < lag["near_deg"] < truth.lag_deg(0.5 * retiming.at_s) < lag["limit_deg"]
    assert truth.lag_deg(retiming.at_s - 48 * 3600) > lag["limit_deg"]
    assert abs(truth.lag_deg(end_s)) < 0.5
    work = [e for e in scenario.event if e.kind == "nut-turn"]
    assert len(work) == 2
    speeds = scenario.engine.speed
    sailing_s = [t for (t, rpm), (_, before) in zip(speeds[1:], speeds, strict=False) if rpm > 0 and before == 0]
    for turn in work:
        sails_s = next(t for t in sailing_s if t > turn.at_s)
        assert truth.spring_mm(turn.at_s - 48 * 3600) > target_mm + 0.5 * tightener["band_mm"]
        assert abs(truth.spring_mm(sails_s + 48 * 3600) - target_mm) < tightener["band_mm"]
    stuck = next(e for e in scenario.event if e.kind == "transducer-seized")
    assert stuck.at_s + stuck.for_s < end_s


@pytest.mark.parametrize(
    ("text", "key", "word"),
    [
        ("[engin]\nratio = 1", "engin", "unknown key"),
        ("[engine]\nspeeed = []", "engine.speeed", "unknown key"),
        ("[engine]\nratio = 3", "engine.ratio", "1 or 2"),
        ("[engine]\nspeed = [[0, 90], [0, 80]]", "engine.speed", "must rise"),
        ("[engine]\nspeed = [[0, nan]]", "engine.speed.0.1", "finite"),
        ("[engine]\nspeed = []", "engine.speed", "at least 1"),
        ("[engine]\nspeed = [[0, 9e9]]", "engine.speed", "3,000 rpm"),
        ("[engine]\nripple = [[6, 0.7, 0]]", "engine.ripple", "turn back"),
        ("[head]\nsamples = 257", "head.samples", "256"),
        ("[head]\nrate_hz = 0", "head.rate_hz", "greater"),
        ("[head]\nburst_s = 6", "head", "go together"),
        ("[head]\nburst_s = 0.01\nevery_s = 600", "head", "one frame"),
        ('[head]\nname = "a name far too long for it"', "head.name", "16 bytes"),
        ('[head]\nnot_fitted = ["spring"]', "head.not_fitted.0", "casing_c"),
        ("[chain]\ntaut_links = 200", "chain", "loop_links"),
        ("[transducer]\nat_4ma_mm = 5\nat_20ma_mm = 5", "transducer", "equal"),
        ("[run]\nseed = -1", "run.seed", "greater"),
        ("[[event]]\nat_s = 1", "event.0.kind", "missing"),
        ('[[event]]\nkind = "explosion"\nat_s = 1', "event.0.kind", "'explosion' is unknown"),
        ('[[event]]\nkind = "pause"', "event.0", "missing"),
        ('[[event]]\nkind = "pause"\nat_s = 1\nfor = 3', "event.0", "unknown key"),
        ('[[event]]\nkind = "drop"\nat_s = 1\nrate = 2', "event.0", "less than or equal to 1"),
        ("not toml", "not valid TOML", ""),
    ],
)
def test_mistakes_are_told(text: str, key: str, word: str) -> None:
    """Each mistake gives one line with file, key and what is wrong."""
    faults = faults_of(text)
    assert len(faults) == 1
    assert faults[0].startswith(f"my.toml: {key}")
    assert word in faults[0]


def test_all_mistakes_are_told_at_once() -> None:
    """Three mistakes give three lines."""
    assert len(faults_of("[head]\nsamples = 0\nrat = 1\n[chain]\npitch_mm = -1")) == 3


def test_restarts_within_one_another_are_refused() -> None:
    """A restart while the head is still down from the last one is refused."""
    text = '[[event]]\nkind = "restart"\nat_s = 10\ndown_s = 5\n[[event]]\nkind = "restart"\nat_s = 12'
    assert "restart" in faults_of(text)[0]


def test_changed_is_checked_too() -> None:
    """Changing a scenario in a program is checked as strictly as a file."""
    with pytest.raises(ScenarioError, match=r"head\.sample"):
        Scenario().changed(head={"sample": 3})


def test_unreadable_files_are_told(tmp_path: Path) -> None:
    """A file that is missing or no text is told by name, with the built-in ones to choose from."""
    with pytest.raises(ScenarioError, match=r"nosuch.*steady"):
        load_scenario("nosuch")
    (tmp_path / "x.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ScenarioError, match="UTF-8"):
        load_scenario(tmp_path / "x.toml")
