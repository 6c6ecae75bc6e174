"""The service units: nothing that the service manager does not know, and their hardening as INSTALL.md tells it."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = [DEPLOY / "ship/camdrift.service", DEPLOY / "shore/camdrift-keep@.service"]
needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


def placed(unit: Path, folder: Path) -> Path:
    """The unit with a program that is there and users that exist, under the name of an instance."""
    text = unit.read_text(encoding="utf-8").replace("/opt/camdrift/venv/bin/camdrift", "/usr/bin/true")
    path = folder / unit.name.replace("@", "@1")
    path.write_text(text, encoding="utf-8")
    return path


def told(name: str) -> float:
    """The score that a guide gives for its unit."""
    text = (DEPLOY / name).read_text(encoding="utf-8")
    (score,) = re.findall(r"`systemd-analyze security [^`]+` (?:gives|says) ([0-9.]+)", text)
    return float(score)


@needs_systemd
@pytest.mark.parametrize("unit", [*UNITS, DEPLOY / "ship/camdrift-report.service"], ids=lambda u: u.name)
def test_verifying_says_nothing_at_all(unit: Path, tmp_path: Path) -> None:
    """An unknown key is only a word on stderr, with status 0: any output is a fault."""
    command = ["systemd-analyze", "verify", "--man=no", str(placed(unit, tmp_path))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=180)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_systemd
def test_verifying_would_tell(tmp_path: Path) -> None:
    """The check above can fail: a misspelt key gives words."""
    path = placed(UNITS[0], tmp_path)
    path.write_text(path.read_text().replace("WatchdogSec=", "WatchdogSecs="))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)], capture_output=True, text=True, timeout=180
    )
    assert "WatchdogSecs" in done.stderr


@needs_systemd
@pytest.mark.parametrize(
    ("unit", "guide"), [(UNITS[0], "INSTALL.md"), (UNITS[1], "shore/README.md")], ids=["ship", "shore"]
)
def test_the_guide_gives_the_score(unit: Path, guide: str, tmp_path: Path) -> None:
    """`systemd-analyze security` comes to what the guide says, by the manager's own threshold (ten times the score)."""
    score = told(guide)
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager"]
    for threshold, status in ((round(score * 10), 0), (round(score * 10) - 3, 1)):
        line = [*command, f"--threshold={threshold}", str(placed(unit, tmp_path))]
        done = subprocess.run(line, capture_output=True, text=True, timeout=180)
        assert (done.returncode != 0) == bool(status), done.stdout.splitlines()[-1]


def test_every_path_of_the_units_is_one_that_a_guide_makes() -> None:
    """Programs, settings and documents that units name stand in the guides' lines."""
    guides = "".join((DEPLOY / g).read_text(encoding="utf-8") for g in ("INSTALL.md", "BY_HAND.md", "shore/README.md"))
    for unit in UNITS:
        text = unit.read_text(encoding="utf-8")
        paths = re.findall(r"/(?:opt|etc)/[A-Za-z0-9_./-]+", "".join(re.findall(r"^(?!#).*\n", text, re.MULTILINE)))
        assert paths
        for path in paths:
            assert path in guides or Path(path).name in guides, path
