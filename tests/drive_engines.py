"""The invented vessel's engine for the tests of wear, whole or with single settings changed."""

import tomllib
from pathlib import Path
from typing import Any

from gateway.model.settings import EngineSettings
from gateway.model.settings_file import checked_section

TERN = Path(__file__).parents[1] / "config" / "tern-passage.toml"


def tern(**changes: Any) -> EngineSettings:
    """The engine of *Tern Passage*; `chain=dict(...)` changes or adds keys of that table, a plain value a key."""
    data = tomllib.loads(TERN.read_text(encoding="utf-8"))["engine"][0]
    for key, change in changes.items():
        if isinstance(change, dict):
            data[key] = {k: v for k, v in {**data.get(key, {}), **change}.items() if v is not None}
        else:
            data[key] = change
    return checked_section(EngineSettings, data)


def four_stroke(**changes: Any) -> EngineSettings:
    """An invented four-stroke: the camshaft wheel has twice the crank wheel's teeth."""
    chain = {"crank_teeth": 30, "cam_teeth": 60, "pitch_mm": 50.8, "loop_links": 140, "taut_links": 44}
    return tern(ratio=2, chain=chain, **changes)
