"""Recordings of another logger become captures that replay reads: figures, gaps, faults in words."""

import csv
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gateway.cli.main import main
from gateway.link import Decoder
from tests.daemon_rig import example, written

LAG_DEG, RPM, LENGTH_MM, ZERO_DEG = 1.25, 97.0, 181.4, 17.35


def config(folder: Path, **recording: Any) -> Path:
    data = example(folder, None)
    data["engine"][0]["recording"] = recording
    return written(folder, data)


def drive(seconds: float, rate_hz: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, and the turns of crank and cam: steady, with a ripple of the sixth order; raw crank − cam is known."""
    t = np.arange(0.0, seconds, 1 / rate_hz)
    crank = RPM / 60 * t + 0.0002 * np.sin(2 * np.pi * 6 * RPM / 60 * t)
    return t, crank, crank - (ZERO_DEG + LAG_DEG) / 360


def table(path: Path, heading: list[str], rows: Any, separator: str = ",", decimal: str = ".") -> Path:
    with open(path, "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=separator)
        writer.writerow(heading)
        for row in rows:
            writer.writerow([x if isinstance(x, str) else f"{x:.6f}".replace(".", decimal) for x in row])
    return path


def replayed(ship: Path, capture: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["replay", str(ship), str(capture), "--readings"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return [x["message"] for x in lines if x["topic"].endswith("/reading")]


ANGLES = {"time": "t", "time_unit": "ms", "crank": "crank deg", "cam": "cam deg", "length_mm": "rod mm"}


def test_angles_and_length_come_back_as_lag_and_spring(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two minutes at 200 rows a second, angles wrapped at each turn, decimal commas: 1.25° and 181.4 mm again."""
    t, crank, cam = drive(120.0, 200.0)
    file = table(
        tmp_path / "log.csv", ["t", "crank deg", "cam deg", "rod mm"],
        zip(t * 1_000, crank % 1 * 360, cam % 1 * 360, np.full(len(t), LENGTH_MM), strict=True), ";", ",",
    )  # fmt: skip
    ship = config(tmp_path, **ANGLES, separator=";", decimal=",")
    assert main(["import", str(ship), str(file), "--out", str(tmp_path / "log.capture")]) == 0
    shown = capsys.readouterr().err
    assert "No temperatures" in shown and "194 turns" in shown
    last = replayed(ship, tmp_path / "log.capture", capsys)[-1]
    assert last["lag_deg"] == pytest.approx(LAG_DEG, abs=0.02)
    assert last["spring_mm"] == pytest.approx(LENGTH_MM, abs=0.02)


@pytest.mark.parametrize(
    ("unit", "scale"), [({"angle_unit": "counts", "counts_per_turn": 14_400}, 14_400.0), ({"angle_unit": "turns"}, 1.0)]
)
@pytest.mark.parametrize("wraps", [True, False])
def test_counts_and_a_current_come_back_as_lag_and_spring(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], unit: dict[str, Any], scale: float, wraps: bool
) -> None:
    """A counter's whole counts or turns, that begin again at each turn or go on, and the loop's current in mA: the lag
    within a count (0.025°), and the length of 4 to 20 mA for 150 to 230 mm."""
    t, crank, cam = drive(60.0, 500.0)
    angles = [(x % 1 if wraps else x + 1) * scale for x in (crank, cam)]
    if scale > 1:
        angles = [np.floor(x) for x in angles]
    current = np.full(len(t), 4 + 16 * (LENGTH_MM - 150) / 80)
    file = table(tmp_path / "log.csv", ["us", "a", "b", "mA"], zip(t * 1e6, *angles, current, strict=True))
    ship = config(tmp_path, time="us", time_unit="us", crank="a", cam="b", current_ma="mA", **unit)
    assert main(["import", str(ship), str(file), "--out", str(tmp_path / "log.capture")]) == 0
    last = replayed(ship, tmp_path / "log.capture", capsys)[-1]
    assert last["lag_deg"] == pytest.approx(LAG_DEG, abs=0.026)
    assert last["spring_mm"] == pytest.approx(LENGTH_MM, abs=0.02)


