"""Ship and shore over the satellite link: the shipped settings, real brokers, keepers and daemons, each on its side."""

import contextlib
import json
import select
import shutil
import socket
import sqlite3
import subprocess
import threading
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import daemon_rig as rig
from in_process import camdrift
from satellite_link import SHORE, Side
from shore_rig import trend

from gateway.cli.embedded_broker import find_mosquitto
from gateway.encode.messages import alarm_event_body, rfc3339
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState, Priority
from gateway.model.output import Batch
from gateway.model.records import Transition
from gateway.model.settings import GatewaySettings
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.trends import EVERY_TREND
from gateway.store.writer import Writer

DEPLOY = rig.ROOT / "deploy"
CERTIFICATES = DEPLOY / "ship/certificates.sh"
VESSEL = "tern-passage"
SHIPS_DOOR, KEEPERS_DOOR = 8883, 8884
PASSWORD = "made-for-this-run"
_FAR = {"p05": 2_391.0, "p50": 2_391.0, "p95": None}
LIMITS = [
    {"limit": limit, "hours_to": _FAR, "date": dict.fromkeys(("p05", "p50", "p95"))}
    for limit in ("lag-near", "lag-limit", "tension-low", "elongation-near", "elongation-limit", "retighten-due")
]
DECISION = {
    "do": "nothing",
    "why": "No limit asks for work: lag 0.84° late of 2°, elongation 0.28 of 1 %, compression 22.0 mm.",
}
"""As long as the daemon's own trends: it is bytes that count here."""
PROGRAMS = ("openssl", "mosquitto_passwd", "mosquitto_sub")


def missing() -> str:
    """The programs that this rig needs and that are not here, or an empty text."""
    lacking = [name for name in PROGRAMS if shutil.which(name) is None]
    lacking += [] if find_mosquitto() else ["mosquitto"]
    return ", ".join(lacking)


# -- certificates -------------------------------------------------------------------------------------------------


def authority(folder: Path) -> Path:
    """A fleet's authority with the shore broker's certificate and the ship's, by the project's own script."""
    for words in (["authority", str(folder)], ["server", str(folder), SHORE], ["ship", str(folder), VESSEL]):
        subprocess.run(["sh", str(CERTIFICATES), *words], check=True, stdout=subprocess.DEVNULL)
    return folder


def spoilt(folder: Path, ca: Path, begins: str, ends: str, *, name: str = VESSEL, extensions: str = "") -> Path:
    """Another pair for the ship, or for `name` with lines of `extensions`: `ship.pem` and `ship.key`, valid between two
    openssl times (`20200101000000Z`)."""
    folder.mkdir()
    more = folder / "extensions"
    more.write_text(extensions)
    conf = folder / "ca.conf"
    lines = (
        f"[ca]\ndefault_ca=d\n[d]\nnew_certs_dir={folder}\ndatabase={folder}/index\nserial={folder}/serial\n"
        "default_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n"
    )
    conf.write_text(lines)
    (folder / "index").touch()
    (folder / "serial").write_text("77\n")
    run = {"check": True, "capture_output": True}
    subprocess.run(
        ["openssl", "req", "-new", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj",
         f"/CN={name}", "-keyout", f"{folder}/ship.key", "-out", f"{folder}/ship.csr"], **run)  # type: ignore[call-overload]  # fmt: skip
    subprocess.run(
        ["openssl", "ca", "-config", str(conf), "-batch", "-notext", "-cert", f"{ca}/ca.pem", "-keyfile",
         f"{ca}/ca.key", "-in", f"{folder}/ship.csr", "-startdate", begins, "-enddate", ends, "-extfile",
         str(more), "-out", f"{folder}/ship.pem"], **run)  # type: ignore[call-overload]  # fmt: skip
    return folder


# -- settings -----------------------------------------------------------------------------------------------------


