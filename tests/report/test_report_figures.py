"""The report's figures against figures worked out from the stored rows alone."""

import re
from dataclasses import replace
from pathlib import Path
from statistics import median

import pytest
import report_rig as rig

from gateway.cli.main import main
from gateway.encode.messages import dump
from gateway.encode.shapes import Decision
from gateway.model.enums import Priority
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.store.history import History
from gateway.wear.bookings import CamshaftSet, Retightened

FROM, TO = rig.utc(2027, 3, 15), rig.utc(2027, 5, 20)
SPAN = ("--from", "2027-03-15T00:00:00Z", "--to", "2027-05-20T00:00:00Z")
DONE_S = rig.BEGIN_S + 60 * rig.DAY_S


def made(config: Path, out: Path, *more: str) -> rig.Read:
    """The report as a reader finds it."""
    assert main(["report", str(config), "--out", str(out), *(more or SPAN)]) == 0
    return rig.Read(out.read_text(encoding="utf-8"))


def figure(told: str) -> float:
    """The first figure of a cell."""
    found = re.search(r"[+-]?[\d,]*\.?\d+", told)
    assert found, told
    return float(found[0].replace(",", ""))


@pytest.fixture(scope="module")
def ship(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Settings, rig.Voyage, rig.Read]:
    """Three months with a retightening and alarms that come, repeat, stand and return."""
    folder = tmp_path_factory.mktemp("report")
    config = rig.settings_file(folder)
    settings, voyage = load_settings(config), rig.Voyage()
    h = voyage.hours_then(DONE_S)
    entry = Retightened(
        id="r-1", utc_s=DONE_S, hours=h, person="Second engineer", free_length_mm=203.0, spring_before_mm=180.0,
        spring_after_mm=178.5,
    )  # fmt: skip
    day = rig.DAY_S
    events = [
        rig.started(rig.BEGIN_S),
        rig.alarm(FROM - 2 * day, "main", "slap-high", rig.N, rig.U),
        rig.alarm(FROM + 6 * 3600, "main", "slap-high", rig.U, rig.A),
        rig.alarm(FROM + 30 * 3600, "main", "slap-high", rig.A, rig.N),
        rig.alarm(FROM + 3 * day, "main", "lag-step", rig.N, rig.U, Priority.ALARM),
        rig.alarm(FROM + 3 * day + 300, "main", "lag-step", rig.U, rig.U, Priority.ALARM),
        rig.alarm(FROM + 3 * day + 5400, "main", "lag-step", rig.U, rig.R, Priority.ALARM),
        rig.alarm(FROM + 4 * day, "main", "lag-step", rig.R, rig.U, Priority.ALARM),
        rig.alarm(FROM + 4 * day + 1800, "main", "lag-step", rig.U, rig.N, Priority.ALARM),
        rig.alarm(TO - 10 * 3600, "main", "link-poor", rig.N, rig.U, Priority.CAUTION),
        rig.alarm(TO - 3600, None, "clock-doubtful", rig.N, rig.U, Priority.CAUTION),
        rig.alarm(TO + 3600, "main", "lag-limit", rig.N, rig.U, Priority.ALARM),
    ]
    trend = rig.trend(TO - 600, voyage.hours_then(TO))
    rig.write(settings, {"main": voyage}, events=events, bookings=[("main", entry)], trends={"main": trend})
    return config, settings, voyage, made(config, folder / "out.html")


def test_running_hours_are_the_counters(ship: tuple[Path, Settings, rig.Voyage, rig.Read]) -> None:
    """Pins the running hours of the period to the counter's truth at both ends, within a ten-minute median."""
    _, _, voyage, read = ship
    truth = voyage.hours_then(TO) - voyage.hours_then(FROM)
    told = read.table("Hours, and the share")["Running hours of the period"][0]
    ends = [float(x.replace(",", "")) for x in re.findall(r"[\d,]+\.\d", told)]
    assert min(ends) - 0.3 <= truth <= max(ends) + 0.3 and max(ends) - min(ends) <= 3


def test_coverage_is_of_the_rows(ship: tuple[Path, Settings, rig.Voyage, rig.Read]) -> None:
    """Pins the hours with a good lag, and a good spring, to the revolutions of the rows that have it."""
    _, settings, _, read = ship
    rows = rig.sql(settings, "history.db", "SELECT utc_s, revolutions, rpm, lag_deg, spring_mm FROM median")
    inside = [r for r in rows if FROM <= r[0] < TO]
    table = read.table("Hours, and the share")
    for name, column in (("With good readings of the lag", 3), ("With good readings of the spring", 4)):
        hours = sum(r[1] / r[2] / 60 for r in inside if r[column] is not None)
        assert figure(table[name][0]) == pytest.approx(hours, abs=0.06)
    assert figure(table["With good readings of the lag"][0]) < figure(table["Steady ahead and measured"][0])


