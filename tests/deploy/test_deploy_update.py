"""Update aboard by stick, and back, by the script of the package: signatures, and an older program before the store of
a newer one. Package manager and service manager are stand-ins; store, back-up and signatures are real. A real
systemd: tests/bench/package_trial.py."""

import os
import shutil
import sqlite3
import subprocess
import sys
import uuid
from contextlib import closing
from pathlib import Path

import pytest

from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.database import APPLICATION_ID
from gateway.store.reader import StateReader
from gateway.store.state import NewBooking, StateStore

DEPLOY = Path(__file__).parents[2] / "deploy/ship"
NEWER_STEP = 99
NEEDED = ("flock", "openssl")
pytestmark = pytest.mark.skipif(not all(map(shutil.which, NEEDED)), reason=f"not installed: one of {NEEDED}")
START = """
import sys
from pathlib import Path
from gateway.model.settings import GatewaySettings
from gateway.model.errors import Refused
from gateway.store.state import StateStore
try:
    StateStore(Path(sys.argv[1]), GatewaySettings(), brokers={}, ballast_bytes=4096).close()
except Refused as e:
    sys.exit(f"camdrift: {e}")
"""
SYSTEMCTL = """#!/bin/sh
cd "$STANDS"
case "$*" in
*is-active*) cat active; grep -qx active active ;;
*is-enabled*) echo enabled ;;
*show*) echo 0 ;;
stop*) echo inactive >active ;;
start*)
    echo activating >active
    "$PYTHON" start.py "$CAMDRIFT_DATA" 2>>journal && echo active >active
    ;;
esac
"""
JOURNAL = """#!/bin/sh
cd "$STANDS"
case "$*" in
*--show-cursor*) echo "-- cursor: $(wc -l <journal)" ;;
*) tail -n +$((${7:-0} + 1)) journal ;;
esac
"""
DPKG_DEB = """#!/bin/sh
[ "$1" = -f ] || exit 1
case "$3" in
Package) echo camdrift ;;
Installed-Size) echo 1 ;;
Architecture) echo here ;;
Version) head -n 1 "$2" ;;
esac
"""
DPKG = """#!/bin/sh
case "$1" in
--compare-versions) [ "$2" \\> "$4" ] ;;
--print-architecture) echo here ;;
--force-confold)
    head -n 1 "$3" >"$STANDS/version"
    ! grep -qx active "$STANDS/active" || { systemctl stop; systemctl start || true; }
    ;;
-i) echo "a file under /etc was changed here: Y, I, N, O? end of file on stdin" >&2; exit 1 ;;
esac
"""
QUERY = """#!/bin/sh
case "$1" in
-W) cat "$STANDS/version" ;;
esac
"""