def shore_broker_as_shipped() -> dict[str, Any]:
    """The shore broker of the example's settings, where it stands behind remark signs."""
    lines = rig.EXAMPLE.read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("# A second broker, ashore"))
    block: list[str] = []
    for line in lines[start + 1 :]:
        if not line.startswith("# "):
            break
        block.append(line.removeprefix("# "))
    (broker,) = tomllib.loads("\n".join(block))["broker"]
    assert broker["name"] == "shore" and broker["tls"]
    return dict(broker)


def shore_table(tls: Path, pair: Path | None = None, **changed: object) -> dict[str, Any]:
    """The shipped shore broker with this rig's address and files. `pair`: a folder with `ship.pem` and `ship.key`."""
    files = {
        "ca_file": str(tls / "ca.pem"),
        "cert_file": str(tls / f"{VESSEL}.pem"),
        "key_file": str(tls / f"{VESSEL}.key"),
    }
    if pair is not None:
        files |= {"cert_file": str(pair / "ship.pem"), "key_file": str(pair / "ship.key")}
    return shore_broker_as_shipped() | files | {"host": SHORE, "port": SHIPS_DOOR} | changed


def ship_settings(folder: Path, *brokers: Mapping[str, Any], **gateway: object) -> dict[str, Any]:
    """The example vessel as shipped but for paths and brokers."""
    data = tomllib.loads(rig.EXAMPLE.read_text(encoding="utf-8"))
    data["gateway"] |= {"data_dir": str(folder / "data"), **gateway}
    data["capture"] = {"enabled": False}
    data["head"][0]["port"] = str(folder / "head")
    data["broker"] = [dict(b) for b in brokers]
    return data


# -- processes on their sides -------------------------------------------------------------------------------------


@contextlib.contextmanager
def process(side: Side, words: list[str], log: Path, **env: str) -> Iterator[rig.Process]:
    """A command on a side of the link; gone afterwards."""
    made = rig.Process(side.command(words), log, **env)
    try:
        yield made
    finally:
        if made.child.poll() is None:
            made.kill()


@contextlib.contextmanager
def daemon(side: Side, config: Path, **env: str) -> Iterator[rig.Process]:
    """`camdrift run` on a side; no traceback was shown."""
    with process(side, [*rig.ENTRY, "run", str(config)], config.with_suffix(".log"), **env) as made:
        yield made
    assert not made.told("Traceback")


@contextlib.contextmanager
def reading_lines(side: Side, words: list[str], take: Callable[[str], None]) -> Iterator[None]:
    """A command on a side whose stdout goes to `take`, line by line, from a thread of its own."""
    child = subprocess.Popen(
        side.command(words), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, bufsize=1
    )
    out = child.stdout
    assert out is not None

    def read() -> None:
        for line in out:
            take(line.rstrip("\n"))

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield
    finally:
        child.kill()
        child.wait(180)
        thread.join(180)


class ShoreBroker:
    """The shore's Mosquitto with the shipped settings, to be killed and started again, its memory kept or wiped."""

    def __init__(self, side: Side, folder: Path, tls: Path) -> None:
        folder.mkdir()
        self._side, self._kept, self._conf, self._log = side, folder / "kept", folder / "shore.conf", folder / "log"
        self._kept.mkdir()
        passwords = folder / "passwords"
        for n, name in enumerate(("shore.keeper", "shore.watch")):
            command = ["mosquitto_passwd", *(["-c"] if n == 0 else []), "-b", str(passwords), name, PASSWORD]
            subprocess.run(command, check=True, capture_output=True)
        text = (DEPLOY / "shore/mosquitto-shore.conf").read_text()
        for old, new in (
            # One certificate for both doors, so the keepers' is at the same address.
            ("listener 8884 127.0.0.1", f"listener {KEEPERS_DOOR} {SHORE}"),
            ("/etc/mosquitto/tls/server", f"{tls}/{SHORE}"), ("/etc/mosquitto/tls/ca.pem", f"{tls}/ca.pem"),
            ("/etc/mosquitto/camdrift-shore-acl", str(DEPLOY / "shore/mosquitto-shore-acl")),
            ("/etc/mosquitto/camdrift-shore-passwords", str(passwords)), ("/var/lib/mosquitto/", f"{self._kept}/"),
        ):  # fmt: skip
            assert old in text, old
            text = text.replace(old, new)
        self._conf.write_text(f"{text}\nuser root\n")
        self.start()

    def start(self) -> None:
        """Start it and wait until it listens."""
        program = find_mosquitto()
        assert program is not None
        self._child = rig.Process(self._side.command([program, "-c", str(self._conf)]), self._log)
        rig.until(lambda: f":{KEEPERS_DOOR} " in listening(self._side), "the shore's broker listens")

    def kill(self, *, forgetting: bool = False) -> None:
        """As a power cut would; `forgetting`: with its disk."""
        self._child.kill()
        if forgetting:
            for file in self._kept.iterdir():
                file.unlink()

    def stop(self) -> None:
        """End it."""
        if self._child.child.poll() is None:
            self._child.end(10)


