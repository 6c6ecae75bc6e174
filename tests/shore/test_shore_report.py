"""A vessel's report from what is kept ashore, beside the one that is made aboard from the same ship."""

import csv
import io
import json
import zipfile
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import fleet_rig
import httpx
import pytest
import report_rig as rig
from in_process import run
from report_signed import FROM, SPAN, TO, signed_ship, work

from gateway.cli.main import main
from gateway.cli.shore_serve import ShipReports
from gateway.encode.messages import Topics, dump, event_payload
from gateway.encode.shapes import Range
from gateway.engine.maintenance import records_of
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.report.survey_tables import TABLES
from gateway.shore.check import Checked, check
from gateway.shore.database import open_database
from gateway.shore.store import FleetStore, spans
from gateway.wear.booking_check import entry_json
from gateway.wear.bookings import Correction, Entry, HandPlay
from gateway.wear.logbook import standing

PREFIX = "camdrift/1"
NOW_S = TO + 30 * rig.DAY_S


def _range(middle: float | None) -> Range:
    return Range(p05=None, p50=middle, p95=None)


def records(voyage: rig.Voyage) -> list[Entry]:
    """Those aboard; besides one that was mistyped, corrected and then corrected again."""
    h = voyage.hours_then(FROM)
    head: dict[str, Any] = {"utc_s": FROM + 3_600.0, "hours": h + 1.0, "person": "Second"}
    play = HandPlay(id="h-1", play_mm=99.0, **head)
    first = Correction(id="k-1", replaces="h-1", entry=replace(play, id="h-2", play_mm=9.0), **head)
    second = Correction(id="k-2", replaces="k-1", entry=replace(play, id="h-3", play_mm=9.9, note="gauge"), **head)
    return [*work(voyage), play, first, second]


def sent(settings: Settings, voyage: rig.Voyage) -> list[tuple[str, bytes]]:
    """What the ship has published: its events, those of its records, and a trend for each hour of its readings."""
    topics = Topics(PREFIX, settings.vessel.slug)
    kept = rig.sql(settings, "state.db", "SELECT topic, payload FROM event ORDER BY seq")
    messages = [(str(topic), bytes(payload)) for topic, payload in kept]
    gateway, last = json.loads(messages[-1][1])["gateway"], json.loads(messages[-1][1])["seq"]
    for seq, entry in enumerate(records(voyage), start=last + 1):
        event, _ = records_of(topics, "main", entry, entry_json(entry), "second.engineer", entry.utc_s + 600.0)
        messages.append((event.topic, event_payload(gateway, seq, event.body)))
    for row in voyage.rows[::6]:
        made = rig.trend(row.utc_s, row.hours)
        made = replace(made, lag_deg=_range(row.lag_deg), spring_mm=_range(row.spring_mm))
        messages.append((topics.trend("main"), dump(made)))
    return messages


def keep(url: str, messages: Sequence[tuple[str, bytes]]) -> None:
    """As a keeper keeps them."""
    with closing(FleetStore(url)) as store:
        for at in range(0, len(messages), 500):
            items = [check(topic, payload, PREFIX) for topic, payload in messages[at : at + 500]]
            assert all(isinstance(item, Checked) for item in items)
            store.advance(spans(store.keep(items, NOW_S)), NOW_S)
        store.heard({"tern-passage": NOW_S})


@pytest.fixture(scope="module")
def ship(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[tuple[str, bytes]], rig.Read]:
    """The ship's settings, what it has sent, and its survey file as made aboard."""
    folder = tmp_path_factory.mktemp("ship")
    config = signed_ship(folder)
    assert main(["report", str(config), "--survey", "--out", str(folder / "aboard.html"), *SPAN]) == 0
    aboard = rig.Read((folder / "aboard.html").read_text(encoding="utf-8"))
    return config, sent(load_settings(config), rig.Voyage()), aboard


Ship = tuple[Path, list[tuple[str, bytes]], rig.Read]


def ashore(config: Path, url: str, out: Path, *more: str) -> rig.Read:
    """The survey file as made ashore."""
    words = ["shore", "report", str(config), "--store", url, "--survey", "--out", str(out), *SPAN, *more]
    assert main(words) == 0
    return rig.Read(out.read_text(encoding="utf-8"))


def test_what_is_kept_ashore_is_in_it_as_aboard(ship: Ship, store_url: str, tmp_path: Path) -> None:
    """Pins events and the log book, which are sent, to the file made aboard; figures at the ends to the trends."""
    config, messages, aboard = ship
    keep(store_url, messages)
    read = ashore(config, store_url, tmp_path / "s.html")
    for begins in ("Alarms of Main engine", "Alarms acknowledged", "Announcements of priority", "Each version",
                   "Settings of the camshaft", "Before 2027", "Announcements to people"):  # fmt: skip
        assert read.table(begins) == aboard.table(begins), begins
    booked, theirs = read.table("Figures as booked"), aboard.table("Figures as booked")
    # Before and after the work stand readings aboard and trends here: the booked figures are the same ones.
    assert [v[:2] for v in booked.values() if "play at mid-span" not in v[1]] == [v[:2] for v in theirs.values()]
    assert "9.9 mm" in str(booked) and "99 mm" not in str(booked)
    truth = rig.Voyage().hours_then(TO) - rig.Voyage().hours_then(FROM)
    told = read.table("Hours, and the share")["Running hours of the period"][0]
    assert any(abs(float(x) - truth) < 1.5 for x in told.replace(",", "").split() if x[0].isdigit())
    ends, theirs = read.table("Medians of the trends"), aboard.table("Medians of the first")
    for name, within in (("Camshaft lag", 0.021), ("Spring length", 0.11)):
        for mine, cell in zip(ends[name][:2], theirs[name][:2], strict=True):
            assert float(mine.split()[0].rstrip("°")) == pytest.approx(float(cell.split()[0].rstrip("°")), abs=within)


