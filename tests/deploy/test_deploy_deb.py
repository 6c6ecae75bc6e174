"""The Debian packages: what goes where, scripts that a shell can read, manual pages, pins. Building: tests/bench."""

import importlib.util
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from gateway.cli.main import COMMANDS

DEB = Path(__file__).parents[2] / "deploy/deb"
SCRIPTS = sorted(p for p in DEB.glob("*/p*") if p.suffix == "")


def module(name: str) -> ModuleType:
    """A script of the builder."""
    spec = importlib.util.spec_from_file_location(f"deb_{name}", DEB / f"{name}.py")
    assert spec is not None and spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = made
    spec.loader.exec_module(made)
    return made


BUILD = module("build")


@pytest.mark.parametrize("kind", [BUILD.SHIP, BUILD.SHORE], ids=lambda k: k.name)
def test_files_name_the_package_s_paths(kind: Any, tmp_path: Path) -> None:
    """Every file is there, and what it names in the package is in the package, or made by a script of it."""
    BUILD.files(kind, tmp_path)
    BUILD.program_scripts(kind, tmp_path)
    held = {f"/{p.relative_to(tmp_path)}" for p in tmp_path.rglob("*") if not p.is_dir()}
    assert set(kind.copies) | set(kind.links) <= held
    assert not any(place.startswith("/opt/") for place in held)
    for place in held:
        path = Path(f"{tmp_path}{place}")
        if path.is_symlink():
            assert (path.parent / path.readlink()).exists()
            continue
        text = path.read_text(encoding="utf-8")
        assert "/opt/camdrift" not in text, place
        named = set(re.findall(rf"{kind.home}/[A-Za-z0-9_./-]*[a-z]", text))
        made = {f"{kind.home}/cache", f"{kind.home}/venv/bin/python"}
        assert named <= held | made, (place, named - held - made)


HELD = {
    "camdrift": {
        "usr/bin/camdrift", "usr/sbin/camdrift-update", "usr/lib/camdrift/backup.sh",
        "usr/lib/camdrift/certificates.sh",
        "usr/lib/systemd/system/camdrift.service", "usr/lib/systemd/system/camdrift-report.service",
        "usr/lib/systemd/system/camdrift-report.timer", "usr/lib/systemd/system/camdrift-backup.service",
        "usr/lib/systemd/system/camdrift-backup.timer", "usr/lib/sysusers.d/camdrift.conf",
        "usr/lib/tmpfiles.d/camdrift.conf", "usr/lib/udev/rules.d/60-camdrift-adapter.rules",
        "usr/lib/modules-load.d/camdrift.conf", "usr/share/bash-completion/completions/camdrift",
        "usr/share/zsh/vendor-completions/_camdrift", "usr/share/man/man8/camdrift-update.8.gz",
        "usr/share/man/man1/camdrift.1.gz",
        *(f"usr/share/man/man1/camdrift-{c}.1.gz" for c in COMMANDS if c != "shore"),
        "usr/share/doc/camdrift/INSTALL.md", "usr/share/doc/camdrift/GUIDE.md", "usr/share/doc/camdrift/copyright",
        "usr/share/doc/camdrift/changelog.gz", "usr/share/lintian/overrides/camdrift", "etc/default/camdrift",
    },
    "camdrift-shore": {
        "usr/bin/camdrift-shore", "usr/lib/camdrift-shore/certificates.sh",
        "usr/lib/systemd/system/camdrift-keep@.service", "usr/lib/systemd/system/camdrift-notify@.service",
        "usr/lib/systemd/system/camdrift-fleet.service", "usr/lib/sysusers.d/camdrift-shore.conf",
        "usr/lib/tmpfiles.d/camdrift-shore.conf", "usr/share/man/man1/camdrift-shore.1.gz",
        "usr/share/bash-completion/completions/camdrift-shore", "usr/share/zsh/vendor-completions/_camdrift-shore",
        "usr/share/doc/camdrift-shore/README.md", "usr/share/doc/camdrift-shore/copyright",
        "usr/share/doc/camdrift-shore/shore.toml", "usr/lib/camdrift-shore/shore/mosquitto-shore.conf",
    },
}  # fmt: skip
"""What the guides promise. The two program trees and the byte code come in a real build only: tests/bench."""