def test_ends_are_medians_of_a_days_running(ship: tuple[Path, Settings, rig.Voyage, rig.Read]) -> None:
    """Pins lag and spring at both ends to the medians of 24 running hours of stored rows."""
    _, settings, _, read = ship
    rows = rig.sql(settings, "history.db", "SELECT utc_s, hours, lag_deg, spring_mm FROM median ORDER BY utc_s")
    inside = [r for r in rows if FROM <= r[0] < TO]
    first = [r for r in inside if r[1] < inside[0][1] + 24]
    last = [r for r in inside if r[1] >= inside[-1][1] - 24]
    table = read.table("Medians of the first")
    for name, column, within in (("Camshaft lag", 2, 0.0051), ("Spring length", 3, 0.051)):
        for cell, side in zip(table[name][:2], (first, last), strict=True):
            assert figure(cell) == pytest.approx(median(r[column] for r in side), abs=within)
    assert table["Spring length"][2] == "work in between"
    change = median(r[2] for r in last) - median(r[2] for r in first)
    assert figure(table["Camshaft lag"][2]) == pytest.approx(change, abs=0.0051)
    assert figure(table["Compression"][1]) == pytest.approx(203.0 - median(r[3] for r in last), abs=0.051)


def test_work_has_booked_and_read_figures_on_both_sides(ship: tuple[Path, Settings, rig.Voyage, rig.Read]) -> None:
    """Pins the retightening's before and after: as booked, and as the rows of a day's running on either side."""
    _, settings, voyage, read = ship
    h = voyage.hours_then(DONE_S)
    rows = rig.sql(settings, "history.db", "SELECT hours, spring_mm FROM median WHERE spring_mm IS NOT NULL")
    before = median(mm for hours, mm in rows if h - 24 <= hours < h)
    after = median(mm for hours, mm in rows if h <= hours < h + 24)
    cells = next(v for k, v in read.table("Figures as booked").items() if "Chain retightened" in k)
    assert "180 mm" in cells[0] and "178.5 mm" in cells[1] and "203 mm" in cells[1]
    assert figure(cells[2].split("spring length")[1]) == pytest.approx(before, abs=0.051)
    assert figure(cells[3].split("spring length")[1]) == pytest.approx(after, abs=0.051)
    assert before - after > 1


def test_alarms_are_counted_from_the_events(ship: tuple[Path, Settings, rig.Voyage, rig.Read]) -> None:
    """Pins counts, priorities and standing hours: a repeat is none; what stood before counts from the start."""
    _, settings, _, read = ship
    inside = [
        e
        for e in rig.events_of(settings)
        if e["kind"] == "alarm" and "2027-03-15" <= e["ts"] < "2027-05-20" and e["topic"].endswith("/main/event")
    ]
    raised = [e for e in inside if e["to"] == "unacknowledged" != e["from"]]
    table = read.table("Alarms of Main engine")
    for tag in ("lag-step", "link-poor", "slap-high"):
        assert int(table[tag][1]) == sum(e["tag"] == tag for e in raised)
    assert [figure(table[t][3]) for t in ("slap-high", "lag-step", "link-poor")] == [30.0, 2.0, 10.0]
    assert table["slap-high"][2] == "before the period" and table["link-poor"][4] == "unacknowledged"
    assert "lag-limit" not in table
    told = read.table("The period")["Alarms raised"][0]
    counts = {p: sum(e["priority"] == p for e in raised) for p in ("alarm", "warning", "caution")}
    assert told == f"{counts['alarm']} alarms, {counts['warning']} warnings, {counts['caution']} caution"
    assert read.table("Announcements to people")["announcements"][0].startswith("4 in 66.0 days")
    assert read.table("Alarms of the gateway itself")["clock-doubtful"][1] == "1"


# -- what is missing ----------------------------------------------------------------------------------------------


def test_no_zero_is_said(tmp_path: Path) -> None:
    """Pins that without a zero the lag is said to be unknown, never drawn or made up."""
    config = rig.settings_file(tmp_path, lag={"zero_deg": None})
    rig.write(load_settings(config), {"main": rig.Voyage(zero=False)}, events=[rig.started(rig.BEGIN_S)])
    read = made(config, tmp_path / "out.html")
    row = read.table("Medians of the first")["Camshaft lag"]
    assert row[:3] == ["not known"] * 3 and "zero was never taken" in read.text
    assert "no trend yet" in read.text and "no readings in this period" in read.text


