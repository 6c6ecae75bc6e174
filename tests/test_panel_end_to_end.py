"""From the head's bytes to the alarm panel, with broker and disk gone; acknowledged by a coil."""

from pathlib import Path

import pytest
from panel_path import TRANSDUCER_FAULT, HeadServer, Rig, at_work, discrete
from waiting import until


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