def test_pulse_times_come_back_as_a_lag(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """60 pulses a turn of the crank and 12 of the cam, as times: the speed, and a lag (known only as a change)."""
    t, crank, cam = drive(120.0, 2_000.0)
    pulses = []
    for turns, n in ((crank, 60), (cam, 12)):
        k = np.arange(np.ceil(turns[0] * n), np.floor(turns[-1] * n))
        pulses.append(np.interp(k / n, turns, t))
    most = max(map(len, pulses))
    rows = [[i * 120.0 / most, *(f"{p[i]:.6f}" if i < len(p) else "" for p in pulses)] for i in range(most)]
    file = table(tmp_path / "p.csv", ["time", "crank", "cam"], rows)
    ship = config(tmp_path, crank_pulse="crank", cam_pulse="cam", crank_pulses_per_turn=60, cam_pulses_per_turn=12)
    assert main(["import", str(ship), str(file), "--out", str(tmp_path / "p.capture")]) == 0
    shown = capsys.readouterr().err
    assert "known only as a change" in shown and "No length and no current" in shown
    readings = replayed(ship, tmp_path / "p.capture", capsys)
    assert readings[-1]["rpm"] == pytest.approx(RPM, abs=0.2)
    spread = np.ptp([r["lag_deg"] for r in readings[3:] if r["lag_deg"] is not None])
    assert spread < 0.02


def test_a_gap_stays_a_gap(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Five seconds without rows: reported, and no turn is made of them."""
    t, crank, cam = drive(60.0, 200.0)
    keep = (t < 30) | (t > 35)
    rows = zip(t[keep] * 1_000, crank[keep] % 1 * 360, cam[keep] % 1 * 360, np.full(keep.sum(), LENGTH_MM), strict=True)
    file = table(tmp_path / "g.csv", ["t", "crank deg", "cam deg", "rod mm"], rows)
    ship = config(tmp_path, **ANGLES)
    assert main(["import", str(ship), str(file), "--out", str(tmp_path / "g.capture")]) == 0
    assert "1 gap(s) of more than 0.5 s" in capsys.readouterr().err
    decoder = Decoder()
    decoder.feed((tmp_path / "g.capture").read_bytes())
    assert 545 <= decoder.counts.samples <= 555


@pytest.mark.parametrize(("text", "words"), [
    ("t,crank deg\n0,1\n1,2\n", "no column 'cam deg', 'rod mm'"),
    ("t,crank deg,cam deg,rod mm\n0,1,2,3\n", "fewer than two rows"),
    ("t,crank deg,cam deg,rod mm\n0,1,2,3\n0,1,2,3\n", "line 3: time does not rise"),
    ("t,crank deg,cam deg,rod mm\n0,1,2,3\n1,x,2,3\n", "line 3: 'x' is not a number"),
    ("", "no column"),
])  # fmt: skip
def test_faults_are_words(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str) -> None:
    """What is wrong, and where; nothing is written."""
    file = tmp_path / "bad.csv"
    file.write_text(text)
    ship = config(tmp_path, **ANGLES)
    assert main(["import", str(ship), str(file), "--out", str(tmp_path / "x")]) in (1, 2)
    assert words in capsys.readouterr().err and not (tmp_path / "x").exists()


def test_without_its_settings_it_names_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No [engine.recording]: the line that is needed."""
    ship = written(tmp_path, example(tmp_path, None))
    assert main(["import", str(ship), str(tmp_path / "none.csv"), "--out", str(tmp_path / "x")]) in (1, 2)
    assert "[engine.recording]" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("awk") is None, reason="not installed: awk")
def test_the_guides_example_runs(tmp_path: Path) -> None:
    """The guide's lines as they stand there, from the invented recording to its last reading: the lag comes back."""
    root = Path(__file__).parents[2]
    text = (root / "deploy" / "GUIDE.md").read_text(encoding="utf-8")
    (lines,) = [block for block in re.findall(r"^```sh\n(.*?)^```", text, re.M | re.S) if "camdrift import" in block]
    shutil.copytree(root / "config", tmp_path / "config")
    said = subprocess.run(
        ["bash", "-euc", f'camdrift() {{ "{sys.executable}" -m gateway.cli "$@"; }}\n{lines}'],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    assert json.loads(said.stdout)["message"]["lag_deg"] == pytest.approx(0.8, abs=0.02)
