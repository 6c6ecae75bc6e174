"""Certificates' ends, read from files that openssl made, and the reminder before they come."""

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import daemon_rig as rig
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.app.certificates import DAY_S, LOOK_S, CertificateWatch, ends_utc_s
from gateway.app.daemon import Daemon
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings, fingerprint

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


def made(folder: Path, name: str, days: int, *more: str, key: str = "ec") -> Path:
    """A certificate of its own authority that ends in so many days."""
    kind = ["ec", "-pkeyopt", "ec_paramgen_curve:P-256"] if key == "ec" else [key]
    files = ["-keyout", str(folder / f"{name}.key"), "-out", str(folder / f"{name}.pem")]
    command = ["openssl", "req", "-x509", "-nodes", "-newkey", *kind, *files, "-subj", f"/CN={name}"]
    subprocess.run([*command, "-days", str(days), *more], check=True, capture_output=True, timeout=180)
    return folder / f"{name}.pem"


def told(path: Path) -> float:
    """What openssl says of a certificate's end, seconds since 1970."""
    command = ["openssl", "x509", "-in", str(path), "-noout", "-enddate"]
    said = subprocess.run(command, check=True, capture_output=True, text=True, timeout=180).stdout
    return datetime.strptime(said.strip(), "notAfter=%b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(("days", "key"), [(1, "ec"), (820, "rsa:2048"), (3_650, "ec"), (12_000, "ed25519")])
def test_ends_are_those_that_openssl_tells(tmp_path: Path, days: int, key: str) -> None:
    """Both forms of time (from 2050 on the other one is used), and keys of all sizes, which lie behind the end."""
    path = made(tmp_path, "a", days, key=key)
    assert ends_utc_s(path.read_text()) == [told(path)]


def test_of_many_in_a_file_each_is_read(tmp_path: Path) -> None:
    """A chain or a bundle, with text between, as openssl and systems write them."""
    paths = [made(tmp_path, str(d), d) for d in (5, 50, 20_000)]
    text = "# an authority\n".join(p.read_text() + "\nsubject=…\n" for p in paths)
    assert ends_utc_s(text) == [told(p) for p in paths]


def test_a_certificate_of_the_first_version_is_read(tmp_path: Path) -> None:
    """Without extensions there is no version field, and all else moves up."""
    key = made(tmp_path, "ca", 100).with_suffix(".key")
    csr = tmp_path / "a.csr"
    subprocess.run(["openssl", "req", "-new", "-key", str(key), "-subj", "/CN=a", "-out", str(csr)], check=True)
    path = tmp_path / "a.pem"
    plain = ["openssl", "x509", "-req", "-in", str(csr), "-signkey", str(key), "-days", "77", "-out", str(path)]
    subprocess.run(plain, check=True, capture_output=True, timeout=180)
    said = subprocess.run(["openssl", "x509", "-in", str(path), "-noout", "-text"], capture_output=True, text=True)
    assert "Version: 1" in said.stdout
    assert ends_utc_s(path.read_text()) == [told(path)]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> str:
    return made(tmp_path_factory.mktemp("whole"), "a", 100).read_text()


@given(data=st.data())
def test_whatever_a_file_holds_it_is_read_or_refused(whole: str, data: st.DataObject) -> None:
    """A damaged file gives ValueError and nothing else."""
    at = data.draw(st.integers(0, len(whole) - 1))
    to = data.draw(st.integers(at, min(len(whole), at + 40)))
    text = whole[:at] + data.draw(st.text(max_size=12)) + whole[to:]
    try:
        ends = ends_utc_s(text)
    except ValueError:
        return
    assert len(ends) == 1


def settings(folder: Path, page: Path | None = None, **files: Path) -> Settings:
    """The example with one broker ashore that shows these files, and perhaps a page that shows this one."""
    data = rig.example(folder, None, data_dir=str(folder / "data"))
    shown = {key: str(path) for key, path in files.items()}
    data["broker"] = [{"name": "shore", "host": "127.0.0.1", "tls": True, **shown}] if shown else []
    data["page"] = {"enabled": page is not None}
    if page is not None:
        data["page"] |= {"cert_file": str(page), "key_file": str(page)}
    data["alarms"]["certificate-expiry"] = {"off_delay_s": 0}
    return checked_settings(data)


def test_the_reminder_comes_thirty_days_ahead_and_says_which_file(tmp_path: Path) -> None:
    """One second sooner there is none; after its end it says that it ended."""
    path = made(tmp_path, "ship", 100)
    end_s = told(path)
    broker = settings(tmp_path, cert_file=path, key_file=path.with_suffix(".key"))

    def at(utc_s: float) -> str:
        found = CertificateWatch(broker).look(utc_s, 0.0)
        return found.text if found else ""

    assert at(end_s - 30 * DAY_S - 1.0) == ""
    assert f"broker shore: cert_file {path} ends on" in at(end_s - 30 * DAY_S)
    assert "in 12 days" in at(end_s - 12 * DAY_S)
    assert "ended on" in at(end_s)


def test_a_chain_ends_with_its_first_and_authorities_with_their_last(tmp_path: Path) -> None:
    """A new authority beside the old one is how they are changed: that must not alarm; a chain holds by each link."""
    soon, late = made(tmp_path, "soon", 5), made(tmp_path, "late", 500)
    both = tmp_path / "both.pem"
    both.write_text(soon.read_text() + late.read_text())
    now_s = told(soon) - 4 * DAY_S
    assert CertificateWatch(settings(tmp_path, ca_file=both)).look(now_s, 0.0) is None
    chain = CertificateWatch(settings(tmp_path, cert_file=both, key_file=both, ca_file=late)).look(now_s, 0.0)
    assert chain is not None and chain.days == pytest.approx(4.0, abs=0.01)


def test_an_unreadable_file_is_told_and_a_new_one_is_seen_within_the_hour(tmp_path: Path) -> None:
    """A file that is not there or holds something else is the worst of all; its renewal ends the alarm."""
    path = tmp_path / "ca.pem"
    watch = CertificateWatch(settings(tmp_path, ca_file=path))
    found = watch.look(0.0, 0.0)
    assert found is not None and found.days is None and "No such file" in found.text
    path.write_text("not a certificate")
    found = watch.look(0.0, LOOK_S)
    assert found is not None and "holds no certificate" in found.text
    path.write_text(made(tmp_path, "new", 500).read_text())
    now_s = told(path) - 400 * DAY_S
    assert watch.look(now_s, 2 * LOOK_S - 1.0) is found
    assert watch.look(now_s, 2 * LOOK_S) is None


def test_the_page_shows_a_certificate_too(tmp_path: Path) -> None:
    """Its end would shut the engine room out."""
    path = made(tmp_path, "page", 3)
    watch = CertificateWatch(settings(tmp_path, page=path))
    found = watch.look(told(path) - DAY_S, 0.0)
    assert found is not None and found.text.startswith("page: cert_file")


def test_the_daemon_raises_certificate_expiry_and_ends_it(tmp_path: Path) -> None:
    """Through the whole daemon: raised at once for a certificate with 10 days left, and over after its renewal."""
    path = made(tmp_path, "ship", 10)
    s = settings(tmp_path, cert_file=path, key_file=path.with_suffix(".key"))
    daemon = Daemon(s, fingerprint(s))
    daemon.start()
    try:
        alarm = daemon.own.alarms["certificate-expiry"]
        assert (alarm.row.no, alarm.state) == (21, "unacknowledged")
        assert [(v.no, v.tag) for v in daemon.snapshot().gateway_alarms if v.tag == "certificate-expiry"] == [
            (21, alarm.row.tag)
        ]
        made(tmp_path, "ship", 400)
        daemon._health._certificates._looked_s = None
        daemon.watch()
        assert alarm.state == "returned"
    finally:
        daemon.stop()
