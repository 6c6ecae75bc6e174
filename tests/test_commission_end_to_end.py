"""`camdrift commission` beside a real daemon that hears the simulated head: planted mistakes are named, and the figures
that it proposes are the scenario's truth."""

import io
import json
import math
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.cli.main import main
from tests.daemon_rig import free_port
from tests.sheet_rig import Aboard, aboard, figure, standing

ZERO_DEG = 17.35
TURNING_RPM = 1.2


def commission(ship: Aboard, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    """Run the command; exit status, and what it printed."""
    capsys.readouterr()
    status = main(["commission", str(ship.config), "--person", "A. Person", *words])
    return status, capsys.readouterr().out


def turned(
    ship: Aboard, capsys: pytest.CaptureFixture[str], task: str, begin_s: float, end_s: float
) -> tuple[int, str]:
    """A task while the engine is on the turning gear, from one time of the scenario to another."""
    ship.until(begin_s)
    assert commission(ship, capsys, "--task", task, "--begin")[0] == 0
    ship.until(end_s)
    turns = float(ship.truth.turns(end_s) - ship.truth.turns(begin_s))
    answer = ("--set", f"turns={turns:.3f}") if task == "sense" else ()
    return commission(ship, capsys, "--task", task, *answer)


@pytest.mark.parametrize(
    ("wiring", "words"),
    [
        ({}, ["Both encoders count ahead"]),
        pytest.param(
            {"crank_reversed": True}, ["The crank encoder is reversed", "(pins 2 and 3)"], marks=pytest.mark.slow
        ),
        ({"cam_reversed": True}, ["The cam encoder is reversed", "(pins 5 and 6)"]),
        pytest.param(
            {"cam_scale": 0.5},
            ["The cam encoder shows 0.50", "wrong ratio", "set cam_lines 1800"],
            marks=pytest.mark.slow,
        ),
        pytest.param(
            {"cam_scale": 0.87890625},
            ["The cam encoder shows 0.8", "wrong counts", "set cam_lines 316"],
            marks=pytest.mark.slow,
        ),
        ({"crank_scale": 0.87890625}, ["The crank encoder shows 0.8", "wrong counts", "set crank_lines 316"]),
    ],
)
def test_wrong_wiring_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], wiring: dict[str, object], words: list[str]
) -> None:
    """Two turns on the turning gear name the mistake, and the settings file is as it was."""
    with aboard(tmp_path, standing(rpm=TURNING_RPM).changed(wiring=wiring)) as ship:
        before = ship.config.read_bytes()
        status, text = turned(ship, capsys, "sense", 14.0, 116.0)
        assert status == (0 if not wiring else 1), text
        for word in words:
            assert word in " ".join(text.split())
        assert ship.config.read_bytes() == before


@pytest.mark.slow
@pytest.mark.parametrize("swapped", [False, True])
def test_swapped_plugs_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str], swapped: bool) -> None:
    """With the cam encoder still the other channel stops where the plugs are exchanged."""
    pulled = {"at_s": 20.0, "kind": "cam-stuck", "for_s": 60.0}
    with aboard(tmp_path, standing(pulled, rpm=TURNING_RPM).changed(wiring={"swapped": swapped})) as ship:
        status, text = turned(ship, capsys, "plugs", 24.0, 44.0)
        assert (status, "are swapped" in text) == ((1, True) if swapped else (0, False)), text


@pytest.mark.slow
def test_an_index_that_slips_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The cam's encoder slips once within three turns."""
    slip = {"at_s": 60.0, "kind": "cam-slip", "deg": 0.5}
    with aboard(tmp_path, standing(slip, rpm=TURNING_RPM)) as ship:
        status, text = turned(ship, capsys, "index", 14.0, 160.0)
        assert status == 1 and "cam encoder's index came 1 times" in " ".join(text.split())
        status, text = turned(ship, capsys, "index", 161.0, 300.0)
        assert status == 0, text


def test_lost_motion_is_measured_by_a_turn_each_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ahead alone is not enough; astern as well gives what the drive's truth has between its two ways."""
    with aboard(tmp_path, standing(turned=[(10.0, 80.0, TURNING_RPM), (84.0, 200.0, -TURNING_RPM)])) as ship:
        status, text = turned(ship, capsys, "lost-motion", 14.0, 78.0)
        assert status == 1 and "Not measured yet" in text
        ship.until(150.0)
        status, text = commission(ship, capsys, "--task", "lost-motion")
        assert status == 0, text
        kept = json.loads((tmp_path / "data" / "commission-main.json").read_text(encoding="utf-8"))["done"]
        deg = kept["lost-motion"]["values"]["lost_motion_deg"]
        assert deg == pytest.approx(float(ship.truth.lag_deg(70.0) - ship.truth.lag_deg(140.0)), abs=0.02)
        assert figure(ship.sheet("retime"), "lost_motion_deg") == pytest.approx(deg, abs=0.001)


