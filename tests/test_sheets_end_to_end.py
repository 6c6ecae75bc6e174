"""The retighten and re-time sheets followed from start to end: the simulated head, the real daemon, the log book."""

from pathlib import Path

import pytest

from firmware_sim import Truth
from gateway.cli.main import main
from tests.sheet_rig import aboard, figure, said, standing, take

FREE_MM, REQUIRED_MM = 202.9, 23.0


def test_retighten_from_start_to_end(tmp_path: Path) -> None:
    """Pins that the sheet leads to the target, shows that it was passed, that it holds, and that before and after in
    the log book are the head's truth within 0.05 mm."""
    plain = Truth(standing())
    target = FREE_MM - REQUIRED_MM
    over_mm = 0.6
    turns = (float(plain.spring_mm(200.0)) - target + over_mm) / 6.0
    scenario = standing(
        {"at_s": 60.0, "kind": "nut-turn", "turns": turns, "for_s": 60.0},
        {"at_s": 160.0, "kind": "nut-turn", "turns": -over_mm / 6.0, "for_s": 10.0},
    )
    with aboard(tmp_path, scenario) as ship:
        ship.until(40.0)
        sheet = ship.sheet("retighten")
        assert sheet["booking"] is None and "20 min" in " ".join(sheet["cautions"])
        before = take(sheet, "before_mm")
        assert before == pytest.approx(float(ship.truth.spring_mm(40.0)), abs=0.05)
        assert said(ship.sheet("retighten", free_mm=205.0), "a spring does not grow")
        typed: dict[str, object] = {"before_mm": before, "free_mm": FREE_MM}
        sheet = ship.sheet("retighten", **typed)
        assert figure(sheet, "target_mm") == pytest.approx(target)
        assert figure(sheet, "nut_turns") == pytest.approx(turns - over_mm / 6, abs=0.01)
        ship.until(90.0)
        assert 0.1 < figure(ship.sheet("retighten", **typed), "to_go_mm") < before - target
        ship.until(140.0)
        sheet = ship.sheet("retighten", **typed)
        assert said(sheet, "Passed the target by 0.6") and figure(sheet, "nut_turns") < 0
        ship.until(200.0)
        sheet = ship.sheet("retighten", **typed)
        assert said(sheet, "At the target") and abs(figure(sheet, "to_go_mm")) < 0.05
        typed["there_mm"] = take(sheet, "there_mm")
        ship.until(300.0)
        assert said(ship.sheet("retighten", **typed), "The length holds")
        typed["held_mm"] = take(ship.sheet("retighten", **typed), "held_mm")
        sheet = ship.sheet("retighten", **typed, play_links="0,7")
        assert sheet["waits"][0]["since_s"] <= 300.5 and sheet["waits"][0]["least_s"] == 1_200
        event = ship.book(sheet)
    assert event["what"] == "retightened"
    assert event["before"]["spring_mm"] == pytest.approx(float(plain.spring_mm(40.0)), abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(300.0)), abs=0.05)
    assert event["after"]["free_length_mm"] == FREE_MM
    assert "hand play 0.7" in event["text"]


def test_retime_from_start_to_end(tmp_path: Path) -> None:
    """Pins that on the turning gear the lag is live within 0.02° while the camshaft is moved, that no zero is booked
    without the gauge, and that before and after in the log book are the head's truth within 0.02°."""
    late = float(Truth(standing(rpm=1.2)).lag_deg(200.0))
    scenario = standing({"at_s": 150.0, "kind": "retime", "deg": -late, "for_s": 60.0}, rpm=1.2)
    with aboard(tmp_path, scenario) as ship:
        ship.until(30.0)
        sheet = ship.sheet("retime", gauge_after_mm="0 0")
        assert sheet["booking"] is None and "whole turn" in sheet["booking_wants"]
        assert said(sheet, "Turn once round")
        ship.until(120.0)
        sheet = ship.sheet("retime", gauge_mm=late * 160 * 3.14159265 / 180)
        before = take(sheet, "before_deg")
        assert before == pytest.approx(float(ship.truth.lag_deg(120.0)), abs=0.02)
        assert said(sheet, "Gauge and encoders agree")
        assert figure(sheet, "cam_deg") == pytest.approx(late, abs=0.02)
        for t_s in (160.0, 175.0, 190.0, 205.0):
            ship.until(t_s)
            # The figure is the mean of the last second, in which the camshaft is moved by a little.
            moved = late / 60
            assert figure(ship.sheet("retime"), "lag_deg") == pytest.approx(
                float(ship.truth.lag_deg(t_s)), abs=0.02 + moved
            )
        ship.until(330.0)
        sheet = ship.sheet("retime", before_deg=before)
        assert sheet["booking"] is None and "pin gauge" in sheet["booking_wants"]
        assert said(sheet, "the camshaft is set")
        assert figure(sheet, "turned_lag_deg") == pytest.approx(float(ship.truth.lag_deg(330.0)), abs=0.02)
        event = ship.book(ship.sheet("retime", before_deg=before, gauge_after_mm="0 0"))
        assert figure(ship.sheet("retime"), "lag_deg") == pytest.approx(0.0, abs=0.005)
    assert event["what"] == "camshaft-set"
    assert event["before"]["lag_deg"] == pytest.approx(float(ship.truth.lag_deg(120.0)), abs=0.02)
    zero_deg = 17.35 + float(ship.truth.lag_deg(330.0))
    assert event["after"]["raw_deg"] == pytest.approx(zero_deg, abs=0.02)


