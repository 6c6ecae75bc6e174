"""Show the whole job on this machine: simulated head, broker, daemon, page and subscriber, within two minutes."""

import argparse
import contextlib
import io
import json
import queue
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from gateway.app.daemon import Daemon
from gateway.cli.demo_voyage import HEADING, Voyage
from gateway.cli.embedded_broker import EmbeddedBroker, embedded_broker
from gateway.cli.logs import set_up_logs
from gateway.cli.progress import progress
from gateway.cli.text import note, out
from gateway.encode.topics import Topics
from gateway.model.errors import PortError, Refused
from gateway.model.page_settings import PageSettings
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings, fingerprint, shipped_config
from gateway.web.sessions import hash_password

START = "2031-01-01T00:00:00Z"
ENGINE = "main"
BURST_PAUSE_S = 2_400
QUIET_S = 10.0
"""No message for so long: nothing more will come."""
HEAD_START_S = 15.0
SWITCH_S = 0.0005
MESSAGES_MAX = 20_000
PAGE_START_S = 30.0
PAGE_USER = "engineer"
CAUTIONS = """\
camdrift is a monitoring aid, not a safety device. It stops and starts nothing. It never replaces the engine
maker's manual, class rules, the safety management system, a permit to work or an engineer's judgement.
Before any work on the drive: engine stopped, starting air shut off, starting gear blocked, turning gear
engaged, lubricating oil shut off. Wait for a minimum of 20 minutes before a door is opened.
Vessel, engine and all data of this demo are invented.
"""
Messages = queue.Queue[tuple[str, bytes]]


def main(args: argparse.Namespace) -> int:
    """Start everything, print what arrives from the broker, sum up, end everything."""
    if not args.debug:
        # What the daemon logs is shown by the lines below.
        set_up_logs(quiet=True)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace", line_buffering=True)
    stopping = threading.Event()
    for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(signum, lambda *_: stopping.set())
    out(CAUTIONS)
    # The pipeline takes all the time there is; without this, messages would trail it by days of the voyage.
    sys.setswitchinterval(SWITCH_S)
    began_s = time.monotonic()
    with contextlib.ExitStack() as end:
        folder = _folder(args.keep, end)
        broker = end.enter_context(embedded_broker())
        head = end.enter_context(_head(folder))
        password = secrets.token_hex(6)
        settings = _settings(folder, broker, password)
        messages = end.enter_context(_subscriber(broker, Topics(settings.gateway.topic_prefix, settings.vessel.slug)))
        # The page is to have the course while the voyage goes on: a second of the wall is days of it.
        daemon = Daemon(settings, fingerprint(settings), flush_s=1.0)
        end.callback(daemon.stop)
        out(f"Here run a simulated sensor head on a pty, the gateway, a broker ({broker.name}) and a subscriber, which")
        out("prints this. Over a year at sea within two minutes; --seconds and Ctrl-C end it sooner.\n")
        daemon.start()
        _show_page(daemon, password, stays=args.stay)
        out(HEADING)
        voyage = Voyage(partial(daemon.commands.handle, "shell"), ENGINE)
        end.callback(voyage.crew_leaves)
        with progress("the voyage, at the latest", args.seconds, below_lines=True) as moved:
            parts = (voyage, daemon, messages, head, stopping)
            whole = _follow(*parts, began_s + args.seconds, lambda: moved(time.monotonic() - began_s))
        voyage.sum_up(whole=whole, seconds=time.monotonic() - began_s)
        if args.stay:
            _stay(daemon, stopping)
    if args.keep:
        note(f"kept: {folder}")
    return 0


