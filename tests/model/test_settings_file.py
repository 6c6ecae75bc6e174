"""The settings are plain dataclasses: pydantic checks them where they come in, the daemon's process is without it."""

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import MISSING, Field, fields
from pathlib import Path
from typing import Any

import pytest

from gateway.model.errors import SettingsError
from gateway.model.marks import Section
from gateway.model.settings_file import checked_settings, fingerprint, load_settings, settings_json, shipped_config

ASIDE = """
import sys
from pathlib import Path
import gateway.model.page_settings
import gateway.model.panel_settings
import gateway.model.settings
from gateway.engine.apart import apart
settings, fingerprint = apart("gateway.model.settings_file", "load_with_fingerprint", Path(sys.argv[1]))
print(settings.vessel.slug, fingerprint, settings.engine[0].tightener.target_length_mm > 0)
print([name for name in sys.modules if "pydantic" in name or name == "gateway.model.settings_file"])
"""
NAMES = ["tern-passage.toml", "minimal.toml", "two-engines.toml"]


@pytest.mark.parametrize("optimised", ["-B", "-OO"])
def test_settings_come_into_a_process_that_never_brings_pydantic_in(optimised: str) -> None:
    """As the daemon gets them: checked elsewhere, whole, with fingerprint; also without docstrings and asserts."""
    path = shipped_config("tern-passage.toml")
    done = subprocess.run(
        [sys.executable, optimised, "-c", ASIDE, str(path)], capture_output=True, text=True, check=True, timeout=180
    )
    assert done.stdout.splitlines() == [f"tern-passage {fingerprint(load_settings(path))} True", "[]"]


@pytest.mark.parametrize("name", NAMES)
def test_settings_come_back_from_their_json(name: str) -> None:
    """What the fingerprint is taken of holds all that is set: read back it is the same settings."""
    settings = load_settings(shipped_config(name))
    assert checked_settings(json.loads(settings_json(settings))) == settings


def made_by_factories() -> Iterator[tuple[str, Field[Any]]]:
    """Every field of a section whose default a factory makes, by name."""
    for kind in Section.__subclasses__():
        for f in fields(kind):  # type: ignore[arg-type]
            if f.default_factory is not MISSING:
                yield f"{kind.__name__}.{f.name}", f


def test_the_schema_tells_the_defaults_that_are_made() -> None:
    """A list or a table as default is told beside its factory: the two agree, and no two objects share one."""
    found = dict(made_by_factories())
    assert {"BrokerSettings.classes", "Settings.alarms", "PageSettings.users"} <= set(found)
    for name, f in found.items():
        assert f.default_factory is not MISSING
        assert f.metadata["json_schema_extra"]["default"] == f.default_factory(), name
        assert f.default_factory() is not f.default_factory(), name


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ("table = [[4, 150.0]]\nat_4ma_mm", "engine.0.transducer.table: a calibration table needs at least two points"),
        ("table = [[4, 1], [3, 2]]\nat_4ma_mm", "engine.0.transducer.table: the calibration table's mA must rise"),
        ("table = 4\nat_4ma_mm", "engine.0.transducer.table: a list is needed, not 4"),
        ("tbale = 4\nat_4ma_mm", "engine.0.transducer.tbale: unknown key; remove it or correct its spelling"),
        ("lag = 4\nat_4ma_mm", "engine.0.transducer.lag: unknown key; remove it or correct its spelling"),
    ],
)
def test_a_fault_names_its_key(tmp_path: Path, change: str, line: str) -> None:
    """A check of one value names that value's key, one of a section the section."""
    text = shipped_config("minimal.toml").read_text(encoding="utf-8")
    assert text.count("at_4ma_mm") == 1
    path = tmp_path / "ship.toml"
    path.write_text(text.replace("at_4ma_mm", change), encoding="utf-8")
    with pytest.raises(SettingsError) as refused:
        load_settings(path)
    (fault,) = refused.value.faults
    assert fault.startswith(f"{path}: {line}")


def test_a_value_in_place_of_a_table(tmp_path: Path) -> None:
    """Told are the line that opens such a table, and what was there; not a library's words, which no reader knows."""
    path = tmp_path / "ship.toml"
    path.write_text("alarms = 2\nvessel = 3\nhead = [4]\nengine = []\n", encoding="utf-8")
    with pytest.raises(SettingsError) as refused:
        load_settings(path)
    assert refused.value.faults == [
        f"{path}: vessel: a table is needed, as in [vessel], not 3",
        f"{path}: head.0: a table is needed, as in [[head]], not 4",
        f"{path}: engine: List should have at least 1 item after validation, not 0",
        f"{path}: alarms: a table is needed, as in [alarms], not 2",
    ]