def test_a_period_without_data_gives_no_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins exit status 1, no file, and words that name engine, period and where the record begins."""
    config = rig.settings_file(tmp_path)
    rig.write(load_settings(config), {"main": rig.Voyage()}, events=[rig.started(rig.BEGIN_S)])
    assert main(["report", str(config), "--out", str(tmp_path / "out.html"), "--month", "2026-02"]) == 1
    told = capsys.readouterr().err
    assert "no data of Main engine from 2026-02-01" in told and "on record from 2027-03-01 on" in told
    assert not (tmp_path / "out.html").exists()


def test_an_engine_that_stood_is_reported(tmp_path: Path) -> None:
    """Pins that a spell in port between two readings of the counter is a period with data: its hours are known."""
    config = rig.settings_file(tmp_path)
    rig.write(load_settings(config), {"main": rig.Voyage()}, events=[rig.started(rig.BEGIN_S)])
    read = made(config, tmp_path / "out.html", "--from", "2027-03-11T06:00:00Z", "--to", "2027-03-12T18:00:00Z")
    low, high = re.findall(r"[\d.]+", read.table("The period")["Running hours"][0])[:2]
    assert float(low) == 0 < float(high) < 1.5 and "no readings of steady running" in read.text


def test_it_says_what_was_so_at_the_periods_end(tmp_path: Path) -> None:
    """Pins decision and forecast of a month to the last trend before its end, not to the latest one."""
    config = rig.settings_file(tmp_path)
    settings, voyage = load_settings(config), rig.Voyage()
    late = rig.trend(rig.utc(2027, 5, 30), voyage.hours_then(rig.utc(2027, 5, 30)))
    late = replace(late, decision=Decision(do="re-time", why="far too late"))
    rig.write(settings, {"main": voyage}, events=[rig.started(rig.BEGIN_S)], trends={"main": late})
    none = made(config, tmp_path / "none.html", "--month", "2027-04")
    assert "trends are kept from 2027-05-30 on" in none.text and "re-time" not in none.text.lower()
    history = History(settings.gateway.data_dir, settings.gateway.history_mb)
    for day in range(1, 31):
        at_s = rig.utc(2027, 4, day) + 23.9 * 3600
        then = rig.trend(at_s, voyage.hours_then(at_s))
        history.add_trend("main", at_s, dump(replace(then, decision=Decision(do="compensate", why=f"April {day}"))))
    history.close()
    april = made(config, tmp_path / "april.html", "--month", "2027-04")
    assert "Compensation at the fuel pumps. April 30" in april.text and "Re-time" not in april.text
    assert "As of 2027-04-30 23:54 UTC" in april.text
    may = made(config, tmp_path / "may.html", "--month", "2027-05")
    assert "Re-time the camshaft. far too late" in may.text
    march = made(config, tmp_path / "march.html", "--month", "2027-03")
    assert "trends are kept from 2027-04-01 on" in march.text and "Decision: not known" in march.text


def test_shares_of_a_head_in_bursts_are_of_the_bursts_heard(tmp_path: Path) -> None:
    """Pins that bursts of six seconds each ten minutes are not shown as a share of the running hours."""
    config = rig.settings_file(tmp_path)
    config.write_text(config.read_text(encoding="utf-8").replace("[[head]]", "[[head]]\nburst_pause_s = 594.0", 1))
    voyage = rig.Voyage()
    rig.write(load_settings(config), {"main": voyage}, events=[rig.started(rig.BEGIN_S)])
    read = made(config, tmp_path / "out.html")
    rows = [r for r in voyage.rows if FROM <= r.utc_s < TO]
    lag = 100 * sum(r.lag_deg is not None for r in rows) / len(rows)
    table = read.table("Hours, and the share of the bursts heard")
    assert table["Bursts heard, steady ahead"][0] == f"{len(rows):,}"
    assert figure(table["Bursts with a good lag"][1]) == pytest.approx(lag, abs=0.051)
    shown = read.table("The period")["Good readings"][0]
    assert shown.startswith(f"lag {lag:.1f} %") and shown.endswith(f"of the {len(rows):,} bursts heard")
    assert "manoeuvring" not in " ".join(map(" ".join, table.values()))


def test_two_engines_a_four_stroke_and_a_locked_tightener(tmp_path: Path) -> None:
    """Pins both engines in one report; a cycle of two turns counts twice; a locked tightener has no compression."""
    config = rig.settings_file(tmp_path, "two-engines.toml")
    aux = rig.Voyage(rpm=720.0, ratio=2, hours=11_900.0, spring_mm=83.9, retightened_day=None)
    rig.write(load_settings(config), {"main": rig.Voyage(), "aux": aux}, events=[rig.started(rig.BEGIN_S)])
    assert main(["report", str(config), "--out", str(tmp_path / "all.html"), *SPAN]) == 0
    both = (tmp_path / "all.html").read_text(encoding="utf-8")
    assert both.count(": details</h2>") == 2
    read = made(config, tmp_path / "out.html", *SPAN, "--engine", "aux")
    rows = [r for r in aux.rows if FROM <= r.utc_s < TO]
    hours = figure(read.table("Hours, and the share")["Steady ahead and measured"][0])
    assert hours == pytest.approx(len(rows) / 6, abs=0.06)
    assert "Compression" not in read.table("Medians of the first") and "tightener is locked" in read.text
    assert "83.5 to 84.3 mm" in read.table("Medians of the first")["Spring length"][3]


def test_a_camshaft_set_parts_the_lag(tmp_path: Path) -> None:
    """Pins that no change of the lag is told across a setting of the camshaft."""
    config = rig.settings_file(tmp_path)
    voyage = rig.Voyage()
    entry = CamshaftSet(id="c", utc_s=DONE_S, hours=voyage.hours_then(DONE_S), person="Chief", raw_deg=17.9)
    rig.write(load_settings(config), {"main": voyage}, events=[rig.started(rig.BEGIN_S)], bookings=[("main", entry)])
    read = made(config, tmp_path / "out.html")
    assert read.table("Medians of the first")["Camshaft lag"][2] == "work in between"