def _folder(keep: Path | None, end: contextlib.ExitStack) -> Path:
    if keep is None:
        return Path(end.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-demo-")))
    if keep.exists() and (not keep.is_dir() or any(keep.iterdir())):
        raise Refused(f"--keep {keep}: is not empty; give a new folder: the voyage starts from its beginning")
    try:
        keep.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise Refused(f"--keep {keep}: cannot be made: {e.strerror}; give a folder that you may write") from None
    return keep.resolve()


def _settings(folder: Path, broker: EmbeddedBroker, password: str) -> Settings:
    data: dict[str, Any] = tomllib.loads(shipped_config("tern-passage.toml").read_text(encoding="utf-8"))
    # Simulated time runs half a million times faster than the wall: messages and repeats are thinned to match.
    data["gateway"] |= {
        "data_dir": str(folder / "data"),
        "reading_every_s": 3_600,
        "trend_every_min": 360,
        "repeat_min": 0,
    }
    data["time"] = {"source": "head", "start": START}
    data["capture"]["enabled"] = False
    data["page"] = {"port": _page_port(), "users": [{"name": PAGE_USER, "password_hash": hash_password(password)}]}
    data["head"][0] |= {"port": str(folder / "head"), "burst_pause_s": BURST_PAUSE_S}
    data["broker"] = [{"name": "ship", "host": broker.host, "port": broker.port, "protocol": broker.protocol}]
    return checked_settings(data)


def _page_port() -> int:
    """The usual port; any free one (0) where another gateway has it."""
    usual = PageSettings()
    try:
        socket.create_server((usual.listen, usual.port)).close()
    except OSError:
        return 0
    return usual.port


def _show_page(daemon: Daemon, password: str, *, stays: bool) -> None:
    page = daemon.page
    if page is None or not page.ready.wait(PAGE_START_S):
        out("Its page is not served just now.\n")
        return
    out(f"Look at it in a browser on this machine: http://127.0.0.1:{page.port}")
    out(f"To acknowledge there, log in as {PAGE_USER} with {password}")
    out(("It stays until Ctrl-C." if stays else "It ends with the voyage; with --stay it stays until Ctrl-C.") + "\n")


def _stay(daemon: Daemon, stopping: threading.Event) -> None:
    """The head has sent all; the page goes on."""
    if not stopping.is_set():
        out("\nThe sensor head has ended, so the page shows that it is silent; Trends has the year. Ctrl-C ends all.")
    while not stopping.wait(1.0) and daemon.watch():
        pass


@contextlib.contextmanager
def _head(folder: Path) -> "Iterator[subprocess.Popen[bytes]]":
    """The simulated head, a process of its own, with its pty under a name we know."""
    link = folder / "head"
    command = [sys.executable, "-m", "firmware_sim.cli", "demo", "--pty", "--link", str(link)]
    nowhere = subprocess.DEVNULL
    # A process group of its own: Ctrl-C is for us, and we end it in our own order.
    child = subprocess.Popen(command, stdin=nowhere, stdout=nowhere, stderr=nowhere, process_group=0)
    try:
        until_s = time.monotonic() + HEAD_START_S
        while not link.exists():
            if child.poll() is not None or time.monotonic() > until_s:
                raise PortError("the simulated head did not start; `camdrift-head demo --pty` shows why")
            time.sleep(0.05)
        yield child
    finally:
        child.terminate()
        try:
            child.wait(3.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(3.0)


def _has_ended(head: "subprocess.Popen[bytes]") -> bool:
    """Has the simulated head sent all? Its port vanishes with it, which is the end of the voyage and no fault."""
    with contextlib.suppress(subprocess.TimeoutExpired):
        head.wait(1.0)
    return head.poll() is not None


@contextlib.contextmanager
def _subscriber(broker: EmbeddedBroker, topics: Topics) -> Iterator[Messages]:
    """A client of its own: what it hands out has been through the broker."""
    got: Messages = queue.Queue(MESSAGES_MAX)

    def take(_client: Client, _data: Any, message: MQTTMessage) -> None:
        with contextlib.suppress(queue.Full):
            got.put_nowait((message.topic, bytes(message.payload)))

    client = Client(CallbackAPIVersion.VERSION2, client_id="camdrift-demo-subscriber")
    client.on_message = take
    try:
        client.connect(broker.host, broker.port)
    except OSError as e:
        raise PortError(f"the demo's own broker does not answer: {e}; try again") from None
    client.subscribe(f"{topics.root}/#", qos=1)
    client.loop_start()
    try:
        yield got
    finally:
        client.disconnect()
        client.loop_stop()


def _follow(
    voyage: Voyage,
    daemon: Daemon,
    messages: Messages,
    head: "subprocess.Popen[bytes]",
    stopping: threading.Event,
    until_s: float,
    moved: Callable[[], None],
) -> bool:
    """Take messages until the head has sent all, or time is up. True: the voyage was heard to its end."""
    heard_s = watched_s = time.monotonic()
    while not stopping.is_set() and (now_s := time.monotonic()) < until_s:
        moved()
        if now_s - watched_s >= 1.0:
            watched_s = now_s
            if not daemon.watch():
                note("camdrift: a part of the gateway failed again and again; please report it (--debug shows more)")
                return False
        try:
            topic, payload = messages.get(timeout=0.2)
        except queue.Empty:
            ended = head.poll() is not None
            if now_s - heard_s > (2.0 if ended else QUIET_S):
                return ended
            continue
        heard_s = now_s
        body = json.loads(payload)
        if body.get("tag") == "head-silent" and _has_ended(head):
            continue
        voyage.take(topic, body)
    return False
