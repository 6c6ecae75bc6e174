"""The page's files: their size, that the foreign one is what its note says, and that none breaks the policy."""

import hashlib
import re

from gateway.web.files import static_files


def test_the_whole_page_is_small() -> None:
    """Pins under 200 kB in all as transferred, the plotting library with its licence included; a first view is less."""
    files = static_files("gateway.outlets.page")
    assert {"index.html", "page.css", "js/main.js", "uplot/uPlot.iife.min.js", "uplot/LICENSE.txt"} <= set(files)
    assert sum(len(f.packed) for f in files.values()) < 200_000


def test_the_plotting_library_is_unchanged() -> None:
    """Pins that the library is byte for byte the published one whose sum stands beside it."""
    files = static_files("gateway.outlets.page")
    noted = dict(re.findall(r"^([0-9a-f]{64})  (\S+)$", files["uplot/NOTE.txt"].body.decode(), re.MULTILINE))
    found = {name: s for s, name in noted.items()}
    assert set(found) == {"uPlot.iife.min.js", "uPlot.min.css"}
    for name, digest in found.items():
        assert hashlib.sha256(files[f"uplot/{name}"].body).hexdigest() == digest
    assert b"MIT" in files["uplot/LICENSE.txt"].body


def test_nothing_inline_and_nothing_from_elsewhere() -> None:
    """Pins that no file holds an inline handler, style or script, or the address of another place."""
    files = static_files("gateway.outlets.page")
    page = files["index.html"].body.decode()
    assert re.search(r"\son\w+=|style=|<style|<script(?![^>]*src=)", page) is None
    for name, f in files.items():
        if name.startswith("uplot/") or not f.media_type.startswith("text/"):
            continue
        text = f.body.decode().replace("http://www.w3.org/2000/svg", "")
        assert (
            "//" not in re.sub(r"^\s*//.*$|\s// .*$|/\* .*? \*/", "", text, flags=re.MULTILINE) or "://" not in text
        ), name
        assert "innerHTML" not in text and "eval(" not in text, name
