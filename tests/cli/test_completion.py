"""Completion for the usual shells, made from the real command line."""

import shutil
import subprocess

import pytest

from gateway.cli.completion import SHELLS
from gateway.cli.main import COMMANDS, main

pytest.importorskip("shtab", reason="the extra `terminal` is not installed")


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_gets_all_commands_and_their_options(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command of `--help` and an option of one of them stand in the script."""
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(name in script for name in COMMANDS) and "plot" in script


def test_bash_takes_the_script_and_completes(capsys: pytest.CaptureFixture[str]) -> None:
    """A real bash reads it without a word, and offers the command that begins with `rep`."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash here")
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    ask = 'COMP_WORDS=(camdrift repl); COMP_CWORD=1; COMP_LINE="camdrift repl"; _shtab_camdrift; echo "${COMPREPLY[@]}"'
    done = subprocess.run([bash, "-c", f"{script}\n{ask}"], capture_output=True, text=True, timeout=180)
    assert (done.stdout.split(), done.stderr) == (["replay"], "")


def test_bash_completes_the_command_of_the_package_ashore(capsys: pytest.CaptureFixture[str]) -> None:
    """`camdrift-shore` has the commands of `camdrift shore`, and their options; none of the box aboard."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash here")
    assert main(["completion", "bash", "--shore"]) == 0
    script = capsys.readouterr().out
    asked = "\n".join(
        f'COMP_WORDS=({words}); COMP_CWORD={words.count(" ")}; _shtab_camdrift_shore; echo "${{COMPREPLY[@]}}"'
        for words in ("camdrift-shore fl", "camdrift-shore keep --dr", "camdrift-shore comm")
    )
    done = subprocess.run([bash, "-c", f"{script}\n{asked}\ncomplete -p"], capture_output=True, text=True, timeout=180)
    first, second, third, *_, last = done.stdout.splitlines()
    assert (first, second, third, done.stderr) == ("fleet", "--drain", "", "")
    assert last.endswith(" camdrift-shore")


def test_another_shell_is_refused_with_those_that_are_known(capsys: pytest.CaptureFixture[str]) -> None:
    """Usage, with the list."""
    with pytest.raises(SystemExit) as e:
        main(["completion", "cmd"])
    assert e.value.code == 2 and "bash" in capsys.readouterr().err
