"""What is said when a port cannot be opened: what is wrong, and what to do."""

import errno
import grp
import os
import socket
from pathlib import Path

import pytest

from gateway.model.errors import PortError
from gateway.model.settings import HeadSettings
from gateway.sources import opening as source_open
from gateway.sources.opening import open_port, why_not_open


def refusal(port: str, baud: int = 230_400) -> str:
    with pytest.raises(PortError) as caught:
        open_port(HeadSettings(slug="main", port=port, baud=baud))
    return str(caught.value)


def test_missing_port_lists_those_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that does not exist is named, with the ports that do."""

    class Found:
        device = "/dev/ttyUSB3"

    monkeypatch.setattr(source_open.list_ports, "comports", lambda: [Found()])
    text = refusal("/dev/no-such-port")
    assert "/dev/no-such-port does not exist" in text and "/dev/ttyUSB3" in text and "set port" in text


def test_no_port_at_all(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where the machine has no serial port, that is said in place of an empty list."""
    monkeypatch.setattr(source_open.list_ports, "comports", list)
    monkeypatch.setattr(source_open, "BY_ID", tmp_path / "none")
    assert "no serial port on this machine" in refusal("/dev/no-such-port")


def test_no_permission_names_the_group() -> None:
    """No permission: the text names the group that owns the device and the command that adds the user to it."""
    master, slave = os.openpty()
    try:
        name = os.ttyname(slave)
        group = grp.getgrgid(os.stat(name).st_gid).gr_name
        text = why_not_open(name, PermissionError(errno.EACCES, "Permission denied"))
    finally:
        os.close(master)
        os.close(slave)
    assert f"group {group}" in text and f"usermod -aG {group}" in text


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open anything")
def test_no_permission_for_real() -> None:
    """The same by opening a device that nobody may read."""
    master, slave = os.openpty()
    try:
        os.chmod(os.ttyname(slave), 0)
        assert "no permission" in refusal(os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)


def test_a_file_is_not_a_port(tmp_path: Path) -> None:
    """A capture given as a port is told from a port, and the command for captures is named."""
    path = tmp_path / "capture.bin"
    path.write_bytes(b"\0" * 100)
    assert "not a serial port" in refusal(str(path)) and "camdrift replay" in refusal(str(path))


def test_refused_connection_and_unknown_scheme() -> None:
    """A TCP address where nobody listens, and a URL of no known kind, are each said with the address."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    text = refusal(f"socket://127.0.0.1:{port}")
    assert f"127.0.0.1:{port}" in text and "refused" in text.lower()
    assert "nonsense://x" in refusal("nonsense://x")


def test_port_is_set_as_the_link_says() -> None:
    """8 data bits, no parity, one stop bit, the speed set, control lines down, for this process alone."""
    import termios

    master, slave = os.openpty()
    try:
        port = open_port(HeadSettings(slug="main", port=os.ttyname(slave), baud=115_200))
        flags = termios.tcgetattr(slave)
        port.close()
    finally:
        os.close(master)
        os.close(slave)
    control = flags[2]
    assert control & termios.CSIZE == termios.CS8
    assert control & (termios.PARENB | termios.CSTOPB) == 0
    assert flags[4] == flags[5] == termios.B115200