class Person(io.TextIOBase):
    """Standard input: each line is worked out when it is asked for, so that the scenario goes on between two."""

    def __init__(self, *lines: Callable[[], str] | str) -> None:
        self._lines = list(lines)

    def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
        if not self._lines:
            return ""
        line = self._lines.pop(0)
        return (line() if callable(line) else line) + "\n"


def test_guided_from_the_head_to_the_spring(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Followed by its prompts in two sittings: zero within 0.02° and mounting within 0.02° of the truth, the transducer
    against the true length, the record kept and printed."""
    nuts = [{"at_s": at, "kind": "nut-turn", "turns": -1.2, "for_s": 5.0} for at in (520.0, 560.0)]
    pulled = {"at_s": 130.0, "kind": "cam-stuck", "for_s": 30.0}
    with aboard(tmp_path, standing(*nuts, pulled, rpm=TURNING_RPM)) as ship:
        at = lambda t_s, text="": lambda: ship.until(t_s) or text  # noqa: E731
        late_mm = math.radians(float(ship.truth.lag_deg(400.0))) * 160
        rule = lambda t_s: lambda: ship.until(t_s) or f"{float(ship.truth.spring_mm(t_s)):.1f}"  # noqa: E731
        first = [
            "A. Person", at(13.0), "3600", "3600",
            "", "yes",
            at(14.0), at(116.0), f"{float(ship.truth.turns(116.0) - ship.truth.turns(14.0)):.2f}",
            at(132.0), at(158.0),
        ]  # fmt: skip
        monkeypatch.setattr(sys, "stdin", Person(*first))
        assert main(["commission", str(ship.config)]) == 1
        assert "== plugs" in capsys.readouterr().out
        kept = json.loads((tmp_path / "data" / "commission-main.json").read_text(encoding="utf-8"))
        assert [k for k, d in kept["done"].items() if d["ok"]] == ["head", "isolate", "sense", "plugs"]
        second = [
            at(170.0), at(320.0),
            at(322.0), at(340.0), f"{late_mm:.3f}",
            at(342.0), at(412.0), "",
            # Not right at first: an answer that is no number is asked for again.
            "", "a few", "", rule(515.0), "", rule(550.0), "", rule(590.0),
            "", "203.1", "203.3", "", "no", "", "yes", "", "yes",
        ]  # fmt: skip
        monkeypatch.setattr(sys, "stdin", Person("B. Person", *second))
        assert main(["commission", str(ship.config)]) == 1
        text = capsys.readouterr().out
        assert "NOT ACCEPTED: rule_mm: 'a few' is not a number" in text
        status, record = commission(ship, capsys, "--record")
        kept = json.loads((tmp_path / "data" / "commission-main.json").read_text(encoding="utf-8"))["done"]
    assert status == 1 and record == (tmp_path / "data" / "commission-main.txt").read_text(encoding="utf-8")
    assert all(kept[key]["ok"] for key in ("index", "dead-centre", "zero", "eccentricity", "transducer-3", "spring"))
    assert kept["zero"]["values"]["zero_deg"] == pytest.approx(ZERO_DEG, abs=0.02)
    # Two encoders, each 0.2° off centre, at 30° and 110°: their difference.
    assert kept["eccentricity"]["values"]["mounting_deg"] == pytest.approx(0.4 * math.sin(math.radians(40)), abs=0.02)
    assert kept["transducer-3"]["settings"] == []
    assert kept["sense"]["by"].startswith("A. Person (") and kept["zero"]["by"].startswith("B. Person (")
    assert "TRIAL" not in record and "Trial alarm" in record and "NOT DONE" in record


def test_a_damaged_record_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A record that cannot be read, and answers that fit no task, are refused in words, exit status 1."""
    with aboard(tmp_path, standing()) as ship:
        ship.until(3.0)
        path = tmp_path / "data" / "commission-main.json"
        path.write_text("{", encoding="utf-8")
        assert commission(ship, capsys, "--list")[0] == 1
        path.unlink()
        assert commission(ship, capsys, "--task", "nothing")[0] == 1
        assert commission(ship, capsys, "--task", "sense", "--set", "x=1")[0] == 1
        assert commission(ship, capsys, "--task", "sense", "--set", "turns=2")[0] == 1
        assert commission(ship, capsys, "--begin")[0] == 1
        assert not path.exists()
        status, text = commission(ship, capsys, "--list")
        assert status == 1 and text.splitlines()[0].split()[:3] == ["head", "not", "done"]


def test_a_trial_alarm_is_seen_or_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a trial the answers count for nothing; with it each outlet of the settings is asked for."""
    with aboard(tmp_path, standing(), {"port": free_port()}) as ship:
        ship.until(3.0)
        assert commission(ship, capsys, "--task", "trial", "--begin")[0] == 0
        status, text = commission(ship, capsys, "--task", "trial", "--set", "page=yes")
        assert status == 1 and "camdrift try-alarm" in text
        assert main(["try-alarm", str(ship.config)]) == 0
        assert commission(ship, capsys, "--task", "trial", "--set", "page=no")[0] == 1
        status, text = commission(ship, capsys, "--task", "trial", "--set", "page=yes")
        assert status == 0 and "page: seen" in text
