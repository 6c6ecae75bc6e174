"""`camdrift-head` as a user meets it: what it prints, its exit status, its end by signal; never a traceback."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import head_decoder
import in_process
import pytest
import serial
from waiting import PATIENCE_S

from firmware_sim import Head, load_scenario
from firmware_sim.cli import main

COMMAND = [sys.executable, "-m", "firmware_sim.cli"]


def run(*args: str) -> in_process.Done:
    return in_process.run(main, *args)


@contextlib.contextmanager
def running(*args: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The process and the first line it printed."""
    process = subprocess.Popen([*COMMAND, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stderr is not None
    try:
        yield process, process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE_S)


def test_capture_and_truth(tmp_path: Path) -> None:
    """`--out` writes the capture of the scenario, seed, rate and duration asked for, `--truth` a CSV beside it."""
    out, truth = tmp_path / "x.cap", tmp_path / "x.csv"
    args = ["--seed", "9", "--rate", "100", "--samples", "20", "--duration", "60"]
    done = run("steady", "--out", str(out), "--truth", str(truth), "--truth-every", "20", *args)
    assert done.returncode == 0
    assert done.stdout == ""
    scenario = load_scenario("steady").changed(head={"rate_hz": 100.0, "samples": 20})
    assert out.read_bytes() == Head(scenario, seed=9).capture(60)
    assert len(truth.read_text(encoding="ascii").splitlines()) == 1 + 4


def test_bursts_from_the_command_line(tmp_path: Path) -> None:
    """`--burst` and `--every` thin the samples out."""
    out = tmp_path / "x.cap"
    assert run("--out", str(out), "--burst", "6", "--every", "600", "--duration", "1800").returncode == 0
    times = head_decoder.decode(out.read_bytes()).sample_times_s()
    assert ((times % 600) < 6).all() and len(times) == 3 * 3_000


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_pty_until_told_to_end(tmp_path: Path, number: signal.Signals) -> None:
    """`--pty` prints a path that pyserial opens and reads; a signal ends it with 0 and takes the link away."""
    link = tmp_path / "head"
    with running("--pty", "--link", str(link), "--speed", "50") as (process, path):
        assert os.readlink(link) == path
        with serial.Serial(str(link), 230_400, timeout=PATIENCE_S) as port:
            assert head_decoder.decode(port.read(20_000)).of(2)
        process.send_signal(number)
        _, errors = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0
        assert "Traceback" not in errors
        assert "bytes sent" in errors
    assert not link.is_symlink()


def test_tcp(tmp_path: Path) -> None:
    """`--tcp` prints an address that pyserial's socket:// and any other reader connect to, and ends by itself."""
    with running("--tcp", ":0", "--speed", "0", "--duration", "30") as (process, address):
        host, port = address.removeprefix("socket://").rsplit(":", 1)
        assert host == "127.0.0.1"
        with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as reader, reader.makefile("rb") as file:
            assert file.read() == Head(load_scenario("steady")).capture(30)
        assert process.wait(PATIENCE_S) == 0


def test_list_and_check(tmp_path: Path) -> None:
    """`--list` prints the built-in names; `--check` says nothing of a good scenario and the fault of a bad one."""
    assert "steady" in run("--list").stdout.split()
    assert run("demo", "--check").returncode == 0
    (tmp_path / "bad.toml").write_text("[head]\nsample = 3\n[chain]\npitch_mm = 0\n")
    done = run(str(tmp_path / "bad.toml"), "--check")
    assert done.returncode == 78
    assert len(done.stderr.splitlines()) == 2
    assert "head.sample: unknown key" in done.stderr


@pytest.mark.parametrize(
    ("args", "status", "says"),
    [
        ([], 2, "--pty, --serial PORT, --tcp HOST:PORT or --out FILE"),
        (["--pty", "--tcp", ":0"], 2, "not allowed with"),
        (["--tcp", "nowhere"], 2, "HOST:PORT"),
        (["--tcp", "host:99999"], 2, "HOST:PORT"),
        (["--out", "x.cap"], 2, "--duration"),
        (["--tcp", ":0", "--link", "x"], 2, "--link goes with --pty"),
        (["--out", "x", "--duration", "1", "--truth-every", "0"], 2, "--truth-every"),
        (["--frobnicate"], 2, "unrecognized"),
        (["nosuch", "--pty"], 78, "steady"),
        (["--pty", "--rate", "-5"], 78, "command line: head.rate_hz"),
        (["--pty", "--samples", "300"], 78, "command line: head.samples"),
        (["--pty", "--burst", "5"], 78, "go together"),
        (["--out", "/nonexistent/x", "--duration", "1"], 74, "/nonexistent/x: cannot be written"),
        (["--out", "x", "--duration", "1", "--truth", "/nonexistent/x"], 74, "cannot be written"),
        (["--serial", "/nonexistent/tty"], 74, "cannot be opened"),
        (["--tcp", "203.0.113.1:1"], 74, "cannot be listened on"),
    ],
)
def test_mistakes_end_with_their_status(
    args: list[str], status: int, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each mistake ends with the status of the interface and a message that says what to do."""
    monkeypatch.chdir(tmp_path)
    done = run(*args)
    assert done.returncode == status
    assert says in done.stderr
    assert done.stdout == ""


def test_a_process_ends_with_the_status_too() -> None:
    """What the tests above ask in their own process is so of a process."""
    words = ["nosuch", "--pty"]
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (78, "", run(*words).stderr)


def test_imports_nothing_of_the_gateway() -> None:
    """The simulator shares no code with what it tests: importing all of it loads no module of the gateway."""
    code = "import firmware_sim.cli, sys; print([m for m in sys.modules if m.split('.')[0] == 'gateway'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    assert done.stdout.strip() == "[]"