@contextlib.contextmanager
def shore_broker(side: Side, folder: Path, tls: Path) -> Iterator[ShoreBroker]:
    """The shore's broker for one run."""
    broker = ShoreBroker(side, folder, tls)
    try:
        yield broker
    finally:
        broker.stop()


@contextlib.contextmanager
def ships_broker(side: Side, folder: Path) -> Iterator[rig.Process]:
    """The ship's own Mosquitto with the shipped settings."""
    folder.mkdir()
    passwords = folder / "passwords"
    subprocess.run(
        ["mosquitto_passwd", "-c", "-b", str(passwords), "gateway", PASSWORD], check=True, capture_output=True
    )
    text = (DEPLOY / "ship/mosquitto-ship.conf").read_text()
    for old, new in (
        ("/etc/mosquitto/camdrift-passwords", str(passwords)),
        ("/etc/mosquitto/camdrift-acl", str(DEPLOY / "ship/mosquitto-acl")), ("/var/lib/mosquitto/", f"{folder}/"),
    ):  # fmt: skip
        assert old in text, old
        text = text.replace(old, new)
    conf = folder / "ship.conf"
    conf.write_text(f"{text}\nuser root\n")
    program = find_mosquitto()
    assert program is not None
    with process(side, [program, "-c", str(conf)], folder / "log") as made:
        yield made


def keeper_words(tls: Path, folder: Path, store: Path) -> list[str]:
    """`camdrift shore keep` at the keepers' door, into SQLite."""
    secret = folder / "keeper-password"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    return [
        *rig.ENTRY, "shore", "keep", "--broker", f"mqtts://{SHORE}:{KEEPERS_DOOR}", "--store", f"sqlite:///{store}",
        "--user", "shore.keeper", "--password-file", str(secret), "--ca-file", str(tls / "ca.pem"), "--name", "1",
    ]  # fmt: skip


def watcher_words(tls: Path, form: str) -> list[str]:
    """`mosquitto_sub` at the keepers' door: everything said from now on and what stands, a line each."""
    return [
        "mosquitto_sub", "-h", SHORE, "-p", str(KEEPERS_DOOR), "--cafile", f"{tls}/ca.pem", "-u", "shore.watch",
        "-P", PASSWORD, "-q", "1", "-t", "camdrift/#", "-F", form, "-V", "mqttv5",
    ]  # fmt: skip


def listening(side: Side) -> str:
    """What listens on a side, as `ss` tells it."""
    return side.run("ss", "-Hltn")


# -- what the shore has ---------------------------------------------------------------------------------------------


def kept(store: Path) -> list[tuple[int, str]]:
    """(seq, message) of the ship's events in the keeper's SQLite, in the order in which they were kept."""
    db = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    try:
        return db.execute("SELECT seq, message FROM event ORDER BY rowid").fetchall()
    finally:
        db.close()