class Box:
    """An installed version, a store, a service."""

    def __init__(self, folder: Path) -> None:
        self.data, self.backups, self.keep, self.stands = (folder / n for n in ("data", "backups", "keep", "stands"))
        settings = folder / "settings"
        for path in (self.data, self.backups, self.keep, self.stands, settings, folder / "bin"):
            path.mkdir()
        stand_ins = {
            "systemctl": SYSTEMCTL,
            "journalctl": JOURNAL,
            "dpkg-deb": DPKG_DEB,
            "dpkg": DPKG,
            "dpkg-query": QUERY,
        }
        for name, text in stand_ins.items():
            (folder / "bin" / name).write_text(text)
            (folder / "bin" / name).chmod(0o755)
        for name, text in {"start.py": START, "journal": "an older line\n", "active": "active\n"}.items():
            (self.stands / name).write_text(text)
        self.version("0.2.0")
        self.env = {
            **os.environ, "PATH": f"{folder / 'bin'}:{os.environ['PATH']}", "STANDS": str(self.stands),
            "PYTHON": sys.executable, "CAMDRIFT_PYTHON": sys.executable, "CAMDRIFT_DATA": str(self.data),
            "CAMDRIFT_SETTINGS": str(settings), "CAMDRIFT_BACKUPS": str(self.backups),
            "CAMDRIFT_UPDATE_KEEP": str(self.keep), "CAMDRIFT_UPDATE_KEY": str(folder / "update.pem"),
            "CAMDRIFT_RESTORE": str(DEPLOY / "backup.sh"),
        }  # fmt: skip

    def version(self, name: str) -> None:
        """What the package manager says is installed."""
        (self.stands / "version").write_text(f"{name}\n")

    def run(self, script: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """A script of the package."""
        line = ["sh", str(DEPLOY / script), *map(str, words)]
        return subprocess.run(line, env=self.env, capture_output=True, text=True, timeout=180, check=False)

    def book(self, name: str) -> None:
        """Something that must not be lost."""
        store = StateStore(self.data, GatewaySettings(), brokers={}, ballast_bytes=4_096)
        store.commit(Batch(bookings=[NewBooking("main", name, "retightened", "2031-02-03T00:00:00Z", "{}")]))
        store.close()

    def booked(self) -> list[str]:
        """The log book as the gateway has it after its start."""
        with closing(StateReader(self.data)) as reader:
            return [row.id for row in reader.bookings("main")]

    def newer_store(self) -> None:
        """As a newer program leaves it."""
        with closing(sqlite3.connect(self.data / "state.db")) as db:
            db.execute(f"PRAGMA user_version={NEWER_STEP}")
            db.execute(f"PRAGMA application_id={APPLICATION_ID + NEWER_STEP}")


@pytest.fixture
def box(tmp_path: Path) -> Box:
    """Updated from 0.1.0 to 0.2.0: the store was saved before; work was booked before and after."""
    made = Box(tmp_path)
    made.book("before")
    assert made.run("backup.sh", "save", made.backups / "before-0.2.0-was-0.1.0.tar.gz").returncode == 0
    made.book("after")
    (made.keep / "before.deb").write_text("0.1.0\n")
    return made


@pytest.mark.slow
@pytest.mark.parametrize("command", ["back", "back, stopped before", "store"])
def test_an_older_program_gets_the_store_from_before(box: Box, command: str) -> None:
    """By one command; it is named what is done and where the rest lies; the log book keeps what was booked since.
    `back` brings the older package too, `store` follows where it was installed otherwise."""
    box.newer_store()
    if command == "store":
        box.version("0.1.0")
    if command != "back":
        (box.stands / "active").write_text("inactive\n")
    done = box.run("update.sh", command.partition(",")[0])
    assert done.returncode == 0, done.stderr
    assert (box.stands / "active").read_text() == "active\n" and (box.stands / "version").read_text() == "0.1.0\n"
    assert "before-0.2.0-was-0.1.0.tar.gz" in done.stdout and "beside it" in done.stdout
    # What the engineer finds in the journal says the one command too.
    assert "camdrift-update store" in (box.stands / "journal").read_text()
    assert sorted(box.booked()) == ["after", "before"]
    (beside,) = box.data.glob("state.db.before-*")
    with closing(sqlite3.connect(beside)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (NEWER_STEP,)


def test_back_leaves_a_store_that_the_older_program_reads(box: Box) -> None:
    """Nothing recorded since is set aside without need; a second `store` refuses to."""
    done = box.run("update.sh", "back")
    assert done.returncode == 0 and "back: 0.2.0 -> 0.1.0" in done.stdout
    assert not list(box.data.glob("*.before-*")) and sorted(box.booked()) == ["after", "before"]
    done = box.run("update.sh", "store")
    assert done.returncode == 1 and "nothing was changed" in done.stderr
    assert not list(box.data.glob("*.before-*"))


@pytest.mark.slow
def test_without_a_back_up_it_says_so(box: Box) -> None:
    """The store of the newer one stays where it is."""
    box.newer_store()
    (box.backups / "before-0.2.0-was-0.1.0.tar.gz").unlink()
    done = box.run("update.sh", "back")
    assert done.returncode == 1 and "no back-up of version 0.1.0" in done.stderr
    assert not list(box.data.glob("*.before-*"))


def test_a_package_is_taken_only_with_its_signature(box: Box, tmp_path: Path) -> None:
    """Changed, signed by somebody else, without signature, older: refused, and nothing is installed."""
    keys, deb = tmp_path / "keys", tmp_path / "new.deb"
    assert box.run("certificates.sh", "signer", keys).returncode == 0
    shutil.copy(keys / "update.pem", box.env["CAMDRIFT_UPDATE_KEY"])
    deb.write_text("0.3.0\n")
    done = box.run("update.sh", deb)
    assert done.returncode == 1 and "the signature lies beside the package" in done.stderr
    assert box.run("certificates.sh", "sign", keys, deb).returncode == 0
    deb.write_text("0.3.0\nchanged\n")
    done = box.run("update.sh", deb)
    assert done.returncode == 1 and "the signature is not right; nothing was changed" in done.stderr
    others = tmp_path / f"others-{uuid.uuid4().hex[:6]}"
    box.run("certificates.sh", "signer", others)
    box.run("certificates.sh", "sign", others, deb)
    assert "the signature is not right" in box.run("update.sh", deb).stderr
    assert (box.stands / "version").read_text() == "0.2.0\n"
    deb.write_text("0.1.0\n")
    box.run("certificates.sh", "sign", keys, deb)
    assert "is not newer than 0.2.0; nothing was changed" in box.run("update.sh", deb).stderr
    assert (box.stands / "version").read_text() == "0.2.0\n"