def test_the_live_line_follows_the_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins that `--live` prints cautions, then the large figures from the daemon's readings, and ends in its time."""
    with aboard(tmp_path, standing()) as ship, ship.beating():
        ship.until(30.0)
        assert main(["sheet", "retighten", str(ship.config), "--free", "202.9", "--live", "--for", "0.02"]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert lines[0].startswith("! ")
        shown = float(lines[-1].split("Spring length now ")[1].split()[0])
        assert shown == pytest.approx(float(ship.truth.spring_mm(30.0)), abs=0.05)
        assert "Nut turns to go" in lines[-1] and "minimum 20 min" in lines[-1]


def test_a_whole_sheet_in_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins open, keep, take, tick, countersign, book and close by commands, the mistakes that are refused, the print
    with ticks and names, and the booked figures against the head's truth within 0.05 mm."""
    start = float(Truth(standing()).spring_mm(40.0))
    turns = (start - FREE_MM + REQUIRED_MM) / 6.0
    scenario = standing({"at_s": 60.0, "kind": "nut-turn", "turns": turns, "for_s": 30.0})
    with aboard(tmp_path, scenario) as ship:

        def sheet(*words: str) -> str:
            """What the command prints; an exit status other than 0 is shown as its reason."""
            capsys.readouterr()
            status = main(["sheet", "retighten", str(ship.config), *words])
            shown = capsys.readouterr()
            return shown.out if status == 0 else shown.err

        ship.until(40.0)
        assert "not open" in sheet("--tick", "permit", "--by", "second")
        sheet("--open", "--tick", "immobilise", "permit", "--by", "second")
        assert "a second person must countersign" in sheet("--countersign", "permit", "--by", "second")
        sheet("--countersign", "permit", "--by", "chief")
        sheet("--take", "before_mm", "--by", "second")
        assert "there is no reading that may be taken now" in sheet("--take", "before_mm", "--by", "second")
        assert "a spring does not grow" in sheet("--keep", "--free", "206")
        sheet("--keep", "--free", "202,9")
        assert "there is no reading that may be taken now" in sheet("--take", "there_mm")
        ship.until(140.0)
        sheet("--take", "there_mm", "--tick", "target")
        sheet("--take", "held_mm", "--tick", "hold")
        assert "is locked" in sheet("--keep", "--before", "179.9")
        assert "steps are not ticked" in sheet("--book", "--person", "fitter")
        words = sheet("--book", "--dry", "--reason", "ticked on paper", "--person", "fitter")
        assert "Will be booked: Retightened. Free length 202.9 mm." in words
        sheet("--book", "--reason", "ticked on paper", "--person", "fitter")
        assert "give a reason" in sheet("--book", "--person", "fitter")
        printed = sheet("--tick", "book", "--by", "chief", "--print")
        assert "Tern Passage" in printed and "signature" in printed and "No QR code" in printed
        printed = " ".join(printed.split())
        assert "[x] Chief engineer: permit in force second" in printed and "countersigned by chief" in printed
        assert "booked without all ticks: ticked on paper" in printed
        sheet("--close")
        assert "not open" in sheet()
        event = ship.booked()
    assert event["before"]["spring_mm"] == pytest.approx(start, abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(140.0)), abs=0.05)
