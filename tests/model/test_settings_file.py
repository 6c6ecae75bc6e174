"""The settings' file: every fault is a line that names its key, what is wrong and what is allowed."""

import json
from collections.abc import Iterator
from dataclasses import MISSING, Field, fields
from pathlib import Path
from typing import Any

import pytest

from gateway.model.errors import SettingsError
from gateway.model.fields import Section
from gateway.model.settings_file import checked_settings, load_settings, settings_json, shipped_config

NAMES = ["tern-passage.toml", "minimal.toml", "two-engines.toml"]


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
        ("table = 4\nat_4ma_mm", "engine.0.transducer.table: 4 is not allowed, a list is needed"),
        ("tbale = 4\nat_4ma_mm", "engine.0.transducer.tbale: unknown key; do you mean table?"),
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
        f"{path}: vessel: 3 is not allowed, a table is needed, as in [vessel]",
        f"{path}: head.0: 4 is not allowed, a table is needed, as in [[head]]",
        f"{path}: engine: [] is not allowed, at least 1 items are needed",
        f"{path}: alarms: 2 is not allowed, a table is needed, as in [alarms]",
    ]


def test_a_key_of_thousands_of_parts_is_refused_before_it_is_parsed(tmp_path: Path) -> None:
    """The parser's time grows with the square of their number: 500,000 fit into a file, and that takes an hour. What
    has dots and is no key passes."""
    path = tmp_path / "camdrift.toml"
    for key in (".".join("a" * 500_000), " . ".join(["'a'"] * 20) + " . b", "x = {" + ".".join("a" * 1_000)):
        path.write_text(f"{key} = 1\n", encoding="utf-8")
        with pytest.raises(SettingsError, match="a key of 20 or more parts"):
            load_settings(path)
    text = shipped_config(NAMES[0]).read_text(encoding="utf-8")
    path.write_text(text + "# " + "." * 5_000 + " 1.2.3.4\n" + "# " + "word" * 50_000 + "\n", encoding="utf-8")
    assert load_settings(path)


def test_the_faults_shown_are_bounded(tmp_path: Path) -> None:
    """A file of another kind has thousands: the first hundred, and how many more."""
    path = tmp_path / "camdrift.toml"
    path.write_text("".join(f"[t{n}]\n" for n in range(5_000)), encoding="utf-8")
    with pytest.raises(SettingsError) as e:
        load_settings(path)
    lines = str(e.value).splitlines()
    assert len(lines) == 101 and lines[-1].endswith("and 4,903 more; correct these first")
