"""Every error of the command line, of its way to the daemon, of recordings and of a broker's secrets says what to do
next: an instruction, or the list of what is allowed. Settings' errors have their own test, with file and key."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted(
    [*(ROOT / "gateway" / "cli").glob("*.py"), *(ROOT / "gateway" / "sources").glob("*.py"),
     *(ROOT / "gateway" / "outlets" / "mqtt").glob("access.py"), ROOT / "gateway" / "outlets" / "control_client.py"]
)  # fmt: skip
ERRORS = {"Refused", "PortError", "StorageError"}
TO_DO = re.compile(
    r"\b(?:give|set|use|install|check|look|try|name|see|remove|leave|book|move|stop|join|add|correct|write|wait|run|"
    r"import|export|sort|do|open|type|press|tick|shows? why|starts? it|printed once|not among|makes?|named|"
    r"Waiting)\b"
)
MADE_ELSEWHERE = {"{e}", "{text}", "--broker and what goes with it: {text}", "{key} {path}: {e}",
                  "password_file {path}: {e}"}  # fmt: skip
"""Another error's text, which has its own instruction."""
NO_PDF = "{NO_PDF}"
"""A constant that has it."""


def errors(path: Path) -> Iterator[tuple[int, str]]:
    """(line, text) of each error that is raised with a text; what is put in is in braces."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not (isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and node.exc.args):
            continue
        if isinstance(node.exc.func, ast.Name) and node.exc.func.id in ERRORS and (text := _text(node.exc.args[0])):
            yield node.lineno, text


def _text(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(p.value) if isinstance(p, ast.Constant) else "{" + ast.unparse(p).strip("f'\"{}") + "}"
            for p in node.values
        )
    return ""


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_it_says_what_to_do(path: Path) -> None:
    """A verb that a person can follow, or the names that can be given."""
    silent = [f"{path.name}:{line}: {text}" for line, text in errors(path)
              if text not in MADE_ELSEWHERE and not text.startswith(NO_PDF) and not TO_DO.search(text)]  # fmt: skip
    assert silent == []


def test_the_check_sees_errors() -> None:
    """It reads what is raised: many, and one without an instruction would be found."""
    assert sum(1 for path in FILES for _ in errors(path)) > 60
    assert not TO_DO.search("the disk is full")
