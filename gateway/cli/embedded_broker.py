"""A broker for the demo, on loopback only: the machine's Mosquitto where there is one, else amqtt. Keeps nothing."""

import asyncio
import contextlib
import logging
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from gateway.model.errors import PortError

HOST = "127.0.0.1"
START_S = 10.0
TRIES = 5
"""A port that was free may be taken a moment later by another process."""


@dataclass(frozen=True, slots=True)
class EmbeddedBroker:
    """Where the demo's broker listens. `name`: which program it is."""

    host: str
    port: int
    protocol: Literal["5", "3.1.1"]
    name: str


def find_mosquitto() -> str | None:
    """Path of the Mosquitto broker, also where only root has it on the path."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


@contextlib.contextmanager
def embedded_broker(prefer: Literal["mosquitto", "amqtt"] | None = None) -> Iterator[EmbeddedBroker]:
    """Start a broker, hand it out, stop it. `prefer` keeps to one of the two.

    Raises PortError where neither is there, or where it does not start.
    """
    program = find_mosquitto() if prefer != "amqtt" else None
    if program is not None:
        with _mosquitto(program) as broker:
            yield broker
    elif prefer != "mosquitto" and _has_amqtt():
        with _amqtt() as broker:
            yield broker
    else:
        raise PortError(
            "the demo needs an MQTT broker: install Mosquitto (apt install mosquitto) "
            "or the extra (pip install 'camdrift[demo]')"
        )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def _mosquitto(program: str) -> Iterator[EmbeddedBroker]:
    with tempfile.TemporaryDirectory(prefix="camdrift-broker-") as folder:
        child, port = _started(program, Path(folder))
        try:
            yield EmbeddedBroker(HOST, port, "5", "Mosquitto")
        finally:
            _end(child)


def _started(program: str, folder: Path) -> tuple["subprocess.Popen[bytes]", int]:
    for _ in range(TRIES):
        port = _free_port()
        conf = folder / "demo.conf"
        # set_tcp_nodelay: without it each PUBACK may wait 40 ms for the one before.
        lines = (f"listener {port} {HOST}", "allow_anonymous true", "persistence false", "set_tcp_nodelay true")
        conf.write_text("\n".join(lines) + "\n", encoding="utf-8")
        with (folder / "log").open("wb") as log:
            child = subprocess.Popen([program, "-c", str(conf)], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        if _listens(child, port):
            return child, port
        _end(child)
    logged = (folder / "log").read_text(errors="replace").strip().splitlines()
    raise PortError(f"{program} does not start: {logged[-1] if logged else 'its log is empty'}; check its installation")


def _listens(child: "subprocess.Popen[bytes]", port: int) -> bool:
    until = time.monotonic() + START_S
    while child.poll() is None and time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection((HOST, port), timeout=1.0):
            return True
        time.sleep(0.02)
    return False


def _end(child: "subprocess.Popen[bytes]") -> None:
    child.terminate()
    try:
        child.wait(5.0)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def _has_amqtt() -> bool:
    try:
        import amqtt.broker  # noqa: F401
    except ImportError:
        return False
    return True


@contextlib.contextmanager
def _amqtt() -> Iterator[EmbeddedBroker]:
    # It logs each packet and, at its end, each cancelled task; none of that is the demo's business.
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    ready: Future[int] = Future()
    stop = threading.Event()
    thread = threading.Thread(target=lambda: asyncio.run(_amqtt_until(stop, ready)), name="demo-broker", daemon=True)
    thread.start()
    try:
        port = ready.result(START_S)
    except Exception as e:
        stop.set()
        raise PortError(f"amqtt does not start: {e or type(e).__name__}; install Mosquitto instead") from None
    try:
        yield EmbeddedBroker(HOST, port, "3.1.1", "amqtt")
    finally:
        stop.set()
        thread.join(5.0)


async def _amqtt_until(stop: threading.Event, ready: "Future[int]") -> None:
    try:
        broker, port = await _amqtt_started()
    except Exception as e:
        ready.set_exception(e)
        return
    ready.set_result(port)
    while not stop.is_set():
        await asyncio.sleep(0.1)
    with contextlib.suppress(Exception):
        await asyncio.wait_for(broker.shutdown(), 3.0)


async def _amqtt_started() -> tuple[Any, int]:
    from amqtt.broker import Broker

    for attempt in range(TRIES):
        port = _free_port()
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        try:
            await broker.start()
        except Exception:
            if attempt == TRIES - 1:
                raise
            continue
        return broker, port
    raise AssertionError("unreachable")