def kept_trends(store: Path) -> list[str]:
    """The ship's trends in the keeper's SQLite, by their time."""
    db = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    try:
        return [text for (text,) in db.execute("SELECT message FROM trend ORDER BY trend_at")]
    finally:
        db.close()


def wait(happened: Callable[[], bool], what: str, within_s: float) -> float:
    """Wait for it; how long that took."""
    began = time.monotonic()
    rig.until(happened, what, within_s)
    return time.monotonic() - began


def status(config: Path, within_s: float = 180) -> dict[str, Any]:
    """`camdrift status --json`; a daemon that only just starts is waited for. It answers whatever the link does."""
    end = time.monotonic() + within_s
    while True:
        done = camdrift("status", config, "--json")
        if done.returncode == 0:
            found: dict[str, Any] = json.loads(done.stdout)
            return found
        assert time.monotonic() < end, done.stderr
        time.sleep(0.1)


# -- a black-out's store ----------------------------------------------------------------------------------------------


def fill(data_dir: Path, broker: Mapping[str, Any], count: int, days: float, end_utc_s: float) -> None:
    """Put `count` transitions and the hourly trends of `days` into a ship's store, through the daemon's own writer;
    no daemon may run. The broker is one that has had everything before."""
    topics = Topics("camdrift/1", VESSEL)
    wanted = frozenset([*broker["classes"], *[EVERY_TREND] * broker["every_trend"]])
    store = StateStore(data_dir, GatewaySettings(), brokers={broker["name"]: wanted})
    writer = Writer(store)
    for hour in range(round(days * 24)):
        at = rfc3339(end_utc_s - days * 86_400 + (hour + 1) * 3_600)
        topic, said = trend(VESSEL, ts=at, hours=21_400.0 + hour, limits=LIMITS, decision=DECISION)
        writer.submit(Batch((), [NewRetained(topic, "trend", said)]))
    writer.start()
    states = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
    for n in range(count):
        moved = Transition(
            0, "main", "slap-high", Priority.WARNING, states[n % 2 - 1], states[n % 2], 3.1, 3.0, "mm",
            "Peak-to-peak spring length above its limit", ("chain slack",),
        )  # fmt: skip
        body = alarm_event_body(moved, end_utc_s - days * 86_400 * (1 - n / count), 21_400.0 + n * days * 24 / count)
        writer.submit(Batch([NewEvent(topics.event("main"), "alarm", body)]))
        if n % 1_000 == 0:
            assert writer.drain(180)
    assert writer.drain(180) and writer.stop()
    store.close()


# -- what can be reached ----------------------------------------------------------------------------------------------


def open_ports(side: Side, address: str, ports: Iterable[int]) -> list[int]:
    """Which TCP ports of `address` take a connection from `side`; each is tried, and a silent one tried again."""
    found: list[int] = []
    left = list(ports)
    with side.inside():
        for _ in range(3):
            silent: list[int] = []
            for begin in range(0, len(left), 400):
                more, quiet = _knock(address, left[begin : begin + 400])
                found += more
                silent += quiet
            left = silent
    assert not left, f"{len(left)} ports neither took nor refused a connection"
    return sorted(found)


def _knock(address: str, ports: Sequence[int]) -> tuple[list[int], list[int]]:
    """(open, silent) of a handful."""
    poll, doors = select.poll(), {}
    for port in ports:
        s = socket.socket()
        s.setblocking(False)
        s.connect_ex((address, port))
        doors[s.fileno()] = (s, port)
        poll.register(s, select.POLLOUT)
    found, end = [], time.monotonic() + 4.0
    while doors and time.monotonic() < end:
        for fd, _ in poll.poll(100):
            s, port = doors.pop(fd)
            poll.unregister(fd)
            if s.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) == 0:
                found.append(port)
            s.close()
    silent = [port for _, port in doors.values()]
    for s, _ in doors.values():
        s.close()
    return found, silent
