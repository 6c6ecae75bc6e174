"""Long work shows how far it is on a terminal, and nothing where it is piped."""

import io
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.cli import progress as module
from gateway.cli.progress import progress


class Terminal(io.StringIO):
    """A stream that is one."""

    def isatty(self) -> bool:
        """Yes."""
        return True


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """No waiting before it appears."""
    monkeypatch.setattr(module, "SHOWN_AFTER_S", 0.0)
    monkeypatch.setattr(module, "UPDATE_EVERY_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")


@pytest.mark.usefixtures("at_once")
def test_on_a_terminal_the_share_and_the_time_left_are_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """On stderr, with the work's name; it is gone when the work is over."""
    pytest.importorskip("tqdm")
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with progress("replay of a capture", 200.0) as moved:
        moved(100.0)
    shown = screen.getvalue()
    assert "replay of a capture" in shown and "50%" in shown and "time left" in shown
    assert "Traceback" not in shown


@pytest.mark.usefixtures("at_once")
def test_where_the_end_is_not_known_the_count_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """And no time left."""
    pytest.importorskip("tqdm")
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with progress("catching up, messages kept") as moved:
        moved(12_345.0)
    assert "messages kept: 12,345" in screen.getvalue() and "time left" not in screen.getvalue()


@pytest.mark.usefixtures("at_once")
def test_where_data_lines_go_to_the_terminal_nothing_is_drawn_among_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """The lines themselves show how far it is."""
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(sys, "stdout", Terminal())
    with progress("replay", 2.0, lines_on_stdout=True) as moved:
        moved(1.0)
    assert screen.getvalue() == ""


@pytest.mark.usefixtures("at_once")
def test_data_that_is_piped_stays_on_stdout(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside a bar on the terminal a piped stdout gets its lines, and the terminal does not."""
    pytest.importorskip("tqdm")
    screen, pipe = Terminal(), io.StringIO()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(sys, "stdout", pipe)
    with progress("export", 2.0, lines_on_stdout=True) as moved:
        moved(1.0)
        sys.stdout.write("data\n")
    assert pipe.getvalue() == "data\n" and "data" not in screen.getvalue() and "export" in screen.getvalue()


@pytest.mark.usefixtures("at_once")
def test_below_few_lines_the_bar_stays_at_the_foot(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's lines and its bar share a terminal; piped there is no bar."""
    pytest.importorskip("tqdm")
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(sys, "stdout", screen)
    with progress("the voyage", 2.0, below_lines=True) as moved:
        moved(1.0)
        print("a line of the voyage")  # noqa: T201
    assert "a line of the voyage" in screen.getvalue() and "the voyage" in screen.getvalue()
    monkeypatch.setattr(sys, "stderr", Terminal())
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    with progress("the voyage", 2.0, below_lines=True) as moved:
        moved(1.0)
    assert isinstance(sys.stderr, Terminal) and sys.stderr.getvalue() == ""


@pytest.mark.usefixtures("at_once")
def test_without_the_library_the_work_goes_on_in_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is not installed: nothing is shown, nothing fails."""
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setitem(sys.modules, "tqdm", None)
    with progress("import", None) as moved:
        moved(1.0)
        moved(2.0)
    assert screen.getvalue() == ""


def test_piped_it_shows_nothing_and_loads_nothing() -> None:
    """In a process of its own: the library is not even imported."""
    code = (
        "import sys; from gateway.cli import progress as p; p.SHOWN_AFTER_S = 0.0\n"
        "with p.progress('work', 2.0) as moved: moved(1.0)\n"
        "assert not any(name.split('.')[0] == 'tqdm' for name in sys.modules)"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, timeout=180)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
