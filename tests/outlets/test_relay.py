"""The relay: when it may be held, and everything that lets it drop."""

import errno
import fcntl
import importlib
import os
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from panel_boards import alarm, board, engine
from pty_pair import one_pty

from gateway.model.enums import AlarmState, Priority
from gateway.model.errors import PortError
from gateway.model.panel_settings import RelaySettings
from gateway.model.settings_file import checked_section
from gateway.model.snapshot import Snapshot
from gateway.outlets.relay.keeper import watch
from gateway.outlets.relay.lines import GpioLine, RtsLine
from gateway.outlets.relay.relay import KeeperLine, Relay, keeper_command, may_energise

S = AlarmState
SETTINGS = RelaySettings(engine="engine-0", through="gpio", line=4)


def wait_for(true: Callable[[], bool]) -> bool:
    end = time.monotonic() + 180
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.01)
    return False


class SimulatedLine:
    """A line that remembers; raises while `broken`."""

    def __init__(self) -> None:
        self.level = False
        self.closed = False
        self.broken = False

    def set(self, energised: bool) -> None:
        if self.broken:
            raise PortError("simulated: gone")
        self.level = energised

    def close(self) -> None:
        self.level, self.closed = False, True


@pytest.mark.parametrize(
    ("view", "held"),
    [
        (board(), True),
        (board(fresh=False), False),
        (board(engine(head_heard=False)), False),
        (board(engine(0, (alarm(3),))), False),
        (board(engine(0, (alarm(3, S.ACKNOWLEDGED),))), False),
        (board(engine(0, (alarm(3, S.RETURNED),))), False),
        (board(engine(0, (alarm(3, S.NORMAL), alarm(4, S.SUPPRESSED), alarm(5, S.SHELVED, active=True)))), True),
        (board(engine(0, (alarm(11, priority=Priority.CAUTION),))), True),
        (board(gateway_alarms=(alarm(20, priority=Priority.WARNING),)), False),
        (board(engine(0), engine(1, (alarm(3),))), True),
        (board(engine(1)), False),
    ],
)
def test_when_the_contact_may_be_held(view: Snapshot, held: bool) -> None:
    """Pins that a stale board, an unheard head, a standing or waiting alarm and an unknown engine drop it; a shelved
    alarm, a caution and another engine do not."""
    assert may_energise(view, "engine-0") is held


def test_cautions_count_where_set() -> None:
    """Pins the setting that lets cautions drop the contact too."""
    assert not may_energise(board(engine(0, (alarm(11, priority=Priority.CAUTION),))), "engine-0", cautions=True)


def test_it_follows_and_drops_when_not_refreshed() -> None:
    """Pins on and off at once, the drop after 3 s of the given clock without a refresh, and that it comes back."""
    line, now = SimulatedLine(), [100.0]
    relay = Relay(SETTINGS, lambda _: line, lambda: now[0])
    relay.start()
    assert relay.ready.wait(180)
    assert not line.level
    relay.keep(True)
    assert wait_for(lambda: line.level)
    relay.keep(False)
    assert wait_for(lambda: not line.level)
    relay.keep(True)
    assert wait_for(lambda: line.level)
    now[0] += 2.9
    assert relay._wanted()
    now[0] += 0.2
    assert wait_for(lambda: not line.level and not relay.energised)
    relay.keep(True)
    assert wait_for(lambda: line.level)
    relay.stop()
    assert line.closed and not line.level and not relay.is_alive()


def test_a_line_that_fails_is_told_and_had_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a lost line reads as dropped, is a fault in plain words, and is opened again."""
    monkeypatch.setattr("gateway.outlets.port_worker.PAUSE_S_MIN", 0.2)
    lines: list[SimulatedLine] = []

    def opened(_: RelaySettings) -> SimulatedLine:
        lines.append(SimulatedLine())
        return lines[-1]

    relay = Relay(SETTINGS, opened, lambda: 0.0)
    relay.keep(True)
    relay.start()
    assert wait_for(lambda: bool(lines) and lines[0].level)
    lines[0].broken = True
    assert wait_for(lambda: relay.fault == "simulated: gone")
    assert lines[0].closed
    assert wait_for(lambda: len(lines) == 2 and lines[1].level and relay.fault == "")
    relay.stop()


def test_the_keeper_follows_drops_in_silence_and_at_the_end() -> None:
    """Pins the keeper's loop: on, silence, on again, end of input."""
    line = SimulatedLine()
    read, write = os.pipe()
    thread = threading.Thread(target=watch, args=(read, line, 0.3), daemon=True)
    thread.start()
    for _ in range(2):
        os.write(write, b"01")
        assert wait_for(lambda: line.level)
        assert wait_for(lambda: not line.level)
    os.close(write)
    thread.join(180)
    assert line.closed and not thread.is_alive()
    os.close(read)


ROOT = Path(__file__).parents[2]

