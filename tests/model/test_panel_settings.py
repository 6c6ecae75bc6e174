"""The settings of the panel's ports refuse what cannot work, and their defaults act on nothing."""

from typing import Any

import pytest
from pydantic import ValidationError

from gateway.model.panel_settings import ModbusRtuSettings, ModbusTcpSettings, SentenceSettings
from gateway.model.settings_file import checked_section


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({}, "needs port"),
        ({"transport": "udp", "port": "/dev/ttyS0"}, "set group and udp_port"),
        ({"transport": "udp", "receive_group": "239.192.0.2"}, "needs receive_port"),
        ({"port": "/dev/ttyS0", "receive_port": 60_001}, "belongs to"),
        ({"port": "/dev/ttyS0", "baud": 9_600}, "4800 or 38400"),
        ({"port": "/dev/ttyS0", "mnemonic": "XXXX"}, "pattern"),
        ({"port": "/dev/ttyS0", "sfi": "ER1"}, "pattern"),
        ({"port": "/dev/ttyS0", "speed": 4_800}, "Unexpected keyword"),
    ],
)
def test_sentence_settings_that_cannot_work(wrong: dict[str, Any], why: str) -> None:
    """Pins each refusal with a text that says what to do."""
    with pytest.raises(ValidationError, match=why):
        checked_section(SentenceSettings, wrong)


def test_defaults_listen_on_this_machine_and_take_no_command() -> None:
    """Pins that nothing acts on an alarm from outside until somebody enables it."""
    assert ModbusTcpSettings().listen == "127.0.0.1"
    assert not ModbusTcpSettings().acknowledge_enabled
    assert not ModbusRtuSettings(port="/dev/ttyS0").acknowledge_enabled
    assert not SentenceSettings(port="/dev/ttyS0").accept
