"""What the shore's tests stand on: messages as a ship sends them, keepers as processes, a private PostgreSQL."""

import contextlib
import glob
import os
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from mqtt_fakes import free_port
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from gateway.encode import messages as m
from gateway.encode.checked import trend_of
from gateway.model.enums import AlarmState, Priority
from gateway.model.records import Transition

UTC = 1_795_000_000.0
PREFIX = "camdrift/1"
SRC = Path(__file__).parents[1]
BROKER_LINES = ("allow_anonymous true", "max_inflight_messages 1000", "max_queued_messages 0")


def gateway_of(vessel: str) -> str:
    """A UUID for each vessel, the same each time."""
    return f"3f0c1d2e-0000-4000-8000-{int.from_bytes(vessel.encode()[-6:], 'big'):012x}"


def transition(to: AlarmState = AlarmState.UNACKNOWLEDGED, **changed: Any) -> Transition:
    """The lag passes its limit."""
    fields: dict[str, Any] = {
        "t_us": 0, "engine": "main", "tag": "lag-limit", "priority": Priority.ALARM, "came_from": AlarmState.NORMAL,
        "to": to, "value": 2.05, "limit": 2.0, "unit": "°", "text": "lag: late", "causes": ("chain wear",),
    }  # fmt: skip
    return Transition(**{**fields, **changed})


def event(vessel: str, seq: int, gateway: str | None = None, **changed: Any) -> tuple[str, bytes]:
    """Topic and payload of an alarm's event."""
    body = m.alarm_event_body(transition(**changed), UTC + seq % 1_000_000, 21_400.0)
    return m.Topics(PREFIX, vessel).event("main"), m.event_payload(gateway or gateway_of(vessel), seq, body)


def alarm(vessel: str, state: AlarmState, utc_s: float = UTC) -> tuple[str, bytes]:
    """Topic and payload of an alarm's present state."""
    payload = m.alarm_state_payload(
        no=1, tag="lag-limit", state=state, priority=Priority.ALARM, utc_s=utc_s, since_utc_s=utc_s, hours=21_400.0,
        value=2.05, limit=2.0, unit="°", text="lag: late",
    )  # fmt: skip
    return m.Topics(PREFIX, vessel).alarm("main", "lag-limit"), payload


def trend(vessel: str, lag_deg: float = 1.2, hours_to: float | None = 9_000.0, **changed: Any) -> tuple[str, bytes]:
    """Topic and payload of a trend with one limit ahead (`hours_to`: its early end) and one out of sight."""
    unknown = {"p05": None, "p50": None, "p95": None}
    far = {"p05": hours_to, "p50": None if hours_to is None else hours_to + 2_000.0, "p95": None}
    date = {**unknown, "p05": "2027-12-01"}
    fields = {
        "ts": m.rfc3339(UTC), "hours": 21_400.0,
        "lag_deg": {"p05": lag_deg - 0.1, "p50": lag_deg, "p95": lag_deg + 0.1},
        "lag_deg_per_1000h": {"p05": 0.05, "p50": 0.06, "p95": None}, "elongation_percent": {**unknown, "p50": 0.33},
        "elongation_percent_per_1000h": unknown,
        "limits": [{"limit": "elongation-limit", "hours_to": unknown, "date": unknown},
                   {"limit": "lag-limit", "hours_to": far, "date": date}],
        "hours_since": {"retightened": 1_600.0, "camshaft_set": 11_600.0}, "agreement": "unknown", "causes": [],
        "decision": {"do": "nothing", "why": "No limit is near."}, **changed,
    }  # fmt: skip
    return m.Topics(PREFIX, vessel).trend("main"), m.dump(trend_of(fields))


def presence(vessel: str, state: Any = "online", utc_s: float = UTC) -> tuple[str, bytes]:
    """Topic and payload of a presence."""
    return m.Topics(PREFIX, vessel).presence, m.presence_payload(state, utc_s, "0.1.0")


class Ship:
    """Publishes what it is given, QoS 1, and waits until the broker has it."""

    def __init__(self, port: int) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self._client.max_inflight_messages_set(200)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def say(self, *messages: tuple[str, bytes], retain: bool = False) -> None:
        """Publish all, wait for all."""
        for info in [self._client.publish(t, p, qos=1, retain=retain) for t, p in messages]:
            info.wait_for_publish(180)
            assert info.is_published()

    def close(self) -> None:
        """Go."""
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def ship(port: int) -> Iterator[Ship]:
    """A ship for one test."""
    one = Ship(port)
    try:
        yield one
    finally:
        one.close()


