"""The broker link against Mosquitto, with `mosquitto_sub` and `mosquitto_pub` as the second implementation."""

import json
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from mqtt_fakes import MemoryOutbox, Mosquitto, broker_settings, mosquitto, needs_mosquitto, publish, subscriber, until
from structlog.testing import capture_logs

from gateway.encode.checked import schema
from gateway.encode.topics import Topics
from gateway.model.limits import INBOUND_MESSAGE_BYTES_MAX
from gateway.outlets.mqtt.link import BrokerLink, Inbox, Timing

pytestmark = needs_mosquitto
TOPICS = Topics("camdrift/1", "t")
EVENT, ALARM = TOPICS.event("main"), TOPICS.alarm("main", "lag-near")
PASSWORD = "rope-and-tackle"


def started(broker: Mosquitto, outbox: MemoryOutbox, **more: Any) -> BrokerLink:
    """A link at work on this broker."""
    extra = {k: more.pop(k) for k in ("subscribe", "timing") if k in more}
    link = BrokerLink(broker_settings(broker.port, **more), outbox.reader, TOPICS, "0.1.0", **extra)
    link.start()
    return link


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_subscriber_sees_events_in_order_states_retained_and_presence(tmp_path: Path, protocol: str) -> None:
    """Pins the whole of the wire as `mosquitto_sub` sees it, before and after the link has gone."""
    outbox = MemoryOutbox()
    outbox.put(ALARM, b'{"v":1}')
    with mosquitto(tmp_path) as broker, subscriber(broker.port) as reader:
        link = started(broker, outbox, protocol=protocol)
        outbox.add(100)
        link.wake.set()
        until(lambda: len(reader.payloads(EVENT)) == 100, "100 events")
        assert reader.payloads(EVENT) == [str(n) for n in range(1, 101)]
        link.offer(TOPICS.reading("main"), b"92.1")
        until(lambda: reader.payloads(TOPICS.reading("main")) == ["92.1"], "the reading")
        assert link.stop()
        until(lambda: len(reader.payloads(TOPICS.presence)) == 2, "online and offline")
        said = [json.loads(p) for p in reader.payloads(TOPICS.presence)]
        for message in said:
            jsonschema.Draft202012Validator(schema("presence")).validate(message)
        assert [m["state"] for m in said] == ["online", "offline"]
        with subscriber(broker.port) as late:
            until(lambda: len([x for x in late.lines if x[0] == "1"]) == 2, "two retained messages")
            assert {t for r, t, _ in late.lines if r == "1"} == {TOPICS.presence, ALARM}


def test_topic_that_the_access_list_denies(tmp_path: Path) -> None:
    """Pins that Mosquitto's 0x87 for a denied topic keeps the event and shows it, and that it goes once allowed."""
    acl = tmp_path / "acl"
    acl.write_text(f"topic readwrite {TOPICS.presence}\n")
    outbox = MemoryOutbox()
    outbox.add(10)
    with mosquitto(tmp_path, "allow_anonymous true", f"acl_file {acl}") as broker:
        link = started(broker, outbox)
        until(lambda: link.status().refused > 0, "refused")
        assert "0x87" in link.status().why_refused
        assert (outbox.place(), link.status().connected) == (0, True)
        acl.write_text("topic readwrite #\n")
        assert broker._child is not None
        broker._child.send_signal(signal.SIGHUP)
        until(lambda: outbox.place() == 10, "all are acknowledged")
        assert link.stop()


@pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="mosquitto_passwd is not installed")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_wrong_password_is_told_and_never_shown(tmp_path: Path, protocol: str) -> None:
    """Pins the true reason of a refused password, that no log and no status holds it, that the right one is taken."""
    users, secret = tmp_path / "users", tmp_path / "secret"
    users.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(users), "gw", PASSWORD], check=True, timeout=180)
    secret.write_text("wrong-" + PASSWORD)
    secret.chmod(0o600)
    with mosquitto(tmp_path, "allow_anonymous false", f"password_file {users}") as broker, capture_logs() as logs:
        link = started(broker, MemoryOutbox(), protocol=protocol, user="gw", password_file=secret)
        until(lambda: link.status().reason != "not yet connected", "told")
        assert "not authorized" in link.status().reason or "bad user name" in link.status().reason
        secret.write_text(PASSWORD + "\n")
        until(lambda: link.status().connected, "connected with the right password")
        assert PASSWORD not in repr(logs) + repr(link.status())
        assert link.stop()


def run_openssl(folder: Path, *args: str) -> None:
    """One openssl command in a folder."""
    subprocess.run(["openssl", *args], cwd=folder, check=True, capture_output=True, timeout=180)