@pytest.mark.parametrize("kind", [BUILD.SHIP, BUILD.SHORE], ids=lambda k: k.name)
def test_what_is_in_the_package(kind: Any, tmp_path: Path) -> None:
    """All of the build but the libraries: each promised file is there, users and folders belong together, only what
    lies under /etc is the user's, and each file has its checksum."""
    BUILD.files(kind, tmp_path)
    BUILD.program_scripts(kind, tmp_path)
    # The program of this checkout makes its own pages, in place of the one that would be unpacked.
    (tmp_path / kind.home.lstrip("/") / f"venv/lib/python{BUILD.PYTHON}/site-packages").mkdir(parents=True)
    BUILD.pages(kind, tmp_path, "1.2+deb12", 0)
    BUILD.documents(kind, tmp_path, "1.2+deb12", 0)
    BUILD.control(kind, tmp_path, "1.2+deb12", "amd64")
    control = tmp_path / "DEBIAN"
    held = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if not p.is_dir() and control not in p.parents}
    assert HELD[kind.name] <= held, HELD[kind.name] - held
    units = {name.rpartition("/")[2] for name in held if "/systemd/system/" in name}
    assert units == {n.rpartition("/")[2] for n in HELD[kind.name] if "/systemd/system/" in n}
    user = kind.name
    sysusers = (tmp_path / f"usr/lib/sysusers.d/{user}.conf").read_text(encoding="utf-8")
    assert re.search(rf"(?m)^u {user} - ", sysusers)
    for name in units:
        unit = (tmp_path / "usr/lib/systemd/system" / name).read_text(encoding="utf-8")
        assert name.endswith(".timer") or re.findall(r"(?m)^User=(.*)", unit) in ([user], [])
        started = re.findall(r"(?m)^ExecStart=[-+!]*(?:/bin/sh |/usr/bin/env )?(/\S+)", unit)
        assert all(s.lstrip("/") in held or s.startswith(("/usr/bin/", "/bin/")) for s in started), (name, started)
    folders = (tmp_path / f"usr/lib/tmpfiles.d/{user}.conf").read_text(encoding="utf-8")
    assert {f"/etc/{user}", f"/var/lib/{user}"} <= set(re.findall(r"(?m)^d (\S+)", folders))
    settings = {f"/{name}" for name in held if name.startswith("etc/")}
    conffiles = control / "conffiles"
    assert (set(conffiles.read_text().split()) if conffiles.exists() else set()) == settings
    sums = (control / "md5sums").read_text(encoding="utf-8").splitlines()
    links = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_symlink()}
    assert {line.split(maxsplit=1)[1] for line in sums} == held - links
    for path in control.glob("p*"):
        assert path.stat().st_mode & 0o111 and not re.search("@[A-Z]+@", path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_scripts_can_be_read_by_the_shell(path: Path) -> None:
    """Each maintainer script, as `dash` reads it; it stops at the first fault."""
    text = path.read_text(encoding="utf-8")
    if path.name == "templates":
        return
    done = subprocess.run(["sh", "-n", str(path)], capture_output=True, text=True, timeout=180, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert text.startswith("#!/bin/sh\n") and "\nset -e\n" in text


def test_nothing_is_started_by_the_package() -> None:
    """Neither enabled nor started; what runs is restarted at an upgrade. Data go only where purge was answered so."""
    for kind in ("ship", "shore"):
        text = (DEB / kind / "postinst").read_text(encoding="utf-8")
        assert "systemctl enable" not in text and "systemctl start" not in text
        gone = (DEB / kind / "postrm").read_text(encoding="utf-8")
        kept, _, purged = gone.partition('if [ "$answer" = true ]; then')
        assert "/var/lib" in purged and not re.search(r"rm -rf? .*/(var/lib|etc)/", kept)


def test_manual_pages_from_the_help_texts() -> None:
    """One for each command aboard, one for the whole, and one for the shore; each option of a command stands in it."""
    manual = module("manual")
    ship = manual.manual_pages("camdrift", "1.2+deb12", 0)
    assert set(ship) == {"camdrift"} | {f"camdrift-{c}" for c in COMMANDS if c != "shore"}
    assert "\\-\\-bundle FILE" in ship["camdrift-doctor"] and "1970-01-01" in ship["camdrift-doctor"]
    update = manual.update_page("1.2+deb12", 0)
    for word in ("FILE.deb", "back", "store"):
        assert f".B {word}\n" in update
    assert "verified before anything changes" in update and update.startswith(".TH CAMDRIFT\\-UPDATE 8 ")
    (shore,) = manual.manual_pages("camdrift-shore", "1.2+deb12", 0).values()
    assert ".B close\\-gap" in shore
    for text in (*ship.values(), shore):
        assert text.startswith(".TH ") and "%(" not in text


def test_pins_name_hashes_and_no_place(tmp_path: Path) -> None:
    """Name, version, hash; in order; nothing of where a wheel came from or lies."""
    for name in ("b_c-1.0-py3-none-any.whl", "a-2.0-py3-none-any.whl"):
        with zipfile.ZipFile(tmp_path / name, "w") as archive:
            archive.writestr("x", name)
    pins = BUILD.pins_of(tmp_path)
    assert re.fullmatch(r"a==2\.0 --hash=sha256:[0-9a-f]{64}\nb-c==1\.0 --hash=sha256:[0-9a-f]{64}\n", pins)


def test_every_error_that_is_overridden_has_a_reason() -> None:
    """A line of reasons stands above each group of overrides."""
    lines = (DEB / "lintian-overrides").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ") and all(line.startswith(("# ", "PACKAGE: ")) for line in lines)
