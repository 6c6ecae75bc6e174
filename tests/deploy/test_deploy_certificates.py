"""The script that makes a fleet's certificates: what it makes holds, and it never takes a key away."""

import shutil
import ssl
import subprocess
import time
from pathlib import Path

import pytest

from gateway.app.certificates import DAY_S, ends_utc_s

SCRIPT = Path(__file__).parents[2] / "deploy/ship/certificates.sh"
pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


def run(*words: object) -> subprocess.CompletedProcess[str]:
    """The script."""
    return subprocess.run(["sh", str(SCRIPT), *map(str, words)], capture_output=True, text=True, timeout=180)


def openssl(*words: object) -> str:
    """What openssl says; asserts that it says yes."""
    done = subprocess.run(["openssl", *map(str, words)], capture_output=True, text=True, timeout=180)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority, a ship, and two servers, one of them known by its address."""
    folder = tmp_path_factory.mktemp("fleet") / "fleet-ca"
    for words in (("authority", folder), ("ship", folder, "tern-passage"), ("server", folder, "shore.example"),
                  ("server", folder, "127.0.0.1")):  # fmt: skip
        done = run(*words)
        assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize(
    ("name", "purpose"),
    [("tern-passage", "sslclient"), ("shore.example", "sslserver"), ("127.0.0.1", "sslserver")],
)
def test_each_certificate_verifies_for_its_purpose_and_no_other(fleet: Path, name: str, purpose: str) -> None:
    """By openssl, strictly; a ship's certificate does not pass for a server's, nor a server's for a ship's."""
    verify = ["verify", "-x509_strict", "-CAfile", fleet / "ca.pem"]
    openssl(*verify, "-purpose", purpose, fleet / f"{name}.pem")
    other = {"sslclient": "sslserver", "sslserver": "sslclient"}[purpose]
    done = subprocess.run(["openssl", *map(str, verify), "-purpose", other, str(fleet / f"{name}.pem")], timeout=180,
                          capture_output=True)  # fmt: skip
    assert done.returncode != 0


def test_names_are_where_the_other_side_looks_for_them(fleet: Path) -> None:
    """The slug as common name, by which the shore's broker gives rights; host name or address as alternative name."""
    assert "CN = tern-passage" in openssl("x509", "-in", fleet / "tern-passage.pem", "-noout", "-subject")
    assert "DNS:shore.example" in openssl(
        "x509", "-in", fleet / "shore.example.pem", "-noout", "-ext", "subjectAltName"
    )
    assert "IP Address:127.0.0.1" in openssl("x509", "-in", fleet / "127.0.0.1.pem", "-noout", "-ext", "subjectAltName")


def test_a_handshake_both_ways_goes_through_with_all_checks_on(fleet: Path) -> None:
    """Python's strictest verifying, as newer versions have it by default: both sides show what the other asks for."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(fleet / "shore.example.pem", fleet / "shore.example.key")
    server.load_verify_locations(fleet / "ca.pem")
    server.verify_mode = ssl.CERT_REQUIRED
    client = ssl.create_default_context(cafile=fleet / "ca.pem")
    client.load_cert_chain(fleet / "tern-passage.pem", fleet / "tern-passage.key")
    for context in (server, client):
        context.verify_flags |= ssl.VERIFY_X509_STRICT
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    a = client.wrap_bio(to_client, to_server, server_hostname="shore.example")
    b = server.wrap_bio(to_server, to_client, server_side=True)
    open_ = [a, b]
    for _ in range(10):
        for side in list(open_):
            try:
                side.do_handshake()
                open_.remove(side)
            except ssl.SSLWantReadError:
                continue
    assert open_ == []
    shown = b.getpeercert()
    assert shown is not None and ("commonName", "tern-passage") in [pair for (pair,) in shown["subject"]]


def test_lifetimes_are_sane(fleet: Path) -> None:
    """27 months for what goes out (825 days is the most that clients commonly accept), ten years for the authority."""
    days = {p.stem: (ends_utc_s(p.read_text())[0] - time.time()) / DAY_S for p in fleet.glob("*.pem")}
    assert days.pop("ca") == pytest.approx(3_650, abs=1)
    assert all(d == pytest.approx(820, abs=1) for d in days.values()) and len(days) == 3


def test_keys_are_their_owners_alone(fleet: Path) -> None:
    """Nobody else may read any of it before the guide gives each file its place."""
    keys = sorted(p.name for p in fleet.glob("*.key"))
    assert keys == ["127.0.0.1.key", "ca.key", "shore.example.key", "tern-passage.key"]
    assert {p.stat().st_mode & 0o777 for p in fleet.glob("*.key")} == {0o600}
    assert len({(fleet / k).read_bytes() for k in keys}) == 4


def test_a_second_run_takes_no_key_away(fleet: Path) -> None:
    """What is there is refused, with what to do, and stays as it is."""
    before = {p.name: p.read_bytes() for p in fleet.iterdir()}
    for words in (("authority", fleet), ("ship", fleet, "tern-passage"), ("server", fleet, "shore.example")):
        done = run(*words)
        assert done.returncode == 2 and "is there already" in done.stderr
    assert {p.name: p.read_bytes() for p in fleet.iterdir()} == before


def test_mistakes_make_nothing(fleet: Path, tmp_path: Path) -> None:
    """A ship's name that is no slug could stand for other ships' topics in the access list; no authority, no leaf."""
    before = sorted(fleet.iterdir())
    for slug in ("Tern", "a/b", "+", "#", "", "a" * 33):
        assert run("ship", fleet, slug).returncode == 2
    assert run("ship", tmp_path, "tern-passage").returncode == 2
    assert run("ship", fleet).returncode == 2 and run("wipe", fleet).returncode == 2 and run().returncode == 2
    assert sorted(fleet.iterdir()) == before and list(tmp_path.iterdir()) == []


def test_days_left_are_told_and_few_are_a_no(fleet: Path, tmp_path: Path) -> None:
    """Status 1 below 90 days, for a look by a timer or by hand."""
    done = run("left", fleet / "tern-passage.pem")
    assert done.returncode == 0 and f"{fleet}/tern-passage.pem: 8" in done.stdout
    soon = tmp_path / "soon.pem"
    openssl("req", "-x509", "-key", fleet / "ca.key", "-subj", "/CN=soon", "-days", 20, "-out", soon)
    assert run("left", soon).returncode == 1
    assert run("left", fleet / "ca.key").returncode == 2
