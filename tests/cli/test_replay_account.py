"""The short account after a replay, and its drawing."""

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from gateway.cli.main import main
from gateway.cli.replay_account import POINTS_MAX, Account, _thinned
from gateway.encode.times import utc_of
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.model.records import Measured, Reading, Transition
from gateway.outputs import AlarmChanged, ReadingDue

CASE = Path(__file__).parents[1] / "replay" / "wear-in-bursts"
START_S = utc_of("2031-05-04T06:30:00Z")
SVG = "{http://www.w3.org/2000/svg}"


def moved(tag: str, utc_s: float, came_from: AlarmState, to: AlarmState) -> AlarmChanged:
    """An alarm's move."""
    t = Transition(0, "main", tag, Priority.ALARM, came_from, to, 1.0, 2.0, "mm", "text")
    return AlarmChanged(t, utc_s, 1.0, None)


def reading(utc_s: float, quality: Quality, reason: str = "") -> ReadingDue:
    """A reading whose lag is of this quality."""
    lag = Measured(1.0, quality, reason)
    return ReadingDue(
        Reading(0, 1.0, Running.AHEAD, 90.0, Measured(180.0, Quality.GOOD), 23.0, 1.0, 0.5, lag, 0.1, 40.0), utc_s
    )


def test_alarms_are_counted_with_first_and_last_time_and_the_worst_quality_named() -> None:
    """A repeat is no second alarm; what cleared does not stand at the end; of two equal qualities the first counts."""
    account = Account()
    normal, new, seen = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
    account.take([
        moved("tension-low", START_S, normal, new),
        moved("tension-low", START_S + 60, new, new),
        moved("tension-low", START_S + 120, seen, normal),
        moved("tension-low", START_S + 3_600, normal, new),
        moved("slap-high", START_S, normal, new),
        moved("slap-high", START_S + 60, seen, normal),
        reading(START_S, Quality.GOOD),
        reading(START_S + 10, Quality.BAD, "no zero"),
        reading(START_S + 20, Quality.BAD, "wire"),
    ])  # fmt: skip
    assert account.lines() == [
        "alarms      Chain slack (tension-low): 2 times, first 2031-05-04 06:30:00 UTC, last 2031-05-04 07:30:00 UTC, "
        "stands at the end",
        "            Chain slap high (slap-high): once, 2031-05-04 06:30:00 UTC",
        "quality     worst: spring good, lag bad first at 2031-05-04 06:30:10 UTC (no zero)",
    ]
    assert Account().lines() == ["alarms      none", "quality     worst: no reading"]


def test_a_drawing_keeps_every_peak() -> None:
    """A long capture is thinned, and the one point that matters is still there."""
    points = [(float(n), 5.0 if n == 77_777 else None if n < 1_000 else 1.0) for n in range(100_000)]
    thin = _thinned(points)
    assert len(thin) <= POINTS_MAX and (77_777.0, 5.0) in thin and thin == sorted(thin)
    assert thin[0] == (0.0, None)


def test_replay_draws_lag_spring_and_alarms(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """stdout is the same with and without a drawing; the drawing is well-formed and names each alarm."""
    words = ["replay", str(CASE / "settings.toml"), str(CASE / "capture.bin"), "--start", "2031-05-04T06:30:00Z"]
    assert main(words) == 0
    plain = capsysbinary.readouterr()
    drawing = tmp_path / "replay.svg"
    assert main([*words, "--plot", str(drawing)]) == 0
    drawn = capsysbinary.readouterr()
    assert drawn.out == plain.out and b"Chain slack (tension-low): once" in plain.err
    root = ET.fromstring(drawing.read_text(encoding="utf-8"))
    texts = [t.text or "" for t in root.iter(f"{SVG}text")]
    assert root.tag == f"{SVG}svg" and "Camshaft lag, ° (late is +)" in texts and "Spring length, mm" in texts
    assert any("Chain slack: once, 2031-05-05 00:00:00 UTC, stands at the end" in text for text in texts)
    assert len(list(root.iter(f"{SVG}path"))) == 2


def test_a_drawing_has_its_kind_of_name(capsys: pytest.CaptureFixture[str]) -> None:
    """Another ending is refused before any work, with what to give."""
    assert main(["replay", str(CASE / "settings.toml"), str(CASE / "capture.bin"), "--plot", "x.bmp"]) == 1
    assert "--plot x.bmp: give a name that ends in .svg" in capsys.readouterr().err
