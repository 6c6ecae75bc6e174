"""The report as a file: self-contained, escaped, readable without colour, whole or not at all."""

import os
import re
import shutil
import stat
import subprocess
from base64 import b64decode
from dataclasses import replace
from pathlib import Path

import pytest
import report_rig as rig
from photos_rig import png

from gateway.cli.main import main
from gateway.model.settings_file import load_settings
from gateway.store.photos import Photos
from gateway.wear.bookings import HandPlay, Note

EVIL = '<script src="https://203.0.113.9/x.js">alert(1)</script>"\'&</td>\u202e'
SPAN = ("--from", "2027-03-15T00:00:00Z", "--to", "2027-05-20T00:00:00Z")


@pytest.fixture(scope="module")
def ship(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Settings of a ship whose names, bookings and alarms hold markup."""
    folder = tmp_path_factory.mktemp("file")
    config = rig.settings_file(folder)
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace('"Main engine"', '"<b>Main</b> & \\"one\\""'), encoding="utf-8")
    entry = HandPlay(
        id="h", utc_s=rig.utc(2027, 4, 1), hours=22_000.0, person=EVIL[:64], note=EVIL + "\x07\ud7ff", play_links=0.6
    )
    data = load_settings(config).gateway.data_dir
    data.mkdir(parents=True)
    remark = Note(
        id="n", utc_s=rig.utc(2027, 4, 3), hours=22_010.0, person="Second engineer", note=f"Rail worn {EVIL}",
        photos=[Photos(data).keep(png(), set), "0" * 32 + ".jpg"],
    )  # fmt: skip
    events = [rig.started(rig.BEGIN_S), rig.alarm(rig.utc(2027, 4, 2), "main", "lag-step", rig.N, rig.U, text=EVIL)]
    settings = load_settings(config)
    voyage = rig.Voyage()
    trend = rig.trend(rig.utc(2027, 5, 20) - 600, 22_900.0)
    trend = replace(trend, decision=replace(trend.decision, why=EVIL), causes=(EVIL,))
    rig.write(
        settings, {"main": voyage}, events=events, bookings=[("main", entry), ("main", remark)], trends={"main": trend}
    )
    return config


@pytest.fixture(scope="module")
def html(ship: Path) -> str:
    """The report as HTML."""
    out = ship.parent / "out.html"
    assert main(["report", str(ship), "--out", str(out), *SPAN]) == 0
    return out.read_text(encoding="utf-8")


def test_nothing_from_outside_is_markup(html: str) -> None:
    """Pins that names and notes with markup come out as text, control characters as a mark."""
    read = rig.Read(html)
    assert {t for t, _ in read.tags} & {"script", "b", "link", "iframe", "object", "form", "a"} == set()
    assert "alert(1)" in read.text and "<b>Main</b>" in read.text and "\x07" not in html and "\ufffd" in html


def test_nothing_is_fetched(html: str) -> None:
    """Pins that the file refers to nothing outside itself, and forbids what it does not do."""
    read = rig.Read(html)
    refers = {"src", "href", "xlink:href", "action", "data", "poster", "srcset"}
    found = [(t, a, attrs[a]) for t, attrs in read.tags for a in attrs if a in refers or a.startswith("on")]
    # The photo of a note stands in the file itself.
    (photo,) = [value.removeprefix("data:image/png;base64,") for t, a, value in found if (t, a) == ("img", "src")]
    assert len(found) == 1 and b64decode(photo, validate=True) == png()
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style and "@import" not in style
    policy = next(a for t, a in read.tags if t == "meta" and a.get("http-equiv"))
    assert policy["content"] == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def test_a_note_stands_in_the_report(html: str) -> None:
    """Pins a note's time, hours, author and text, and of a photo that is not kept its name."""
    read = rig.Read(html)
    for words in ("Note", "2027-04-03", "22,010.0 h", "Second engineer", "Rail worn", f"photos/{'0' * 32}.jpg"):
        assert words in read.text, words


def test_it_reads_without_colour(html: str) -> None:
    """Pins that every colour is a grey, and that the kinds of line in a plot have dashes of their own."""
    style = "".join(re.findall(r"<style>(.*?)</style>", html, re.S))
    for colour in re.findall(r"#([0-9a-fA-F]{3,6})\b", style):
        parts = set(colour) if len(colour) == 3 else {colour[i : i + 2] for i in (0, 2, 4)}
        assert len(parts) == 1, colour
    dashes = dict(re.findall(r"svg \.(near|limit|edge|mark) \{[^}]*stroke-dasharray: ([^;]+);", style))
    assert len(dashes) == len(set(dashes.values())) == 4
    assert "limit 2°" in html and "warning limit 1.5°" in html


def test_html_is_sound(html: str) -> None:
    """Pins that html5lib's strict parser finds no fault, and that no id is there twice."""
    html5lib = pytest.importorskip("html5lib", reason="html5lib is not installed; it comes with the extra `test`")
    html5lib.HTMLParser(strict=True).parse(html)
    ids = [a["id"] for _, a in rig.Read(html).tags if "id" in a]
    assert ids and len(ids) == len(set(ids))


# -- on the disk --------------------------------------------------------------------------------------------------


def test_a_folder_names_the_file(ship: Path, tmp_path: Path) -> None:
    """Pins the name in a folder, readable by others as far as the umask goes, and nothing left beside it."""
    assert main(["report", str(ship), "--out", str(tmp_path), "--month", "2027-04"]) == 0
    (made,) = tmp_path.iterdir()
    assert made.name == "tern-passage-2027-04.html" and stat.S_IMODE(made.stat().st_mode) & 0o600 == 0o600


def test_no_folder_is_told(ship: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins exit status 74 and advice where the file's folder is missing."""
    assert main(["report", str(ship), "--out", str(tmp_path / "none" / "x.html"), *SPAN]) == 74
    assert "its folder is missing" in capsys.readouterr().err


def test_no_store_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins exit status 74 where nothing was ever stored."""
    assert main(["report", str(rig.settings_file(tmp_path)), "--out", str(tmp_path / "x.html")]) == 74
    assert "there is none yet" in capsys.readouterr().err


@pytest.mark.parametrize("asked", [("--month", "2027-13"), ("--month", "2099-01"), ("--from", "yesterday")])
def test_odd_periods_are_refused(ship: Path, tmp_path: Path, asked: tuple[str, str]) -> None:
    """Pins that no report is made of a month that is none, that is to come, or of a time that cannot be read."""
    assert main(["report", str(ship), "--out", str(tmp_path / "x.html"), *asked]) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_the_old_report(ship: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins that a disk too small gives 74 and its reason, and that what stood there before stays whole."""
    if os.geteuid() or not shutil.which("mount"):
        pytest.skip("a disk that can be filled must be mounted, which only root may")
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(disk)]).returncode:
        pytest.skip("no file system may be mounted here")
    try:
        (disk / "x.html").write_text("old")
        assert main(["report", str(ship), "--out", str(disk / "x.html"), *SPAN]) == 74
        assert "the disk is full" in capsys.readouterr().err
        assert [p.name for p in disk.iterdir()] == ["x.html"] and (disk / "x.html").read_text() == "old"
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)