KEEPER = """
import sys
from pathlib import Path
from gateway.outlets.relay.keeper import watch

class FileLine:
    def set(self, energised): Path(sys.argv[1]).write_text("1" if energised else "0")
    def close(self): self.set(False)

print("ready", flush=True)
watch(0, FileLine(), float(sys.argv[2]))
"""
DAEMON = """
import sys, time
from gateway.outlets.relay.relay import KeeperLine
line = KeeperLine([sys.executable, "-c", sys.argv[1], sys.argv[2], sys.argv[3]])
for _ in range(2_000):
    line.set(True)
    time.sleep(0.05)
"""


@pytest.mark.parametrize(("how", "dead_after_s"), [(signal.SIGKILL, "60"), (signal.SIGSTOP, "3")])
def test_a_daemon_killed_or_frozen_drops_the_contact(tmp_path: Path, how: signal.Signals, dead_after_s: str) -> None:
    """Pins with real processes that a killed daemon drops it by end of input, and a frozen one by silence."""
    contact = tmp_path / "contact"
    daemon = subprocess.Popen([sys.executable, "-c", DAEMON, KEEPER, str(contact), dead_after_s], cwd=ROOT)
    try:
        assert wait_for(lambda: contact.exists() and contact.read_text() == "1")
        daemon.send_signal(how)
        assert wait_for(lambda: contact.read_text() == "0")
    finally:
        daemon.kill()
        daemon.wait(180)


def test_a_keeper_without_its_line_says_why() -> None:
    """Pins that the keeper's own reason reaches the daemon: here a pseudo-terminal without RTS."""
    with one_pty() as (_, name):
        command = keeper_command(RelaySettings(engine="engine-0", through="rts", port=name))
        with pytest.raises(PortError, match="must be a real serial port with an RTS line"):
            KeeperLine(command)


def test_a_dead_keeper_is_told() -> None:
    """Pins that a keeper that ended is an error at the next refresh, not silence."""
    line = KeeperLine([sys.executable, "-c", "print('ready', flush=True)"])
    assert wait_for(lambda: line._process.poll() is not None)
    with pytest.raises(PortError, match="its keeper process is gone"):
        line.set(True)
    line.close()


def test_rts_is_set_to_fall_at_the_last_close(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins HUPCL on the device, which makes the kernel drop RTS when the holder dies; the pty's lack is masked."""
    monkeypatch.setattr(fcntl, "ioctl", lambda *_: 0)
    with one_pty() as (master, name):
        line = RtsLine(name)
        assert termios.tcgetattr(master)[2] & termios.HUPCL
        line.set(True)
        line.close()


def test_rts_of_a_device_without_it_is_refused() -> None:
    """Pins a clear refusal of a pseudo-terminal and of a missing device."""
    with one_pty() as (_, name), pytest.raises(PortError, match="RTS line"):
        RtsLine(name)
    with pytest.raises(PortError, match="No such file"):
        RtsLine("/nonexistent/tty")


def fake_gpiod(calls: list[Any]) -> SimpleNamespace:
    request = SimpleNamespace(
        set_value=lambda line, value: calls.append((line, value)), release=lambda: calls.append("released")
    )

    def request_lines(chip: str, consumer: str, config: dict[int, Any]) -> SimpleNamespace:
        calls.append((chip, config))
        return request

    kinds = SimpleNamespace(
        Value=SimpleNamespace(ACTIVE="active", INACTIVE="inactive"), Direction=SimpleNamespace(OUTPUT="output")
    )
    return SimpleNamespace(line=kinds, LineSettings=dict, request_lines=request_lines)


def test_gpio_begins_and_ends_inactive(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins on a simulated library the request, both levels, and that closing drops before it gives the line back."""
    calls: list[Any] = []
    monkeypatch.setattr(importlib, "import_module", lambda _: fake_gpiod(calls))
    line = GpioLine("/dev/gpiochip0", 4, active_low=True)
    line.set(True)
    line.close()
    wanted = {4: {"direction": "output", "output_value": "inactive", "active_low": True}}
    assert calls == [("/dev/gpiochip0", wanted), (4, "active"), (4, "inactive"), "released"]


def test_gpio_without_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a missing optional package is told with what to do."""

    def missing(name: str) -> None:
        raise ImportError(errno.ENOENT, name)

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(PortError, match=r"install camdrift\[gpio\]"):
        GpioLine("/dev/gpiochip0", 4)


def test_gpio_without_the_chip() -> None:
    """Pins with the real library that a missing chip is told by name."""
    pytest.importorskip("gpiod", reason="gpiod (optional) is not installed")
    with pytest.raises(PortError, match="/dev/gpiochip-none line 4 cannot be had"):
        GpioLine("/dev/gpiochip-none", 4)


@pytest.mark.parametrize(
    "wrong",
    [
        {"through": "gpio"},
        {"through": "rts"},
        {"through": "rts", "port": "/dev/ttyS0", "active_low": True},
        {"through": "gpio", "line": 4, "dead_after_s": 10},
    ],
)
def test_settings_that_could_not_fail_safe_are_refused(wrong: dict[str, Any]) -> None:
    """Pins that a line, a port and a sound dead time are asked for, and that RTS cannot be wired to lie."""
    with pytest.raises(ValueError, match=r"needs line|needs port|dead box|less than or equal"):
        checked_section(RelaySettings, {"engine": "engine-0", **wrong})
