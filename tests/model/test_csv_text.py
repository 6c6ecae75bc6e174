"""No cell of a table that the program writes is run as a formula by the spreadsheet that opens it."""

import csv
import io
import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.csv_text import csv_text, safe_cell

GATEWAY = Path(__file__).parents[2] / "gateway"
FORMULAS = [
    "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\tx", "\rx", "\nx", " =1", "\u00a0=1", "\ufeff=1",
    "\u200b=1", "\x00=1", "\uff1d1+1", "\uff0b1", "\uff0d1", "\uff201", " \uff1d1", "\ufe661", "\ufe621",
]  # fmt: skip


@pytest.mark.parametrize("text", FORMULAS, ids=ascii)
def test_a_formula_is_made_harmless(text: str) -> None:
    """Also in full width, behind blanks, and behind what cannot be seen."""
    (cell,) = next(csv.reader(io.StringIO(csv_text([[text]]), newline="")))
    assert cell == "'" + text


@pytest.mark.parametrize("text", ["", "lag 1.2 deg", "a=b", "2026-03-01", "1-2", "ahead +", "Ünal", "'=1"])
def test_other_text_stays_as_it_is(text: str) -> None:
    """Nothing is changed that no spreadsheet runs."""
    assert safe_cell(text) == text


@given(text=st.text(max_size=12))
def test_no_text_begins_like_a_formula(text: str) -> None:
    """Whatever is typed: the first character that is seen is none that a spreadsheet runs, and nothing is lost."""
    cell = safe_cell(text)
    assert cell in (text, "'" + text)
    seen = "".join(c for c in cell if not c.isspace() and unicodedata.category(c) not in ("Cc", "Cf"))
    assert unicodedata.normalize("NFKC", seen)[:1] not in tuple("=+-@")


def test_numbers_and_tables_of_figures_stay_figures() -> None:
    """A negative figure is no text; a list is JSON; what is not known is empty."""
    assert csv_text([["n", -1.5, None, [1, 2], {"a": "="}]]) == 'n,-1.5,,"[1,2]","{""a"":""=""}"\r\n'


def test_csv_is_written_in_one_place() -> None:
    """No other module makes lines of CSV of its own."""
    found = {p.name for p in GATEWAY.rglob("*.py") if re.search(r"csv\.(writer|DictWriter)", p.read_text())}
    assert found == {"csv_text.py"}
