"""The example settings: valid, plausible, shipped with the package, and fit to run."""

import json
import subprocess
import tomllib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from daemon_rig import HEAD, ROOT, daemon, toml_text, until, written
from in_process import camdrift

from gateway.model.settings_file import fingerprint, load_settings, shipped_config

CONFIG = ROOT / "config"
NAMES = sorted(p.name for p in CONFIG.glob("*.toml"))
ODD = {"minimal.toml": ["the zero of the lag was never taken: the lag is not known until camshaft-set is booked"]}
"""What `check` finds odd, and rightly so."""


def check(path: Path) -> str:
    """What `camdrift check` prints of valid settings."""
    done = camdrift("check", path)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_the_three_examples_are_there() -> None:
    """The settings that the interface names are in the folder."""
    assert {"tern-passage.toml", "minimal.toml", "two-engines.toml"} <= set(NAMES)


def test_fingerprint_is_of_what_is_set_and_not_of_how_it_is_written(tmp_path: Path) -> None:
    """A comment or another order changes nothing; one figure changes all, and `check` prints it."""
    text = (CONFIG / "tern-passage.toml").read_text(encoding="utf-8")
    first = fingerprint(load_settings(CONFIG / "tern-passage.toml"))
    assert f"names it: {first}" in check(CONFIG / "tern-passage.toml")
    for name, other, same in (
        ("remarked.toml", "# looked at by the second engineer\n" + text, True),
        ("changed.toml", text.replace("retighten_every_h = 4000", "retighten_every_h = 4001"), False),
    ):
        (tmp_path / name).write_text(other, encoding="utf-8")
        assert (fingerprint(load_settings(tmp_path / name)) == first) is same


@pytest.mark.parametrize("name", NAMES)
def test_checks_without_odd_warnings(name: str) -> None:
    """`check` finds every example valid, and odd only what is meant to be."""
    odd = [line.strip().removeprefix("odd: ") for line in check(CONFIG / name).splitlines() if "odd:" in line]
    assert odd == ODD.get(name, [])


def test_check_prints_what_the_handbook_says() -> None:
    """For the invented vessel `check` prints 3.68° for a per cent of elongation and 8.2 mm for a degree of lag."""
    printed = check(CONFIG / "tern-passage.toml")
    assert "0.368 deg of lag" in printed
    assert "8.2 mm of spring travel" in printed
    assert "182.7 mm (slack) to 177.7 mm (tight)" in printed


@pytest.mark.parametrize("key", ["vessel", "head", "engine", "chain", "tightener", "transducer"])
def test_minimal_is_minimal(tmp_path: Path, key: str) -> None:
    """Nothing can be left out of the minimal example: without any of its tables it is refused."""
    data = tomllib.loads((CONFIG / "minimal.toml").read_text(encoding="utf-8"))
    where: dict[str, Any] = data if key in data else data["engine"][0]
    del where[key]
    done = camdrift("check", written(tmp_path, data))
    assert done.returncode == 78
    assert key in done.stderr


@pytest.mark.parametrize("name", NAMES)
def test_ships_with_the_package(name: str) -> None:
    """The package finds each example, in a checkout as when installed, and it is the file in `config`."""
    assert shipped_config(name).read_bytes() == (CONFIG / name).read_bytes()
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]
    assert build["targets"]["wheel"]["force-include"] == {"config": "gateway/_config"}


# -- running ------------------------------------------------------------------------------------------------------

HEADS = {
    "tern-passage.toml": {"main": ({}, 96.0)},
    "minimal.toml": {"main": ({"chain": {"pitch_mm": 101.6, "crank_teeth": 40, "cam_teeth": 40}}, 96.0)},
    "two-engines.toml": {
        "main": ({"head": {"name": "head-main"}, "engine": {"speed": [[0, 88]]}}, 88.0),
        "aux": (
            {
                "head": {"name": "head-aux"},
                "engine": {"ratio": 2, "speed": [[0, 720]], "full_rpm": 750, "reference_rpm": 720, "turning_rpm": 5},
                "tightener": {"kind": "locked", "length_mm": 83.9},
                "transducer": {"at_4ma_mm": 70.0, "at_20ma_mm": 110.0},
            },
            720.0,
        ),
    },
}
"""Of each engine: the scenario of its head, and the speed that the daemon must show."""


@contextmanager
def head_on_tcp(folder: Path, slug: str, scenario: dict[str, Any]) -> Iterator[str]:
    """A simulated head on a free TCP port of this machine; yields its URL."""
    path = folder / f"{slug}-scenario.toml"
    path.write_text(toml_text(scenario), encoding="utf-8")
    command = [*HEAD, str(path), "--tcp", "127.0.0.1:0"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as child:
        try:
            assert child.stdout is not None
            yield child.stdout.readline().strip()
        finally:
            child.terminate()


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", [n if n == "tern-passage.toml" else pytest.param(n, marks=pytest.mark.slow) for n in NAMES]
)
def test_the_daemon_runs_on_it(tmp_path: Path, name: str) -> None:
    """With only ports and folder changed, the daemon hears every head of an example and shows its engine's speed."""
    data = tomllib.loads((CONFIG / name).read_text(encoding="utf-8"))
    data.setdefault("gateway", {})["data_dir"] = str(tmp_path / "data")
    data["broker"] = []
    heads = {h["slug"]: h for h in data["head"]}
    with ExitStack() as end:
        for engine in data["engine"]:
            scenario, _ = HEADS[name][engine["slug"]]
            heads[engine["head"]]["port"] = end.enter_context(head_on_tcp(tmp_path, engine["slug"], scenario))
        config = written(tmp_path, data)
        load_settings(config)
        process = end.enter_context(daemon(config))
        until(lambda: _speeds_are(config, HEADS[name]), "every engine's speed is shown")
        assert process.end() == 0


def _speeds_are(config: Path, wanted: dict[str, tuple[dict[str, Any], float]]) -> bool:
    done = camdrift("status", config, "--json")
    if done.returncode:
        return False
    engines = json.loads(done.stdout)["engines"]
    assert set(engines) == set(wanted)
    return all(abs((engines[slug]["rpm"] or 0.0) - rpm) < 0.1 * rpm for slug, (_, rpm) in wanted.items())
