"""The house's floors, read from the source itself: who imports what, and that every public name says what it is."""

import ast
import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PURE = (
    "model", "link", "measure", "wear", "alarm", "worksheet", "encode", "report", "checkpoint.py", "outputs.py",
    "pipeline.py",
)  # fmt: skip
"""Floors 0 to 2: no disk, no socket, no clock, no global."""

OUTSIDE = {
    "asyncio", "ctypes", "fcntl", "io", "multiprocessing", "os", "pathlib", "random", "secrets", "select", "selectors",
    "serial", "shutil", "signal", "socket", "socketserver", "sqlite3", "ssl", "structlog", "subprocess", "sys",
    "tempfile", "threading", "time", "paho", "amqtt", "logging", "importlib",
}  # fmt: skip
"""Modules by which code reaches the world, or the world reaches it."""

ALLOWED = {
    ("model/settings_file.py", "pathlib"): "reads the settings' own file",
    ("model/fields.py", "pathlib"): "paths are among the settings' values",
    ("model/files.py", "os"): "reads the settings' own files and those that they name",
    ("model/files.py", "pathlib"): "the same",
    ("model/toml_file.py", "pathlib"): "the same",
    ("model/csv_text.py", "io"): "a text table is written in memory",
}
CALLS = {"open", "print", "input", "exec", "eval", "__import__"}


def sources(package: str) -> list[Path]:
    """Every module of a package."""
    return sorted((ROOT / package).rglob("*.py"))


def pure() -> list[Path]:
    """Every module of the floors that touch nothing."""
    return [p for p in sources("gateway") if p.relative_to(ROOT / "gateway").parts[0] in PURE]


@cache
def imported(path: Path) -> frozenset[str]:
    """First names of all modules imported anywhere in a file."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return frozenset(found)


def test_there_is_something_to_read() -> None:
    """An empty list of files would pass every other test here."""
    assert len(sources("gateway")) > 50 and len(sources("firmware_sim")) > 10
    assert {p.relative_to(ROOT / "gateway").parts[0] for p in pure()} == set(PURE)


def test_head_and_gateway_share_nothing() -> None:
    """The link page is their only contract: an error in one cannot hide in the other."""
    # The demo starts the simulated head as the other end of its link; it is the one place where both are known.
    demo = {ROOT / "gateway" / "cli" / name for name in ("demo.py", "demo_voyage.py")}
    assert [p for p in sources("gateway") if "firmware_sim" in imported(p) and p not in demo] == []
    assert [p for p in sources("firmware_sim") if "gateway" in imported(p)] == []


@pytest.mark.parametrize("path", pure(), ids=lambda p: str(p.relative_to(ROOT / "gateway")))
def test_the_lower_floors_touch_nothing(path: Path) -> None:
    """No module of disk, socket, clock, thread or chance is imported there, but for those with a reason."""
    name = path.relative_to(ROOT / "gateway").as_posix()
    assert {m for m in imported(path) & OUTSIDE if (name, m) not in ALLOWED} == set()


@pytest.mark.parametrize("path", pure(), ids=lambda p: str(p.relative_to(ROOT / "gateway")))
def test_the_lower_floors_read_no_clock_and_keep_no_global(path: Path) -> None:
    """No `datetime.now`, `utcnow`, `today`, no `open` or `print`, no `global`, and no numpy chance."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Global), f"line {node.lineno}: global"
        if isinstance(node, ast.Attribute):
            assert (
                node.attr not in ("now", "utcnow", "today")
                or not isinstance(node.value, ast.Name)
                or (node.value.id not in ("datetime", "date"))
            ), f"line {node.lineno}: reads a clock"
            assert not (node.attr == "random" and isinstance(node.value, ast.Name) and node.value.id == "np")
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in CALLS, f"line {node.lineno}: {node.func.id}"


def test_reasons_are_still_needed() -> None:
    """An exception whose import is gone must go as well."""
    for (name, module), reason in ALLOWED.items():
        assert reason
        assert module in imported(ROOT / "gateway" / name), f"{name} no longer imports {module}"


def test_tests_own_packages_are_not_imported_by_the_product() -> None:
    """Scipy and its like are for tests only."""
    for path in sources("gateway") + sources("firmware_sim"):
        assert imported(path) & {"scipy", "statsmodels", "pandas", "pytest", "hypothesis", "crccheck"} == set(), path


def public(path: Path, methods: bool) -> Iterator[tuple[str, ast.Module | ast.ClassDef | ast.FunctionDef]]:
    """A module, its public functions and classes, and their public methods where wanted."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    name = str(path.relative_to(ROOT))
    if tree.body:
        yield name, tree
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name[0] != "_":
            yield f"{name}: {node.name}", node
            for member in node.body if methods and isinstance(node, ast.ClassDef) else ():
                if isinstance(member, ast.FunctionDef) and member.name[0] != "_":
                    yield f"{name}: {node.name}.{member.name}", member


@pytest.mark.parametrize("package", ["gateway", "firmware_sim"])
def test_every_public_name_says_what_it_is(package: str) -> None:
    """Modules, functions and classes have docstrings; methods too on the lower floors, where no protocol has them."""
    lower = pure()
    silent = [
        name for path in sources(package) for name, node in public(path, path in lower) if not ast.get_docstring(node)
    ]
    assert silent == []


def test_import_contracts_hold() -> None:
    """The layers written in the project's settings, judged by import-linter, where it is installed."""
    tool = shutil.which("lint-imports") or shutil.which(str(Path(sys.executable).parent / "lint-imports"))
    if importlib.util.find_spec("importlinter") is None or tool is None:
        pytest.skip("import-linter is not installed; it comes with the extra `dev`")
    done = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True, timeout=180, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
