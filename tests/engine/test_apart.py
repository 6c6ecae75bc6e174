"""A function called in an interpreter of its own."""

import subprocess
import sys
from pathlib import Path

import pytest

from gateway.engine.apart import apart
from gateway.model.errors import PortError, SettingsError

ASK = """
import sys
from pathlib import Path
from gateway.model.errors import SettingsError
from gateway.engine.apart import apart
try:
    apart("gateway.model.settings_file", "load_settings", Path(sys.argv[1]))
except SettingsError as e:
    print(e.faults)
print("{module}" in sys.modules)
"""


def test_our_own_error_comes_back_as_it_was_and_the_module_stays_away(tmp_path: Path) -> None:
    """What the other interpreter raises of our own errors is raised here; its modules are not brought in here."""
    script = ASK.replace("{module}", "tomllib")
    missing = tmp_path / "none.toml"
    done = subprocess.run(
        [sys.executable, "-c", script, str(missing)], capture_output=True, text=True, check=True, timeout=180
    )
    faults, brought_in = done.stdout.splitlines()
    assert str(missing) in faults
    assert "cannot be read" in faults
    assert brought_in == "False"


def test_a_module_that_is_here_already_is_called_here(tmp_path: Path) -> None:
    """No second interpreter where this one has brought the module in."""
    import gateway.model.settings_file  # noqa: F401 - the point of the test

    with pytest.raises(SettingsError, match="cannot be read"):
        apart("gateway.model.settings_file", "load_settings", tmp_path / "none.toml")


def test_an_interpreter_that_fails_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """An unexpected fault there is an error of ours here, with its last line."""
    # Another test may have brought it in.
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    with pytest.raises(PortError, match="no attribute 'no_such_function'"):
        apart("colorsys", "no_such_function")


def test_an_interpreter_that_does_not_start_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """No program, no memory: told with what to look at."""
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    with pytest.raises(PortError, match="is there memory left"):
        apart("colorsys", "rgb_to_hsv", 0.0, 0.0, 0.0)


def test_modules_are_not_taken_from_the_folder_one_is_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of a module's name in the present folder is not run by the other interpreter."""
    (tmp_path / "colorsys.py").write_text("raise SystemExit('taken from here')\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    assert apart("colorsys", "rgb_to_hsv", 0.0, 0.0, 0.5) == (2 / 3, 1.0, 0.5)


def test_an_interpreter_that_hangs_is_killed_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asked is not kept for ever."""
    (tmp_path / "that_hangs.py").write_text("import time\n\ndef hang():\n    time.sleep(60)\n", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(PortError, match=r"was killed, .* did not end in 1 s"):
        apart("that_hangs", "hang", timeout_s=1.0)
