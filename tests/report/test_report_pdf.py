"""The report as PDF, read by others: pages, fonts, metadata, profile of colours; and where none can be made."""

import shutil
import subprocess
import sys
from base64 import b64encode
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
import report_rig as rig
from photos_rig import png
from report_signed import SPAN, signed_ship

from gateway.cli.main import main
from gateway.cli.report_files import write_report
from gateway.model.settings_file import load_settings

pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed; it comes with the extra `test`")
PDFAID = "{http://www.aiim.org/pdfa/ns/id/}"
needs_pdf = pytest.mark.usefixtures("library")


@pytest.fixture(scope="module")
def library() -> None:
    """Imported by the worker that needs it; it takes long."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as missing:
        pytest.skip(f"no PDF can be made here: {missing}")


def pages(path: Path) -> list[str]:
    """The text of each page, in one line."""
    return [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(path).pages]


@pytest.fixture(scope="module")
def report(library: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report with everything in it."""
    folder = tmp_path_factory.mktemp("pdf")
    config = signed_ship(folder)
    assert main(["report", str(config), "--out", str(folder / "x.pdf"), *SPAN]) == 0
    return folder / "x.pdf"


def test_the_first_page_comes_first(report: Path) -> None:
    """Pins that the first page holds decision, figures and the notice whole; details come after."""
    found = pages(report)
    for words in ("Tern Passage", "Nothing to do now", "Camshaft lag", "Good readings", "open a door", "IMO number"):
        assert words in found[0], words
    assert "details" in found[1] and "details" not in found[0].replace("in the details", "")


def test_each_page_names_ship_period_and_document(report: Path) -> None:
    """Pins ship, period, page of pages and the document's number on every page."""
    found = pages(report)
    number = found[0].partition("Report no. ")[2].split()[0]
    for n, text in enumerate(found, 1):
        assert "Tern Passage, 2027-03-15 to 2027-05-20" in text and f"page {n} of {len(found)}" in text
        assert number in text


@pytest.mark.slow
def test_no_page_is_nearly_empty(report: Path) -> None:
    """Pins that no page but the last holds less than five lines of its own: nothing is left alone on a page."""
    for page in pypdf.PdfReader(report).pages[:-1]:
        assert len(page.extract_text().splitlines()) >= 8


def test_what_pdf_a_asks_for_is_there_as_far_as_it_can_be_seen(report: Path) -> None:
    """Pins XMP with part 2 and level B, an output intent with its profile, fonts embedded, no script, no file."""
    reader = pypdf.PdfReader(report)
    root = reader.trailer["/Root"]
    xmp = root["/Metadata"].get_object().get_data().decode()
    said = {k: v for node in ElementTree.fromstring(xmp.encode()).iter() for k, v in node.attrib.items()}
    assert said[f"{PDFAID}part"] == "2" and said[f"{PDFAID}conformance"] == "B"
    assert "Tern Passage: camshaft chain drive" in xmp
    intent = root["/OutputIntents"][0].get_object()
    assert intent["/S"] == "/GTS_PDFA1" and intent["/DestOutputProfile"].get_object().get_data()[36:40] == b"acsp"
    assert not {"/AA", "/OpenAction", "/AcroForm"} & root.keys() and "/Encrypt" not in reader.trailer
    assert "/ID" in reader.trailer
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"].get("/Font", {}).values()]
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & inner["/FontDescriptor"].get_object().keys()


def test_popplers_reader_agrees(report: Path) -> None:
    """Pins the same of another reader: fonts embedded, title, no script."""
    if not shutil.which("pdffonts"):
        pytest.skip("no pdffonts here (Debian: poppler-utils)")
    rows = subprocess.run(["pdffonts", report], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert rows and all(row.split()[-5] == "yes" for row in rows)
    info = subprocess.run(["pdfinfo", report], capture_output=True, text=True, check=True).stdout
    assert "Tern Passage: camshaft chain drive" in info and "A4" in info


@pytest.mark.slow
@needs_pdf
def test_two_engines_and_long_names(tmp_path: Path) -> None:
    """Pins that both engines' figures stand on the first page, also with names as long as they may be."""
    config = rig.settings_file(tmp_path, "two-engines.toml")
    text = config.read_text(encoding="utf-8").replace('"Main engine"', '"' + "Main engine aft port " * 3 + '"')
    config.write_text(text, encoding="utf-8")
    aux = rig.Voyage(rpm=720.0, ratio=2, hours=11_900.0, zero=False)
    rig.write(load_settings(config), {"main": rig.Voyage(), "aux": aux}, events=[rig.started(rig.BEGIN_S)])
    assert main(["report", str(config), "--out", str(tmp_path / "x.pdf"), *SPAN]) == 0
    first = pages(tmp_path / "x.pdf")[0]
    assert first.count("Running hours") == 2 and "Generator engine" in first and "open a door" in first


@pytest.mark.slow
@needs_pdf
def test_a_name_cannot_leave_the_heading_of_the_pages(tmp_path: Path) -> None:
    """Pins that a ship's name with quotes, braces and markup stands on each page as text and changes no rule."""
    name = 'T"} </style> \\\\ @page {'
    config = rig.settings_file(tmp_path)
    text = config.read_text(encoding="utf-8").replace('"Tern Passage"', repr(name).replace("\\\\\\\\", "\\\\"))
    config.write_text(text, encoding="utf-8")
    settings = load_settings(config)
    assert replace(settings.vessel).name.startswith('T"}')
    rig.write(settings, {"main": rig.Voyage()}, events=[rig.started(rig.BEGIN_S)])
    assert main(["report", str(config), "--out", str(tmp_path / "x.pdf"), *SPAN]) == 0
    assert all(settings.vessel.name[:12] in page for page in pages(tmp_path / "x.pdf"))


@needs_pdf
def test_a_photo_stands_in_the_pdf_and_nothing_from_outside(tmp_path: Path) -> None:
    """Pins that a photo within the report is drawn, and that no file beside it is read."""
    (tmp_path / "x.png").write_bytes(png(30, 20))
    inside = f"data:image/png;base64,{b64encode(png(40, 25)).decode()}"
    outside = (tmp_path / "x.png").as_uri()
    write_report(tmp_path / "x.pdf", f"<html lang=en><title>x</title><img src='{inside}'><img src='{outside}'></html>")
    (image,) = pypdf.PdfReader(tmp_path / "x.pdf").pages[0].images
    assert image.image.size == (40, 25)


def test_without_the_library_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pins that no PDF is refused with what to do instead, and that no file is left."""
    config = rig.settings_file(tmp_path)
    rig.write(load_settings(config), {"main": rig.Voyage()}, events=[rig.started(rig.BEGIN_S)])
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    assert main(["report", str(config), "--out", str(tmp_path / "x.pdf"), *SPAN]) == 1
    told = capsys.readouterr().err
    assert "ends in .html" in told and "extra `pdf`" in told and not (tmp_path / "x.pdf").exists()


@pytest.mark.slow
def test_no_line_of_a_survey_file_stands_alone_on_a_page(tmp_path: Path) -> None:
    """Pins at least four lines between header and footer on each page of a survey file with a work sheet in it."""
    out = tmp_path / "s.pdf"
    assert main(["report", str(signed_ship(tmp_path)), "--survey", "--out", str(out), *SPAN]) == 0
    lines = [len(p.extract_text().splitlines()) for p in pypdf.PdfReader(out).pages]
    assert len(lines) > 5 and min(lines) >= 6, lines
