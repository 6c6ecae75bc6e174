"""Tables as CSV (RFC 4180), the only place where the program writes it: no cell can be taken for a formula."""

import csv
import io
import json
import unicodedata
from collections.abc import Iterable

FORMULA = "=+-@"
"""What a spreadsheet runs a cell by, also in full width, and behind blanks and invisible characters."""
EDGE = ("\t", "\r", "\n")
"""Spreadsheets cut these off before they look."""
INVISIBLE = ("Cc", "Cf")


def csv_text(rows: Iterable[Iterable[object]]) -> str:
    """The rows as lines, each ended by CR LF. None is empty, a list or a table is JSON, texts are made harmless."""
    out = io.StringIO()
    csv.writer(out).writerows([[_cell(value) for value in row] for row in rows])
    return out.getvalue()


def safe_cell(text: str) -> str:
    """The text, behind an apostrophe where a spreadsheet would take it for a formula."""
    first = next((c for c in text if not c.isspace() and unicodedata.category(c) not in INVISIBLE), "")
    formula = first and unicodedata.normalize("NFKC", first)[0] in FORMULA
    return "'" + text if formula or text.startswith(EDGE) else text


def _cell(value: object) -> object:
    if isinstance(value, list | tuple | dict):
        value = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    if isinstance(value, str):
        return safe_cell(value)
    return "" if value is None else value
