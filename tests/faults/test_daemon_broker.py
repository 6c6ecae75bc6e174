"""The running daemon and a broker that is not there, or will not have it: told, alarmed, and nothing lost."""

import shutil
import signal
import subprocess
from pathlib import Path

import daemon_rig as rig
import pytest
from mqtt_fakes import mosquitto, needs_mosquitto

pytestmark = needs_mosquitto
STALLED = '"tag": "delivery-stalled", "came_from": "normal", "to": "unacknowledged"'
SOON_MIN = 0.02
"""An event that has waited longer than this, 1.2 s, is stalled in these tests."""


def test_broker_that_is_not_there_and_comes(tmp_path: Path) -> None:
    """A shore that cannot be reached does not hold up the ship, which is told of it; when the shore comes, it gets
    every event from the first, in order, and the alarm returns."""
    with mosquitto(tmp_path) as ship:
        (tmp_path / "shore").mkdir()
        shore = rig.lasting_broker(tmp_path / "shore")
        data = rig.example(tmp_path, ship.port, delivery_stalled_after_min=SOON_MIN)
        data["broker"].append(rig.broker_table(shore.port, "shore"))
        late = rig.Listener(shore.port)
        shore.stop()  # in peace, so that it keeps the session
        try:
            with rig.listening(ship.port) as listener, rig.daemon(rig.written(tmp_path, data)) as process:
                rig.until(lambda: listener.alarms("delivery-stalled") == ["unacknowledged"], "delivery-stalled")
                assert process.told(f"nothing listens at 127.0.0.1:{shore.port}")
                text = next(h.body["text"] for h in listener.events() if h.body.get("tag") == "delivery-stalled")
                assert "broker shore" in text
                shore.start()
                rig.until(lambda: "returned" in listener.alarms("delivery-stalled"), "it has returned")
                assert process.end() == 0
                rig.settled(late, tmp_path / "data")
        finally:
            late.close()
            shore.stop()


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="mosquitto_passwd is not installed")
def test_broker_that_refuses_the_password(tmp_path: Path) -> None:
    """The true reason is told, never the password; delivery-stalled stands on the disk, and all arrives once the
    password is right."""
    passwords, secret = tmp_path / "passwords", tmp_path / "secret"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "gateway", "right-one"], check=True, timeout=180)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "reader", "reads"], check=True, timeout=180)
    passwords.chmod(0o644)
    secret.write_text("wrong-one\n")
    secret.chmod(0o600)
    with mosquitto(tmp_path, "allow_anonymous false", f"password_file {passwords}") as broker:
        data = rig.example(tmp_path, broker.port, delivery_stalled_after_min=SOON_MIN)
        data["broker"][0] |= {"user": "gateway", "password_file": str(secret)}
        listener = rig.Listener(broker.port, user="reader", password="reads")
        try:
            with rig.daemon(rig.written(tmp_path, data)) as process:
                rig.until(lambda: process.told("check user and password"), "the reason is told")
                rig.until(lambda: process.told(STALLED), "delivery-stalled")
                assert not process.told("wrong-one")
                secret.write_text("right-one\n")
                rig.until(lambda: "returned" in listener.alarms("delivery-stalled"), "it arrives and returns")
                assert process.end() == 0
                rig.settled(listener, tmp_path / "data")
        finally:
            listener.close()


@pytest.mark.slow
def test_broker_whose_access_list_denies_events(tmp_path: Path) -> None:
    """What the broker refuses is kept and alarmed with the reason; readings go on; all arrives once it is allowed."""
    acl = tmp_path / "acl"
    acl.write_text("topic readwrite camdrift/1/tern-passage/presence\ntopic readwrite camdrift/1/tern-passage/main/#\n")
    with mosquitto(tmp_path, "allow_anonymous true", f"acl_file {acl}") as broker:
        data = rig.example(tmp_path, broker.port)
        with rig.listening(broker.port) as listener, rig.head(tmp_path), rig.daemon(rig.written(tmp_path, data)) as p:
            rig.until(lambda: p.told(STALLED), "delivery-stalled")
            assert p.told("access list")
            seen = len(listener.heard)
            rig.until(lambda: any(h.topic.endswith("/reading") for h in listener.heard[seen:]), "readings go on")
            assert listener.events() == []
            acl.write_text("topic readwrite #\n")
            assert broker._child is not None
            broker._child.send_signal(signal.SIGHUP)
            rig.until(lambda: "returned" in listener.alarms("delivery-stalled"), "all arrives")
            assert p.end() == 0
            rig.settled(listener, tmp_path / "data")