@pytest.mark.slow
def test_what_is_not_known_ashore_is_said(ship: Ship, store_url: str, tmp_path: Path) -> None:
    """Readings, ticks, commissioning and the events that did not arrive; nothing of it is shown as zero."""
    config, messages, _ = ship
    lost = [m for m in messages if '"lag-step"' not in m[1].decode()]
    keep(store_url, lost)
    read = ashore(config, store_url, tmp_path / "s.html")
    text = " ".join(read.text.split()) if isinstance(read.text, str) else " ".join(" ".join(read.text).split())
    assert f"{len(messages) - len(lost)} events of the ship did not arrive" in text
    assert "Its readings are kept aboard" in text and "Commissioning records are kept aboard" in text
    assert (
        "ticks of work sheets" in text and "from what is kept ashore" in text and "from the record aboard" not in text
    )
    assert read.table("The period")["Good readings"] == ["lag not known, spring not known"]
    with (tmp_path / "s-readings.csv").open(newline="") as f:
        assert len(list(csv.reader(f))) == 1
    with (tmp_path / "s-trends.csv").open(newline="") as f:
        assert len(list(csv.DictReader(f))) > 40
    with (tmp_path / "s-document.csv").open(newline="") as f:
        assert {r["key"]: r["value"] for r in csv.DictReader(f)}["made_from"] == "what is kept ashore"


def test_a_ship_never_heard_is_refused(ship: Ship, tmp_path: Path) -> None:
    """Also an engine that its settings do not name; no file is left."""
    config, messages, _ = ship
    url = f"sqlite:///{tmp_path / 'fleet.db'}"
    open_database(url, make=True).close()
    words = ["shore", "report", config, "--store", url, "--out", tmp_path / "s.html"]
    done = run(main, *words)
    assert done.returncode == 1 and "has never been heard" in done.stderr
    keep(url, messages[:3])
    assert run(main, *words, "--engine", "other").returncode == 1
    done = run(main, *words, "--month", "2020-01")
    assert done.returncode == 1 and "No report was made" in done.stderr and not (tmp_path / "s.html").exists()


@pytest.mark.slow
def test_a_log_book_made_from_events_is_the_ships_own(ship: Ship, tmp_path: Path) -> None:
    """Every kind of figure and correction comes back; an event of an older ship, without the record's number, too."""
    from gateway.cli.shore_record import ShoreRecord

    config, messages, _ = ship
    old = [(t, p.replace(b'"record_id"', b'"was_none"')) for t, p in messages]
    for name, given in (("new", messages), ("old", old)):
        url = f"sqlite:///{tmp_path / name}.db"
        keep(url, given)
        with closing(ShoreRecord(url, load_settings(config).vessel.slug)) as record:
            log = record.log("main")
        truth = records(rig.Voyage())
        if name == "new":
            about = [replace(e, hours=pytest.approx(e.hours, abs=0.001)) for e in standing(truth)]
            assert standing(log) == about
        else:
            assert [e.kind for e in log] == [e.kind for e in truth] and len({e.id for e in log}) == len(log)


@pytest.mark.slow
def test_the_page_makes_it_of_a_ship_whose_settings_are_kept(ship: Ship, tmp_path: Path) -> None:
    """After log-in only; of another ship it says what is missing; other lengths of time are refused."""
    config, messages, _ = ship
    url = f"sqlite:///{tmp_path / 'fleet.db'}"
    keep(url, messages)
    keep(url, [fleet_rig.presence("skua-reach", "online", NOW_S)])
    settings = fleet_rig.settings(ship=[{"vessel": "tern-passage", "settings_file": str(config)}])
    with fleet_rig.served(url, settings, ShipReports(settings, url).make) as base, httpx.Client(base_url=base) as c:
        assert c.get("/report/tern-passage?days=1827", follow_redirects=False).status_code == 303
        c.post("/login", data={"name": "vera", "password": fleet_rig.PASSWORD, "next": "/"}, timeout=180)
        page = c.get("/ship/tern-passage", timeout=180).text
        assert "/report/tern-passage?days=92" in page and "/report/tern-passage?days=survey" in page
        assert "must be kept ashore" in c.get("/ship/skua-reach").text
        made = c.get("/report/tern-passage?days=1827", timeout=180)
        assert (
            made.status_code == 200
            and "Made ashore" in made.text
            and "attachment" in made.headers["content-disposition"]
        )
        assert c.get("/report/skua-reach?days=92").status_code == 409
        assert c.get("/report/tern-passage?days=7").status_code == 409
        survey = c.get("/report/tern-passage?days=survey", timeout=180)
        assert survey.status_code == 200 and "Survey file" in survey.text
        tables = c.get("/report/tern-passage?days=tables", timeout=180)
        assert tables.headers["content-type"] == "application/zip"
        with zipfile.ZipFile(io.BytesIO(tables.content)) as held:
            names = [n for n in held.namelist() if n.endswith(".csv")]
            assert len(names) == len(TABLES) and len(held.namelist()) == len(TABLES) + 1
            (trends,) = (held.read(n).decode() for n in names if n.endswith("-trends.csv"))
            assert len(list(csv.DictReader(trends.splitlines()))) > 40
    with fleet_rig.served(url, settings, ShipReports(settings, url).make) as base:
        left = httpx.get(f"{base}/report/tern-passage?days=tables")
        assert left.status_code == 303
