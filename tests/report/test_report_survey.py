"""The survey file: since the last survey, all that a surveyor asks for, and its data as CSV, read by `csv` alone."""

import csv
import json
import re
from pathlib import Path
from typing import Any

import pytest
import report_rig as rig
from report_signed import AFTER_BAR, BEFORE_BAR, FROM, SPAN, TO, signed_ship

from gateway.cli.main import main
from gateway.encode.times import utc_of
from gateway.model.settings_file import fingerprint, load_settings
from gateway.report.survey_tables import TABLES, described, trend_rows
from gateway.store.commission_file import CommissionFile
from gateway.store.history import History
from gateway.worksheet import commission_record as records

DEPLOY = Path(__file__).parents[2] / "deploy"
KINDS: dict[str, Any] = {"text": str, "number": float, "whole": int, "utc": utc_of}


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, rig.Read]:
    """Settings, the file, and the file as read."""
    folder = tmp_path_factory.mktemp("survey")
    config = signed_ship(folder)
    out = folder / "s.html"
    assert main(["report", str(config), "--survey", "--out", str(out), *SPAN]) == 0
    return config, out, rig.Read(out.read_text(encoding="utf-8"))


def table(out: Path, name: str) -> list[dict[str, str]]:
    """One of the CSV files, checked against its description: columns in order, each cell of its kind."""
    described_as = next(t for t in TABLES if t.name == name)
    with out.with_name(f"{out.stem}-{name}.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f, strict=True))
    for row in rows:
        assert list(row) == [c.name for c in described_as.columns]
        for c in described_as.columns:
            if row[c.name]:
                KINDS[c.kind](row[c.name])
    return rows


def test_each_table_is_there_and_as_described(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins a file for each table, none of them empty here, and the guide's tables to the same description."""
    _, out, _ = survey
    assert all(table(out, t.name) for t in TABLES)
    guide = (DEPLOY / "SURVEY.md").read_text(encoding="utf-8")
    assert described().strip() in guide, "put what described() gives into the guide"


def test_trends_bear_the_lost_motion_where_it_was_measured() -> None:
    """Its range as published; empty for a day before it was measured, and for a trend of before there was one."""
    range_ = {"p05": 0.58, "p50": 0.62, "p95": 0.66}
    old = {"hours": 100.0, "lag_deg": range_, "elongation_percent": range_, "decision": {"do": "nothing", "why": ""}}
    unknown = old | {"lost_motion_deg": dict.fromkeys(("p05", "p50", "p95"))}
    measured = old | {"lost_motion_deg": range_}
    kept = [(float(n), json.dumps(t).encode()) for n, t in enumerate((old, unknown, measured))]
    names = [c.name for c in next(t for t in TABLES if t.name == "trends").columns]
    rows = [dict(zip(names, row, strict=True)) for row in trend_rows("main", kept)]
    found = [[row[f"lost_motion_{p}_deg"] for p in range_] for row in rows]
    assert found == [[None] * 3, [None] * 3, list(range_.values())]


def test_the_document_names_ship_engine_and_itself(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins number, IMO number, class, engine and fingerprint in the CSV and in the document."""
    config, out, read = survey
    settings = load_settings(config)
    found = {(r["key"], r["engine"]): r["value"] for r in table(out, "document")}
    assert found["settings_fingerprint", ""] == fingerprint(settings) and fingerprint(settings) in read.text
    for key in ("reference", "imo_number", "class_society", "vessel"):
        assert found[key, ""] and found[key, ""] in read.text
    assert found["type", "main"] == settings.engine[0].type_text and found["number", "main"] in read.text
    assert re.search(r"Signatures .*Class surveyor", read.text) and "is not verified" in read.text


def test_work_has_before_and_after(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins each adjustment's booked figures, and the pressures of each cylinder on both sides."""
    _, out, read = survey
    work = table(out, "work")
    assert [r["kind"] for r in work] == ["pressures", "camshaft-set", "retightened", "pressures"]
    assert json.loads(work[2]["before"]) == {"spring_mm": 181.4}
    assert json.loads(work[2]["after"]) == {"free_length_mm": 203.0, "spring_mm": 180.2}
    bars = {(r["taken"], int(r["cylinder"])): float(r["max_bar"]) for r in table(out, "pressures")}
    assert [bars["before", n] for n in range(1, 7)] == list(BEFORE_BAR)
    assert [bars["after", n] for n in range(1, 7)] == list(AFTER_BAR)
    shown = read.table("Before 2027-04-29")
    assert shown["Cylinder 2"][:3] == ["131.2", "138.9", "+7.7"] and "scavenge pressure were alike" in read.text
    assert shown["Cylinder 2"][5:] == ["112.0", "112.0"] and "load 75 %, scavenge 2.10 bar" in " ".join(
        read.text.split()
    )
    rows = table(out, "pressures")
    assert {(r["load"], r["scavenge_bar"]) for r in rows} == {("0.75", "2.1")} and rows[1]["compression_bar"] == "112.0"
    zero = read.table("Settings of the camshaft")
    assert list(zero.values())[1] == ["17.900°", "+0.14 mm", "1.40°", "0.62°", "Second"]


def test_alarms_and_acts_are_those_of_the_record(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins alarms of priority alarm with their end, who acknowledged what, and nothing from after the period."""
    _, out, read = survey
    alarms = table(out, "alarms")
    assert [(r["tag"], bool(r["until"])) for r in alarms] == [("lag-step", True), ("tension-low", False)]
    assert alarms[1]["text"] == "'=Chain slack", "no cell can be taken for a formula"
    acts = table(out, "acts")
    assert [(r["tag"], r["act"], r["by"]) for r in acts] == [
        ("lag-step", "acknowledged", "second.engineer"),
        ("slap-high", "acknowledged", "second.engineer"),
    ]
    assert utc_of(acts[0]["utc"]) == FROM + 3 * rig.DAY_S + 60
    assert "after the period" not in read.text and "the alarm tension-low stands since" in read.text


def test_software_and_settings_are_shown_where_they_change(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins one line for each change, the first from before the period."""
    config, out, _ = survey
    found = [(r["version"], r["settings"]) for r in table(out, "software")]
    assert found == [("0.0.9", "0123456789ab"), ("0.1.0", fingerprint(load_settings(config)))]


def test_trends_and_readings_are_of_the_store(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins one trend a day of the period, and the mean of the readings to that of the stored rows."""
    config, out, _ = survey
    trends = table(out, "trends")
    days = [r["utc"][:10] for r in trends]
    assert days == sorted(set(days)) and len(days) == 66 and trends[0]["why"] == "day 14"
    rows = rig.sql(load_settings(config), "history.db", "SELECT utc_s, spring_mm FROM median")
    stored = [mm for utc_s, mm in rows if FROM <= utc_s < TO and mm is not None]
    shown = [float(r["spring_mm"]) for r in table(out, "readings") if r["spring_mm"]]
    assert sum(shown) / len(shown) == pytest.approx(sum(stored) / len(stored), abs=0.05)


def test_it_begins_with_the_last_survey(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins vessel.last_survey as its begin, the name in a folder, and words where the day is not set."""
    config = signed_ship(tmp_path)
    text = config.read_text(encoding="utf-8")
    text = re.sub(r'last_survey = "[^"]*"', 'last_survey = "2027-03-20"', text)
    config.write_text(text, encoding="utf-8")
    out = tmp_path / "out.html"
    assert main(["report", str(config), "--survey", "--out", str(out), "--to", SPAN[3]]) == 0
    assert {r["key"]: r["value"] for r in table(out, "document")}["from"] == "2027-03-20T00:00:00.000Z"
    config.write_text(re.sub(r"last_survey = .*\n", "", text), encoding="utf-8")
    assert main(["report", str(config), "--survey", "--out", str(out)]) == 1
    assert "set vessel.last_survey" in capsys.readouterr().err


def test_alarms_of_years_ago_are_found_though_the_outbox_let_them_go(tmp_path: Path) -> None:
    """Pins that what the history keeps of the events counts where the outbox holds them no more, each once."""
    config = signed_ship(tmp_path)
    settings = load_settings(config)
    history = History(settings.gateway.data_dir, settings.gateway.history_mb)
    for e in rig.events_of(settings):
        history.add_event(e["seq"], e["topic"], {k: v for k, v in e.items() if k not in ("topic", "seq", "gateway")})
    history.close()
    rig.sql(settings, "state.db", "DELETE FROM event WHERE seq <= 6")
    out = tmp_path / "s.html"
    assert main(["report", str(config), "--survey", "--out", str(out), *SPAN]) == 0
    assert [(r["tag"], bool(r["until"])) for r in table(out, "alarms")] == [("lag-step", True), ("tension-low", False)]
    assert [r["version"] for r in table(out, "software")] == ["0.0.9", "0.1.0"]
    assert [r["tag"] for r in table(out, "acts")] == ["lag-step", "slap-high"]


def test_commissioning_is_shown_and_what_is_open(tmp_path: Path) -> None:
    """Pins the kept record's text, each task that is not right yet as open, and a record that cannot be read."""
    config = signed_ship(tmp_path)
    settings = load_settings(config)
    record = records.empty("tern-passage", "main") | {"open": ["Wiring of the encoders"]}
    kept = CommissionFile(settings.gateway.data_dir, "tern-passage", "main")
    kept.keep(record, "COMMISSIONING RECORD of the test")
    out = tmp_path / "s.html"
    assert main(["report", str(config), "--survey", "--out", str(out), *SPAN]) == 0
    read = rig.Read(out.read_text(encoding="utf-8"))
    assert "COMMISSIONING RECORD of the test" in read.text and "main: record, not signed" in read.text
    assert "main: commissioning, not complete: Wiring of the encoders." in read.text
    kept.path.write_text("no JSON", encoding="utf-8")
    assert main(["report", str(config), "--survey", "--out", str(out), *SPAN]) == 0
    assert "main: commissioning, not complete:" in rig.Read(out.read_text(encoding="utf-8")).text


def test_the_ticks_of_a_work_stand_in_file_and_document(survey: tuple[Path, Path, rig.Read]) -> None:
    """Pins who ticked and countersigned which step and when, which were not ticked, and what was changed and why."""
    _, out, read = survey
    rows = {r["key"]: r for r in table(out, "ticks")}
    assert [int(r["step"]) for r in rows.values()] == list(range(1, len(rows) + 1))
    permit, unlock, air = rows["permit"], rows["unlock"], rows["air"]
    assert (permit["id"], permit["sheet"]) == ("r-1", "retighten")
    assert (permit["by"], permit["second_by"]) == ("second.engineer", "chief.engineer")
    assert utc_of(permit["second_utc"]) - utc_of(permit["utc"]) == 30
    assert (unlock["by"], unlock["second_by"], air["by"], air["utc"]) == ("fitter", "", "", "")
    assert f"2 of {len(rows)} steps ticked" in read.text and "second.engineer, 2027-" in read.text
    assert "changed spring length before from 181.9 to 181.4: read wrongly" in read.text
    assert "booked without all ticks: the rest was ticked on paper" in read.text
