"""`camdrift-head --emulated` where something is missing: named, with the line that installs it, exit status 74."""

import shutil
from pathlib import Path

import pytest

from firmware_sim import emulated
from firmware_sim.cli import main
from firmware_sim.outlets import OutletError

HEAD = Path(__file__).parents[2] / "deploy" / "head"


def refused(capsys: pytest.CaptureFixture[str], folder: Path, *words: str) -> str:
    """What it prints to stderr; nothing else comes out of it."""
    assert main(["steady", "--emulated", "--duration", "1", "--out", str(folder / "out.bin"), *words]) == 74
    return capsys.readouterr().err


def test_missing_tools_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With an empty PATH: all three packages, and the line that installs them."""
    monkeypatch.setenv("PATH", str(tmp_path))
    text = refused(capsys, tmp_path)
    assert "sudo apt install nodejs make gcc-arm-none-eabi npm" in text and "Traceback" not in text


def test_a_missing_emulator_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the folder in which it was looked for, and the exact version."""
    monkeypatch.setattr(shutil, "which", lambda tool: f"/usr/bin/{tool}")
    monkeypatch.setenv("CAMDRIFT_EMULATOR", str(tmp_path / "none"))
    text = refused(capsys, tmp_path)
    assert f"npm install --no-save --no-package-lock --prefix {tmp_path / 'none'} {emulated.EMULATOR}" in text


def test_missing_and_broken_sources_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No Makefile; a Makefile that fails."""
    assert "give --firmware DIR" in refused(capsys, tmp_path, "--firmware", str(tmp_path))
    (tmp_path / "Makefile").write_text("all:\n\tfalse\n", encoding="utf-8")
    with pytest.raises(OutletError, match="cannot be built"):
        emulated.built(tmp_path, out=tmp_path)


@pytest.mark.parametrize(
    "words", [["--firmware", "x", "--pty"], ["--emulated", "--pty", "--speed", "10"], ["--emulated"]]
)
def test_options_that_do_not_go_together(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 2, with the reason."""
    with pytest.raises(SystemExit) as e:
        main(["steady", *words])
    assert e.value.code == 2 and "error:" in capsys.readouterr().err
