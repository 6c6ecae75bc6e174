"""What a fuzzer found and stays mended: odd settings files and odd requests are refused in few words."""

from pathlib import Path
from typing import Any

import pytest
from outside_bytes import _commands
from structlog.testing import capture_logs

from gateway.model.errors import Refused, SettingsError
from gateway.model.settings_file import load_settings
from gateway.model.toml_file import KEY_CHARS_MAX

ACT: dict[str, Any] = {"do": "shelve", "alarm": "slap-high", "why": "rope on order", "minutes": 30}


def told(tmp_path: Path, text: str) -> list[str]:
    """The lines that such a settings file is refused with."""
    path = tmp_path / "ship.toml"
    path.write_text(text)
    with pytest.raises(SettingsError) as refused:
        load_settings(path)
    return [line.removeprefix(f"{path}: ") for line in str(refused.value).splitlines()]


@pytest.mark.parametrize("text", ["a = " + "9" * 5_000, "a = " + "[" * 2_000])
def test_numbers_too_long_and_tables_too_deep(tmp_path: Path, text: str) -> None:
    """What the TOML reader has no word for (Python's limits of digits and of depth) is one line, and no traceback."""
    assert told(tmp_path, text) == ["not valid TOML: a number is too long, or tables lie too deep"]


def test_a_value_without_end_is_shown_in_part(tmp_path: Path) -> None:
    """A reason is read in a terminal: of a long value, key or number only so much is shown."""
    lines = told(tmp_path, f'[vessel]\nslug = "{"X" * 9_000}"\nname = 0x{"f" * 5_000}\n{"k" * 9_000} = 1\n')
    assert all(len(line) < 2 * KEY_CHARS_MAX for line in lines)
    assert any(line.startswith("vessel.slug: ") and "…" in line for line in lines)
    assert any(line.startswith("vessel.name: ") and "a number of thousands of digits" in line for line in lines)
    assert any(line.startswith("vessel.kkk") and "…: unknown key" in line for line in lines)


@pytest.mark.parametrize("minutes", [10**400, -(10**400), float("nan"), float("inf"), True, "30", [30]])
def test_minutes_that_are_no_number_of_minutes(minutes: object) -> None:
    """JSON's whole numbers have no end: one that no float can hold is refused as any other that is none."""
    with pytest.raises(Refused, match=r"^minutes is not a number$"):
        _commands().handle("shell", {**ACT, "minutes": minutes}, "second")


@pytest.mark.parametrize("key", ["by", "why", "alarm", "engine"])
@pytest.mark.parametrize("text", ["\ud800", "a\udfffb", "a\0b"])
def test_texts_that_cannot_be_kept(key: str, text: str) -> None:
    """Half of a pair cannot be written as UTF-8 and would stop the writer; a NUL would be refused ashore."""
    with pytest.raises(Refused, match="cannot be kept"):
        _commands().handle("shell", {**ACT, key: text}, "second")
    with pytest.raises(Refused, match="cannot be kept"):
        _commands().handle("shell", {"do": "book", "entry": {"kind": "retightened", "notes": [{key: text}]}}, "second")
    with pytest.raises(Refused, match="cannot be kept"):
        _commands().handle("shell", {**ACT, text: 1}, "second")


def test_a_refusal_is_in_the_log_with_who_asked_for_what() -> None:
    """Someone who tries acts that are not theirs can be found out; odd text in the request does not hide it."""
    with capture_logs() as log:
        for do in ("open-the-sea-cocks", "a\udfffb" * 100):
            with pytest.raises(Refused):
                _commands().handle("shell", {"do": do}, "oiler")
    assert [(line["who"], line["log_level"]) for line in log] == [("oiler", "warning")] * 2
    assert log[0]["do"] == "'open-the-sea-cocks'" and "is not among what can be asked" in log[0]["why"]
    assert log[1]["do"].isascii() and len(log[1]["do"]) <= 64


@pytest.mark.parametrize("do", [{"a": []}, [], None, 7, "x" * 10_000, "\x1b[2J"])
def test_a_request_for_what_is_no_word_is_refused_in_few_words(do: object) -> None:
    """A table or a list in place of the word is no fault of the daemon's; a terminal's control characters are shown."""
    with pytest.raises(Refused, match="is not among what can be asked") as refused:
        _commands().handle("shell", {"do": do}, "second")
    assert len(str(refused.value)) < 400 and "\x1b" not in str(refused.value)
