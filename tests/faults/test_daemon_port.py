"""The running daemon and its port: unplugged, missing, forbidden, taken, garbled, or another head's."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import daemon_rig as rig
import pytest
from mqtt_fakes import Mosquitto, mosquitto, needs_mosquitto
from pty_pair import one_pty

pytestmark = needs_mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker for one test."""
    with mosquitto(tmp_path) as running:
        yield running


def test_head_unplugged_and_back(tmp_path: Path, broker: Mosquitto) -> None:
    """A head pulled out raises head-silent; put back, it is heard again, the alarm returns, and readings go on."""
    config = rig.written(tmp_path, rig.example(tmp_path, broker.port))
    reading = "camdrift/1/tern-passage/main/reading"
    with rig.listening(broker.port) as listener, rig.daemon(config) as process:
        with rig.head(tmp_path):
            rig.until(lambda: any(h.topic == reading and h.body["rpm"] for h in listener.heard), "a reading")
        rig.until(lambda: listener.alarms("head-silent") == ["unacknowledged"], "head-silent")
        rig.until(lambda: process.told("does not exist"), "the log says that the port is gone")
        seen = len(listener.heard)
        with rig.head(tmp_path, "steady", "--seed", "5"):
            rig.until(lambda: listener.alarms("head-silent") == ["unacknowledged", "returned"], "it has returned")
            rig.until(
                lambda: any(h.topic == reading and h.body["rpm"] for h in listener.heard[seen:]), "readings go on"
            )
        assert process.end() == 0


@pytest.mark.slow
def test_port_that_does_not_exist(tmp_path: Path, broker: Mosquitto) -> None:
    """The daemon stays, raises head-silent, and says what to do."""
    data = rig.example(tmp_path, broker.port)
    data["head"][0]["port"] = "/dev/ttyNotThere"
    with rig.listening(broker.port) as listener, rig.daemon(rig.written(tmp_path, data)) as process:
        rig.until(lambda: listener.state("head-silent") == "unacknowledged", "head-silent")
        assert process.told("/dev/ttyNotThere does not exist")
        assert process.told("Plug the head in, or set port in the head's section")
        assert process.child.poll() is None


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open any port: run as another user to see the refusal")
def test_no_permission_on_the_port(tmp_path: Path, broker: Mosquitto) -> None:
    """The daemon stays, raises head-silent, and names the group that may read the port."""
    with one_pty() as (_, name):
        os.chmod(name, 0)
        data = rig.example(tmp_path, broker.port)
        data["head"][0]["port"] = name
        with rig.listening(broker.port) as listener, rig.daemon(rig.written(tmp_path, data)) as process:
            rig.until(lambda: listener.state("head-silent") == "unacknowledged", "head-silent")
            assert process.told("no permission to read") and process.told("usermod -aG")


@pytest.mark.slow
def test_second_daemon_on_the_same_port(tmp_path: Path, broker: Mosquitto) -> None:
    """The second one is told who has it and measures nothing; the first does not lose a byte to it."""
    (tmp_path / "second").mkdir()
    first = rig.example(tmp_path, broker.port)
    second = rig.example(tmp_path / "second", None)
    second["head"][0]["port"] = first["head"][0]["port"]
    with rig.listening(broker.port) as listener, rig.head(tmp_path):
        with rig.daemon(rig.written(tmp_path, first)) as one:
            rig.until(lambda: one.told("head.heard"), "the first hears the head")
            with rig.daemon(rig.written(tmp_path, second, "second.toml")) as two:
                rig.until(lambda: two.told("held by another process"), "the second is refused")
                time.sleep(1.0)
                assert not two.told("head.heard")
            assert one.end() == 0
        assert not one.told("lost ")
    assert listener.alarms("head-silent") == []


@pytest.mark.slow
def test_another_head_than_configured(tmp_path: Path, broker: Mosquitto) -> None:
    """Another head's name is reported, and from then on it is not measured: head-timing, no reading has its figures."""
    scenario = tmp_path / "other.toml"
    scenario.write_text('[head]\nname = "starboard-head"\n')
    config = rig.written(tmp_path, rig.example(tmp_path, broker.port))
    with rig.listening(broker.port) as listener, rig.daemon(config) as process, rig.head(tmp_path, str(scenario)):
        rig.until(lambda: process.told("head.wrong"), "it is reported")
        told = next(x for x in process.lines() if x["event"] == "head.wrong")
        assert (told["heard"], told["configured"]) == ("starboard-head", "port-head")
        rig.until(lambda: listener.state("head-timing") == "unacknowledged", "head-timing")
        seen = len(listener.heard)
        time.sleep(2.5)
        assert all(h.body["rpm"] is None for h in listener.heard[seen:] if h.topic.endswith("/reading"))
        assert process.end() == 0


def babble(master: int, noise: bytes, stop: threading.Event) -> None:
    """Write the same noise again and again, at about the pace of a head."""
    while not stop.wait(0.2):
        os.write(master, noise)


@pytest.mark.slow
def test_garbage_looks_like_a_wrong_baud_rate(tmp_path: Path, broker: Mosquitto) -> None:
    """Bytes without a single good frame: the log says that it looks like a wrong baud rate, and the daemon stays."""
    data = rig.example(tmp_path, broker.port)
    noise = bytes(n * 7919 % 251 + 1 if n % 97 else 0 for n in range(4_000))
    with one_pty() as (master, name), rig.listening(broker.port) as listener:
        data["head"][0]["port"] = name
        with rig.daemon(rig.written(tmp_path, data)) as process:
            rig.until(lambda: process.told('"mqtt.connected"'), "it runs")
            stop = threading.Event()
            thread = threading.Thread(target=babble, args=(master, noise, stop))
            thread.start()
            try:
                rig.until(lambda: process.told("baud"), "the log says so")
                rig.until(lambda: listener.state("head-silent") == "unacknowledged", "head-silent")
            finally:
                stop.set()
                thread.join(180)
            assert process.end() == 0
    warned = [x["text"] for x in process.lines() if x["event"] == "head.wrong_baud"]
    assert any("230400" in text for text in warned)


@pytest.mark.slow
def test_empty_capture_is_no_port(tmp_path: Path) -> None:
    """A file in the port's place is told as such; `camdrift run` stays and waits for a real one."""
    data = rig.example(tmp_path, None)
    (tmp_path / "head").write_bytes(b"")
    with rig.daemon(rig.written(tmp_path, data)) as process:
        rig.until(lambda: process.told("is not a serial port"), "it is told")
        assert process.child.poll() is None


@pytest.mark.slow
def test_settings_with_many_mistakes(tmp_path: Path) -> None:
    """All of them are told, one line each, exit status 78, no traceback."""
    data = rig.example(tmp_path, None)
    data["gateway"]["reading_every_s"] = 0
    data["engine"][0]["ratio"] = 3
    data["engine"][0]["lag"]["nearly_deg"] = 1
    data["head"][0]["baud"] = "fast"
    done = subprocess.run(
        [sys.executable, "-m", "gateway.cli", "run", str(rig.written(tmp_path, data))],
        capture_output=True, text=True, timeout=180, cwd=rig.ROOT, check=False,
    )  # fmt: skip
    assert done.returncode == 78
    lines = done.stderr.splitlines()
    assert len(lines) == 4, json.dumps(lines)
    for key in ("gateway.reading_every_s", "engine.0.ratio", "engine.0.lag.nearly_deg", "head.0.baud"):
        assert any(f"ship.toml: {key}: " in line for line in lines)