class KeeperProcess:
    """`camdrift shore keep` as a process of its own, to be killed and started again under the same name."""

    def __init__(self, port: int, store: str, name: str = "1", *more: str) -> None:
        self._command = [
            sys.executable, "-m", "gateway.cli", "shore", "keep", "--broker", f"mqtt://127.0.0.1:{port}",
            "--store", store, "--name", name, *more,
        ]  # fmt: skip
        self.said = tempfile.TemporaryFile()  # noqa: SIM115
        self.start()

    def start(self) -> None:
        """Start it."""
        self._child = subprocess.Popen(self._command, cwd=SRC, stderr=self.said, stdout=subprocess.DEVNULL)

    def kill(self) -> None:
        """As a power cut would."""
        self._child.kill()
        self._child.wait(180)

    def stop(self) -> int:
        """Ask it to end."""
        self._child.send_signal(signal.SIGTERM)
        try:
            return self._child.wait(180)
        except subprocess.TimeoutExpired:
            self.kill()
            raise

    def wait(self) -> int:
        """Until it ends by itself."""
        return self._child.wait(180)

    @property
    def running(self) -> bool:
        return self._child.poll() is None

    def words(self) -> str:
        """What it has said on stderr."""
        self.said.seek(0)
        return self.said.read().decode()


@contextlib.contextmanager
def keeper(port: int, store: str, name: str = "1", *more: str) -> Iterator[KeeperProcess]:
    """A keeper for one test."""
    one = KeeperProcess(port, store, name, *more)
    try:
        yield one
    finally:
        if one.running:
            one.kill()
        one.said.close()


def _program(name: str) -> str | None:
    found = sorted(glob.glob(f"/usr/lib/postgresql/*/bin/{name}"))
    return shutil.which(name) or (found[-1] if found else None)


def _unprivileged() -> str | None:
    """PostgreSQL will not run as root: who runs it then."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name).pw_name
    return None


class PostgresServer:
    """A private server on loopback in a folder of its own; with `of` that one's standby, which follows it."""

    def __init__(self, folder: Path, *settings: str, of: "PostgresServer | None" = None) -> None:
        self._user = _unprivileged()
        if self._user:
            shutil.chown(folder, self._user)
        self.port = free_port()
        data = str(folder / "data")
        if of is None:
            self._run("initdb", "-D", data, "-A", "trust", "-U", "keeper", "-EUTF8", "--no-locale", "-N")
        else:
            self._run("pg_basebackup", "-D", data, "-R", "-c", "fast", "-d", of.url("postgres"))
        # A direct child that dies with us: a test run that is killed leaves no server behind.
        leash = ["setpriv", "--pdeathsig", "INT"] if shutil.which("setpriv") else []
        program = _program("postgres")
        assert program is not None
        options = ["listen_addresses=127.0.0.1", f"unix_socket_directories={folder}", *settings]
        given = [word for option in options for word in ("-c", option)]
        self._child = subprocess.Popen(
            [*leash, program, "-D", str(folder / "data"), "-p", str(self.port), *given],
            user=self._user, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._await()
        self._made = 0

    def _await(self) -> None:
        import psycopg

        end = time.monotonic() + 180
        while True:
            assert self._child.poll() is None, "postgres has ended at once"
            try:
                psycopg.connect(self.url("postgres"), connect_timeout=2).close()
            except psycopg.OperationalError:
                assert time.monotonic() < end, "postgres does not answer"
                time.sleep(0.05)
            else:
                return

    def _run(self, name: str, *arguments: str) -> None:
        program = _program(name)
        assert program is not None
        subprocess.run(
            [program, *arguments], check=True, stdout=subprocess.DEVNULL, user=self._user, timeout=180, cwd="/"
        )

    def database(self) -> str:
        """The URL of an empty database."""
        import psycopg

        self._made += 1
        with psycopg.connect(self.url("postgres"), autocommit=True) as db:
            db.execute(f"CREATE DATABASE fleet_{self._made}".encode())
        return self.url(f"fleet_{self._made}")

    def url(self, database: str) -> str:
        """The URL of a database."""
        return f"postgresql://keeper@127.0.0.1:{self.port}/{database}"

    def stop(self) -> None:
        """End it."""
        self._child.send_signal(signal.SIGQUIT)
        self._child.wait(180)


@contextlib.contextmanager
def postgres_server(*settings: str) -> Iterator[PostgresServer]:
    """A server, or the test is left out with the reason."""
    pytest.importorskip("psycopg", reason="psycopg is not installed (pip install 'camdrift[shore]')")
    if _program("initdb") is None or _program("postgres") is None:
        pytest.skip("PostgreSQL's server is not installed (apt install postgresql)")
    if os.geteuid() == 0 and _unprivileged() is None:
        pytest.skip("PostgreSQL does not run as root, and there is no user postgres or nobody")
    with tempfile.TemporaryDirectory(prefix="camdrift-pg-") as folder:
        Path(folder).chmod(0o755)
        server = PostgresServer(Path(folder), *settings)
        try:
            yield server
        finally:
            server.stop()
