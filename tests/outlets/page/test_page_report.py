"""The report from the page: the same as in a terminal, names only after log-in, one at a time, within bounds."""

import io
import threading
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import page_rig as rig
import pytest
import report_rig
from report_signed import FROM, SPAN, TO, signed_ship

from gateway.app import reports
from gateway.app.reports import Reports
from gateway.cli.main import main
from gateway.model.errors import Refused, StorageError
from gateway.model.page_settings import PageUser
from gateway.model.settings import Settings
from gateway.model.settings_file import load_settings
from gateway.report.survey_tables import TABLES

ASKED = {"from": FROM, "to": TO}


class Ship:
    """A page over the signed ship's store."""

    def __init__(self, settings: Settings, report: Any) -> None:
        self.served = rig.Served(rig.inputs(settings, rig.Crew(rig.present(TO)), report=report))
        self.client = httpx.Client(base_url=self.served.url, timeout=180)

    def log_in(self) -> None:
        """As the user of the rig."""
        done = self.client.post("/api/login", json={"name": "second", "password": rig.PASSWORD})
        assert done.status_code == 200, done.text


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ship's settings file."""
    return signed_ship(tmp_path_factory.mktemp("ship"))


@pytest.fixture(scope="module")
def settings(config: Path, tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """Its settings with the rig's user of the page, and the acts' author among them."""
    users = [*rig.settings(tmp_path_factory.mktemp("users")).page.users]
    users.append(PageUser(name="second.engineer", password_hash=users[0].password_hash))
    found = load_settings(config)
    return replace(found, page=replace(found.page, port=0, users=users))


@pytest.fixture
def ship(settings: Settings) -> Iterator[Ship]:
    """The page with the daemon's own maker of reports."""
    made = Ship(settings, Reports(settings, settings.gateway.data_dir).make)
    yield made
    made.client.close()
    assert made.served.server.stop()


@pytest.mark.slow
def test_it_is_the_report_of_the_terminal(ship: Ship, config: Path, tmp_path: Path) -> None:
    """Pins the same figures in all tables, as a file to save."""
    ship.log_in()
    got = ship.client.get("/api/report", params=ASKED)
    assert got.status_code == 200 and got.headers["content-disposition"].startswith("attachment")
    out = tmp_path / "x.html"
    assert main(["report", str(config), "--out", str(out), *SPAN]) == 0
    here, there = report_rig.Read(got.text), report_rig.Read(out.read_text(encoding="utf-8"))
    assert here.tables["The period"] == there.tables["The period"]
    assert here.table("Figures as booked") == there.table("Figures as booked") and "second.engineer" in here.text


@pytest.mark.slow
def test_names_are_for_those_who_have_logged_in(ship: Ship) -> None:
    """Pins that a viewer's report has no name of a person in it, booked or acting."""
    text = report_rig.Read(ship.client.get("/api/report", params=ASKED).text).text
    assert (
        "(log in to see)" in text
        and "second.engineer" not in text
        and "Second" not in text.replace("Second engineer", "")
    )


@pytest.mark.slow
def test_it_can_be_taken_as_pdf_and_as_survey_file(ship: Ship) -> None:
    """Pins that the PDF bears the ship, the period and the names; and that the survey file comes with its tables, and
    only after log-in, since signatures are in it."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed; it comes with the extra `test`")
    pytest.importorskip("weasyprint", reason="no PDF can be made here", exc_type=ImportError)
    refused = ship.client.get("/api/report", params=ASKED | {"kind": "survey"})
    assert refused.status_code == 401 and "Log in first" in refused.json()["why"]
    ship.log_in()
    got = ship.client.get("/api/report", params=ASKED | {"kind": "pdf"})
    assert got.headers["content-type"] == "application/pdf" and ".pdf" in got.headers["content-disposition"]
    text = " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(got.content)).pages)
    assert "Tern Passage, 2027-03-15 to 2027-05-20" in text and "second.engineer" in text and "Survey file" not in text
    got = ship.client.get("/api/report", params=ASKED | {"kind": "survey"})
    assert got.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(got.content)) as kept:
        pdf, *tables = kept.namelist()
        text = " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(kept.read(pdf))).pages)
        assert "Survey file" in text and "second.engineer" in text
        stem = pdf.removesuffix(".pdf")
        assert set(tables) == {f"{stem}-{t.name}.csv" for t in TABLES} and all(kept.read(t) for t in tables)


@pytest.mark.slow
def test_what_cannot_be_is_said(ship: Ship) -> None:
    """Pins the answers for a period without data, a short one, and an engine that is not there."""
    none = ship.client.get("/api/report", params={"from": FROM - 4e7, "to": FROM - 3.9e7})
    assert none.status_code == 409 and "no data of Main engine" in none.json()["why"]
    assert ship.client.get("/api/report", params={"from": FROM, "to": FROM + 60}).status_code == 422
    assert ship.client.get("/api/report", params=ASKED | {"engine": "aux"}).status_code == 404
    assert ship.client.head("/api/report", params=ASKED).content == b""


def test_one_address_has_one_at_a_time(settings: Settings) -> None:
    """Pins that a second report waits for nobody: it is refused, and the first one comes whole."""
    begun, go_on = threading.Event(), threading.Event()

    def slow(*_: object) -> bytes:
        begun.set()
        assert go_on.wait(180)
        return b"x" * 1_000_000

    ship = Ship(settings, slow)
    first: list[int] = []
    thread = threading.Thread(
        target=lambda: first.append(len(httpx.get(f"{ship.served.url}/api/report", params=ASKED, timeout=180).content))
    )
    thread.start()
    assert begun.wait(180)
    assert ship.client.get("/api/report", params=ASKED).status_code == 503
    go_on.set()
    thread.join(180)
    assert first == [1_000_000]
    assert ship.client.get("/api/report", params=ASKED).status_code == 200, "its place is free again"
    ship.client.close()
    assert ship.served.server.stop()


def test_a_reader_who_goes_leaves_the_place(settings: Settings) -> None:
    """Pins that a connection closed in the middle of the answer does not keep the place."""
    ship = Ship(settings, lambda *_: b"x" * 4_000_000)
    with httpx.stream("GET", f"{ship.served.url}/api/report", params=ASKED, timeout=180) as half:
        next(half.iter_raw())
    report_rig.daemon_rig.until(
        lambda: ship.client.get("/api/report", params=ASKED).status_code == 200, "the place is free"
    )
    ship.client.close()
    assert ship.served.server.stop()


@pytest.mark.parametrize(
    ("module", "fault", "why"),
    [
        ("import sys; sys.exit(1)", StorageError, "exit status 1"),
        ("raise KeyError('x')", StorageError, "KeyError"),
        ("import sys; sys.stdout.write('x' * 3000)", StorageError, "3,000 bytes"),
        ("import sys; print('no data of it', file=sys.stderr); sys.exit(1)", Refused, "no data of it"),
        ("import time; time.sleep(600)", Refused, "not made within"),
    ],
)
def test_a_process_that_fails_is_ended_and_named(
    settings: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, fault: type, why: str
) -> None:
    """Pins words without a traceback for each way to fail, and that the next report can be made."""
    (tmp_path / "made_up_report.py").write_text(module, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(reports, "MODULE", "made_up_report")
    monkeypatch.setattr(reports, "BYTES_MAX", 2_000)
    monkeypatch.setattr(reports, "MADE_WITHIN_S", 2.0 if "sleep" in module else 180.0)
    maker = Reports(settings, settings.gateway.data_dir)
    for _ in range(2):
        with pytest.raises(fault, match=why) as raised:
            maker.make(None, FROM, TO, True, "html")
        assert "Traceback" not in str(raised.value)
