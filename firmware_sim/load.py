"""Reads scenarios: those that come with the package, and TOML files."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

from firmware_sim.scenario import Scenario, ScenarioError, checked
from firmware_sim.voyage import draw_voyage

_BUILTIN = resources.files("firmware_sim") / "scenarios"
VOYAGE = "voyage:"


def builtin_names() -> list[str]:
    """Names of the scenarios that come with the package."""
    return sorted(p.name.removesuffix(".toml") for p in _BUILTIN.iterdir() if p.name.endswith(".toml"))


def load_scenario(name_or_path: str | Path) -> Scenario:
    """A built-in scenario by its name, a TOML file by its path, or `voyage:SEED`. Raises ScenarioError."""
    named = str(name_or_path)
    if named.startswith(VOYAGE) and named.removeprefix(VOYAGE).isdigit():
        return draw_voyage(int(named.removeprefix(VOYAGE))).scenario
    if named in builtin_names():
        text = _BUILTIN.joinpath(f"{named}.toml").read_text(encoding="utf-8")
        return parse_scenario(text, named)
    try:
        return parse_scenario(Path(name_or_path).read_text(encoding="utf-8"), named)
    except OSError as e:
        known = ", ".join(builtin_names())
        raise ScenarioError([f"{named}: cannot be read: {e.strerror}; give a TOML file or one of: {known}"]) from None
    except UnicodeDecodeError:
        raise ScenarioError([f"{named}: is not UTF-8 text; save it as UTF-8"]) from None


def parse_scenario(text: str, source: str = "scenario") -> Scenario:
    """A scenario from TOML text; `source` names it in errors. Raises ScenarioError with one line per fault."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise ScenarioError([f"{source}: not valid TOML: {e}"]) from None
    return checked(data, source)
