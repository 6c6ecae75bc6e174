"""From the head's bytes to the alarm panel, with broker and disk gone; acknowledged by a coil."""

import time
from pathlib import Path

import pytest
from panel_path import TRANSDUCER_FAULT, HeadServer, Rig, at_work, discrete


def until(what: object, within_s: float = 180) -> None:
    """Wait until `what()` holds."""
    end = time.monotonic() + within_s
    while not what():  # type: ignore[operator]
        assert time.monotonic() < end, "not within the time"
        time.sleep(0.02)


def alf_lines(rig: Rig) -> list[str]:
    """ALF sentences of the transducer's alarm that have come."""
    found = []
    try:
        while True:
            text = rig.udp.recv(2_048).decode("ascii", "replace")
            if "ALF" in text and ",10014," in text:
                found.append(text)
    except TimeoutError:
        return found


@pytest.mark.parametrize("disk_full", [False, True])
def test_an_alarm_reaches_discrete_input_sentence_and_relay_without_broker(tmp_path: Path, disk_full: bool) -> None:
    """Pins that the panel is told of a broken wire with no broker, also on a full disk, and a coil acknowledges it."""
    head = HeadServer(rounds=1, spell_s=12.0)
    with at_work(tmp_path, head, disk_full=disk_full) as rig:
        client = discrete(rig.modbus_port)
        until(lambda: (client.read_input_registers(2, 1) or [0])[0] in (3, 4))
        if not disk_full:
            # Healthy: the contact is held; with storage-fault standing it must not be.
            until(lambda: rig.line.told and rig.line.told[-1][1])
        until(lambda: client.read_discrete_inputs(TRANSDUCER_FAULT, 1) == [True])
        assert client.read_discrete_inputs(100 + TRANSDUCER_FAULT, 1) == [True]
        assert any(",V," in line for line in alf_lines(rig))
        until(lambda: not rig.line.told or not rig.line.told[-1][1])
        assert client.write_single_coil(100 + TRANSDUCER_FAULT, True)
        until(lambda: client.read_discrete_inputs(100 + TRANSDUCER_FAULT, 1) == [False])
        assert client.read_discrete_inputs(TRANSDUCER_FAULT, 1) == [True]
        assert any(",A," in line for line in alf_lines(rig))
        before = client.read_input_registers(1, 1)
        until(lambda: client.read_input_registers(1, 1) != before)
        client.close()
