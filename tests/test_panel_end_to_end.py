"""From the head's bytes to the alarm panel, with broker and disk gone; acknowledged by a coil."""

import json
from pathlib import Path

import httpx
import pytest
from mqtt_fakes import Mosquitto, free_port, needs_mosquitto
from panel_path import TRANSDUCER_FAULT, HeadServer, Rig, at_work, discrete
from shore_rig import KeeperProcess
from waiting import until

from gateway.cli.main import main
from gateway.outlets.control_client import ask
from tests.daemon_rig import Listener

TRIAL = 23


def alf_lines(rig: Rig, identifier: int = 10_014) -> list[str]:
    """ALF sentences of an alarm that have come; the transducer's unless another is asked for."""
    found = []
    try:
        while True:
            text = rig.udp.recv(2_048).decode("ascii", "replace")
            if "ALF" in text and f",{identifier}," in text:
                found.append(text)
    except TimeoutError:
        return found


@pytest.mark.slow
@pytest.mark.parametrize("disk_full", [False, True])
def test_an_alarm_reaches_discrete_input_sentence_and_relay_without_broker(tmp_path: Path, disk_full: bool) -> None:
    """Pins that the panel is told of a broken wire with no broker, also on a full disk, and a coil acknowledges it."""
    # Healthy for long enough to be seen so, and broken for longer than the test takes.
    head = HeadServer(rounds=1, spell_s=900.0, first_s=8.0)
    with at_work(tmp_path, head, disk_full=disk_full) as rig:
        client = discrete(rig.modbus_port)
        until(lambda: (client.read_input_registers(2, 1) or [0])[0] in (3, 4), "the panel is served")
        if not disk_full:
            # Healthy: the contact is held; with storage-fault standing it must not be.
            until(lambda: rig.line.told and rig.line.told[-1][1], "the contact is held")
        until(lambda: client.read_discrete_inputs(TRANSDUCER_FAULT, 1) == [True], "the alarm at the panel")
        assert client.read_discrete_inputs(100 + TRANSDUCER_FAULT, 1) == [True]
        until(lambda: any(",V," in line for line in alf_lines(rig)), "its sentence")
        until(lambda: not rig.line.told or not rig.line.told[-1][1], "the contact has dropped")
        assert client.write_single_coil(100 + TRANSDUCER_FAULT, True)
        until(lambda: client.read_discrete_inputs(100 + TRANSDUCER_FAULT, 1) == [False], "acknowledged")
        assert client.read_discrete_inputs(TRANSDUCER_FAULT, 1) == [True]
        until(lambda: any(",A," in line for line in alf_lines(rig)), "the sentence of it")
        before = client.read_input_registers(1, 1)
        until(lambda: client.read_input_registers(1, 1) != before, "the heartbeat goes on")
        client.close()


@pytest.mark.slow
@needs_mosquitto
def test_a_trial_alarm_reaches_each_outlet_and_the_shore(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What `try-alarm` raises is at relay, panel, bridge, page, the ship's broker and in the shore's list, each read by
    its own means: so a person at each of them can see it."""
    store, page_port = f"sqlite:///{tmp_path}/fleet.db", free_port()
    broker = Mosquitto(tmp_path)
    keeper = KeeperProcess(broker.port, store)
    listener = Listener(broker.port)
    head = HeadServer(rounds=0, first_s=900.0)
    try:
        with at_work(tmp_path, head, broker_port=broker.port, page_port=page_port) as rig:
            client = discrete(rig.modbus_port)
            until(lambda: rig.line.told and rig.line.told[-1][1], "the contact is held")
            raised = {"do": "try-alarm", "engine": "main", "alarm": "trial", "why": "commissioning"}
            ask(tmp_path / "data" / "camdrift.sock", raised)
            until(lambda: client.read_discrete_inputs(TRIAL, 1) == [True], "at the panel")
            until(lambda: not rig.line.told[-1][1], "the contact has dropped")
            until(lambda: any(",V," in line for line in alf_lines(rig, 10_001 + TRIAL)), "its sentence, for the bridge")
            present = httpx.get(f"http://127.0.0.1:{page_port}/api/present", timeout=180.0).json()
            assert "trial" in [a["tag"] for a in present["engines"][0]["alarms"] if a["active"]]
            until(lambda: any(h.body.get("tag") == "trial" for h in listener.heard), "at the ship's broker")

            def ashore() -> bool:
                capsys.readouterr()
                main(["shore", "fleet", "--store", store, "--format", "json"])
                rows = json.loads(capsys.readouterr().out or "[]")
                return any(a["tag"] == "trial" for row in rows for a in row["standing"])

            until(ashore, "in the shore's list")
            client.close()
    finally:
        listener.close()
        keeper.kill()
        broker.stop()
