"""The demo: its whole story through a real pty and a real broker, its end by Ctrl-C, and its crew."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.cli.demo_voyage import Voyage
from gateway.model.errors import Refused

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "gateway.cli", "demo"]
WIDTH_MAX = 110


@pytest.mark.slow
@pytest.mark.timeout(1_500)
def test_tells_its_story_to_the_end() -> None:
    """One command shows wear past both limits, retightenings, a stuck transducer named as such, a re-timing that is
    booked and proved, and ranges."""
    done = subprocess.run([*COMMAND, "--seconds", "600"], cwd=ROOT, capture_output=True, text=True, timeout=1_200)
    assert (done.returncode, done.stderr) == (0, "")
    assert max(map(len, done.stdout.splitlines())) <= WIDTH_MAX
    summary = done.stdout[done.stdout.index("What was seen, in order") :]
    begins = "Camshaft set|Camshaft|Chain slack|Chain retightened|Length does not move"
    told = re.findall(rf"(ALARM|WARNING|BOOKED|PROVED) +({begins})", summary)
    firsts = list(dict.fromkeys(told))
    story = [
        ("WARNING", "Camshaft"),
        ("ALARM", "Chain slack"),
        ("BOOKED", "Chain retightened"),
        ("WARNING", "Length does not move"),
        ("ALARM", "Camshaft"),
        ("BOOKED", "Camshaft set"),
        ("PROVED", "Camshaft set"),
    ]
    assert [x for x in firsts if x in story] == story
    assert told.count(("BOOKED", "Chain retightened")) == 2
    assert "tightener arm or transducer stuck" in re.sub(r"\s+", " ", summary)
    # A long one goes on in the next line.
    assert re.search(r"about [0-9,]+ h \([0-9,]+ to [0-9,]+\)", re.sub(r"\s+", " ", done.stdout))
    assert "Find the fault first" not in summary
    assert "monitoring aid" in done.stdout


@pytest.mark.slow
def test_ctrl_c_ends_it_with_the_summary(tmp_path: Path) -> None:
    """Ctrl-C, sent to the whole process group as a terminal does, still gives the summary, and no child is left."""
    keep = tmp_path / "kept"
    child = subprocess.Popen(
        [*COMMAND, "--keep", str(keep), "--seconds", "60"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert child.stdout is not None
    before = [line for line, _ in zip(iter(child.stdout.readline, ""), range(14), strict=False)]
    os.killpg(child.pid, signal.SIGINT)
    after, errors = child.communicate(timeout=180)
    assert child.returncode == 0
    assert any("running hours in" in line for line in after.splitlines()), before
    assert "Traceback" not in errors
    assert not (keep / "head").is_symlink()
    left = subprocess.run(["pgrep", "-f", str(keep)], capture_output=True, text=True, timeout=180)
    assert left.stdout == ""


def staying() -> tuple["subprocess.Popen[str]", str]:
    """A demo that stays after its voyage, and what it has printed until then."""
    child = subprocess.Popen(
        [*COMMAND, "--seconds", "4", "--stay"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert child.stdout is not None
    shown = ""
    for line in iter(child.stdout.readline, ""):
        shown += line
        if "Ctrl-C ends all" in line:
            break
    return child, shown


def ended(child: "subprocess.Popen[str]") -> tuple[int, str]:
    """Ctrl-C: the exit status and what stands on stderr."""
    os.killpg(child.pid, signal.SIGINT)
    errors = child.communicate(timeout=180)[1]
    return child.returncode, errors


@pytest.mark.slow
def test_serves_the_page_and_stays_when_asked() -> None:
    """The demo names its page and who may act there; with --stay both outlive the voyage, until Ctrl-C."""
    child, shown = staying()
    for _ in range(3):
        if "not served just now" not in shown:
            break
        # Another gateway of the tests took the usual port between the look and the start.
        ended(child)
        child, shown = staying()
    try:
        assert "running hours in" in shown
        url = re.findall(r"http://127\.0\.0\.1:\d+", shown)[0]
        name, password = re.findall(r"log in as (\w+) with (\w+)", shown)[0]
        assert httpx.get(f"{url}/api/present").json()["vessel"] == "Tern Passage"
        assert httpx.post(f"{url}/api/login", json={"name": name, "password": password}).json()["user"] == name
    finally:
        status = ended(child)
    assert status == (0, "")


# -- the crew -----------------------------------------------------------------------------------------------------


class Desk:
    """Takes the crew's requests; refuses them where told to."""

    def __init__(self, *, refuses: bool = False) -> None:
        self.asked: list[dict[str, Any]] = []
        self._refuses = refuses

    def __call__(self, request: dict[str, Any], _who: str) -> dict[str, Any]:
        self.asked.append(request)
        if self._refuses:
            raise Refused("not now")
        return {}