def certificates(folder: Path) -> None:
    """A CA, a broker's certificate for 127.0.0.1 and a client's, made for this test."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    for ca in ("ca", "stranger"):
        run_openssl(folder, "req", "-x509", *curve, "-keyout", f"{ca}.key", "-out", f"{ca}.pem", "-subj", f"/CN={ca}")
    (folder / "san").write_text("subjectAltName=IP:127.0.0.1")
    for who in ("broker", "ship"):
        run_openssl(folder, "req", *curve, "-keyout", f"{who}.key", "-out", f"{who}.csr", "-subj", f"/CN={who}")
        run_openssl(folder, "x509", "-req", "-in", f"{who}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
                    "-out", f"{who}.pem", "-extfile", "san")  # fmt: skip


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl, which makes the test's certificates, is missing")
def test_mutual_tls(tmp_path: Path) -> None:
    """Pins TLS with client certificates: a strange CA and a missing certificate are told, the right ones serve."""
    certificates(tmp_path)
    lines = [f"cafile {tmp_path}/ca.pem", f"certfile {tmp_path}/broker.pem", f"keyfile {tmp_path}/broker.key",
             "require_certificate true", "allow_anonymous true"]  # fmt: skip
    outbox = MemoryOutbox()
    outbox.add(20)
    right = {"tls": True, "ca_file": tmp_path / "ca.pem"}
    client = {"cert_file": tmp_path / "ship.pem", "key_file": tmp_path / "ship.key"}
    with mosquitto(tmp_path, *lines) as broker:
        for settings, words in (
            (right | client | {"ca_file": tmp_path / "stranger.pem"}, "certificate is not accepted"),
            (right, "TLS"),
            ({}, "TLS"),
        ):
            link = started(broker, outbox, **settings)
            until(lambda link=link: link.status().reason != "not yet connected", "told")  # type: ignore[misc]
            assert words in link.status().reason
            assert link.stop(1.0)
        assert outbox.place() == 0
        link = started(broker, outbox, **right, **client)
        until(lambda: outbox.place() == 20, "all are acknowledged")
        assert link.stop()


def test_will_when_the_process_is_killed(tmp_path: Path) -> None:
    """Pins that a gateway killed with -9 is `offline` to a subscriber, and retained so."""
    code = (
        "import sys, time; sys.path[:0] = sys.argv[2:]\n"
        "from mqtt_fakes import MemoryOutbox, broker_settings\n"
        "from gateway.encode.topics import Topics\n"
        "from gateway.outlets.mqtt.link import BrokerLink\n"
        "link = BrokerLink(broker_settings(int(sys.argv[1])), MemoryOutbox, Topics('camdrift/1', 't'), '0')\n"
        "link.start(); time.sleep(60)"
    )
    tests = Path(__file__).parent.parent
    with mosquitto(tmp_path) as broker, subscriber(broker.port) as reader:
        child = subprocess.Popen([sys.executable, "-c", code, str(broker.port), str(tests), str(tests.parent)])
        try:
            until(lambda: len(reader.payloads(TOPICS.presence)) == 1, "online")
        finally:
            child.kill()
            child.wait(180)
        until(lambda: len(reader.payloads(TOPICS.presence)) == 2, "the will")
        assert [json.loads(p)["state"] for p in reader.payloads(TOPICS.presence)] == ["online", "offline"]


def test_inbound_is_bounded(tmp_path: Path) -> None:
    """Pins that a subscribed message arrives with its retain flag, and that what is too long or too many is dropped."""
    inbox = Inbox(TOPICS.received)
    with mosquitto(tmp_path) as broker:
        publish(broker.port, TOPICS.received, "kept", "-r")
        for protocol in ("5", "3.1.1"):
            link = started(broker, MemoryOutbox(), subscribe=[inbox], protocol=protocol)
            got = inbox.queue.get(timeout=180)
            assert (got.payload, got.retained) == (b"kept", True)
            publish(broker.port, TOPICS.received, "x" * (INBOUND_MESSAGE_BYTES_MAX + 1_000))
            for n in range(inbox.queue.maxsize + 3):
                publish(broker.port, TOPICS.received, str(n)) if n % 16 else publish(broker.port, TOPICS.received, "s")
            until(lambda: inbox.queue.full(), "the queue is full")
            until(lambda: inbox.dropped >= 3, "the rest is dropped")
            assert link.status().connected
            assert link.stop()
            while not inbox.queue.empty():
                assert len(inbox.queue.get_nowait().payload) < 10
            inbox.dropped = 0


def test_an_idle_link_holds_by_keep_alive(tmp_path: Path) -> None:
    """Pins that pings go out: an idle link outlives several times its keep-alive on a broker that cuts at 1.5 times."""
    with mosquitto(tmp_path) as broker:
        settings = replace(broker_settings(broker.port), keepalive_s=1)
        link = BrokerLink(settings, MemoryOutbox, TOPICS, "0", timing=Timing(beat_s=0.1))
        link.start()
        until(lambda: link.status().connected, "connected")
        began = link.last_beat
        until(lambda: link.last_beat - began > 4.0, "four times the keep-alive")
        assert link.status().connected
        assert link._logged is None
        assert link.stop()