def reading(running: str, spring_mm: float | None, hours: float = 100.0) -> dict[str, Any]:
    """As much of a reading as the demo looks at."""
    return {
        "ts": "2031-02-03T04:05:06.000Z",
        "hours": hours,
        "running": running,
        "rpm": 96.0,
        "spring_mm": spring_mm,
        "tension_n": 1200.0,
        "lag_deg": None,
        "quality": {"lag": "good", "spring": "good"},
    }


@pytest.mark.parametrize(("in_port_mm", "booked"), [(181.8, 0), (179.0, 1), (None, 0)])
def test_crew_books_a_turned_nut_once(in_port_mm: float | None, booked: int) -> None:
    """A spring that is shorter in port by more than cooling makes it is booked, once in that stay."""
    desk = Desk()
    voyage = Voyage(desk, "main")
    voyage.take("x/reading", reading("ahead", 182.9))
    for _ in range(3):
        voyage.take("x/reading", reading("stopped", in_port_mm))
    voyage.crew_leaves()
    work = [r["entry"] for r in desk.asked if r["entry"]["kind"] != "loading"]
    assert [w["kind"] for w in work] == ["retightened"] * booked
    if booked:
        assert work[0]["spring_before_mm"] == 182.9


def test_crew_tells_the_loading_once_for_each_leg() -> None:
    """The condition of the leg that has begun; those that went by unseen are not told late."""
    desk = Desk()
    voyage = Voyage(desk, "main")
    for day in ("2031-01-01", "2031-01-03", "2031-01-04", "2031-03-12"):
        voyage.take("x/reading", reading("ahead", 181.0) | {"ts": f"{day}T00:00:00.000Z"})
    voyage.crew_leaves()
    assert [r["entry"]["condition"] for r in desk.asked] == ["laden", "laden"]


def test_re_timing_is_booked_under_way_and_proved(capsys: pytest.CaptureFixture[str]) -> None:
    """Booked once with the first lag that is known after the stay; the lag that is good again is the proof."""
    desk = Desk()
    voyage = Voyage(desk, "main")
    voyage.take("x/reading", reading("ahead", 181.0) | {"ts": "2031-11-20T00:00:00.000Z", "lag_deg": 2.01})
    after = {"ts": "2031-12-17T06:00:00.000Z", "lag_deg": 0.22}
    for quality in ("doubtful", "doubtful"):
        voyage.take("x/reading", reading("ahead", 181.0) | after | {"quality": {"lag": quality, "spring": "good"}})
    done = {"kind": "adjustment", "what": "camshaft-set", "by": "second engineer", "before": {}, "after": {}}
    voyage.take("x/event", done | {"ts": after["ts"], "hours": 100.0})
    for _ in range(2):
        voyage.take("x/reading", reading("ahead", 181.0) | after)
    voyage.crew_leaves()
    assert [r["entry"]["kind"] for r in desk.asked].count("camshaft-set") == 1
    assert capsys.readouterr().out.count("lag at sea +0.22°, before the work +2.01°") == 1


def test_refused_booking_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A booking that the daemon refuses is told with its reason, and the voyage goes on."""
    voyage = Voyage(Desk(refuses=True), "main")
    voyage.take("x/reading", reading("ahead", 182.9))
    voyage.take("x/reading", reading("stopped", 179.0))
    voyage.crew_leaves()
    assert "the booking was refused: not now" in capsys.readouterr().out


def test_summary_of_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """A voyage ended before it began is summed up in words, not by a fault."""
    voyage = Voyage(Desk(), "main")
    voyage.crew_leaves()
    voyage.sum_up(whole=False, seconds=0.2)
    said = capsys.readouterr().out
    assert "0 running hours" in said
    assert "too short for a trend" in said
