"""What `deploy/shore` ships is tried: the broker's doors and rights, the dashboard's queries, the files' forms."""

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from mqtt_fakes import Mosquitto, free_port, needs_mosquitto, until
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from shore_rig import PREFIX, SRC, UTC, PostgresServer, alarm, event, keeper, presence, trend

from gateway.model.enums import AlarmState
from gateway.shore.check import check
from gateway.shore.database import open_database
from gateway.shore.store import FleetStore

SHORE = SRC / "deploy/shore"
PASSWORD = "made-for-this-test"
NOT_AUTHORIZED = 0x87


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet's authority, a broker's certificate and two ships', by the project's own script."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("tls") / "authority"
    for words in (["authority"], ["server", "127.0.0.1"], ["ship", "a"], ["ship", "b"]):
        script = str(SRC / "deploy/ship/certificates.sh")
        subprocess.run(["sh", script, words[0], str(folder), *words[1:]], check=True, stdout=subprocess.DEVNULL)
    return folder


@pytest.fixture
def doors(tls: Path, tmp_path: Path) -> Iterator[tuple[int, int]]:
    """The shore's broker with the shipped settings, on free ports: (ships', keepers')."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed (apt install mosquitto)")
    ships, keepers = free_port(), free_port()
    passwords = tmp_path / "passwords"
    for n, name in enumerate(("shore.keeper", "shore.watch")):
        command = ["mosquitto_passwd", *(["-c"] if n == 0 else []), "-b", str(passwords), name, PASSWORD]
        subprocess.run(command, check=True)
    text = (SHORE / "mosquitto-shore.conf").read_text()
    for old, new in (
        ("listener 8883", f"listener {ships} 127.0.0.1"), ("listener 8884", f"listener {keepers}"),
        ("/etc/mosquitto/tls/server", f"{tls}/127.0.0.1"), ("/etc/mosquitto/tls/ca.pem", f"{tls}/ca.pem"),
        ("/etc/mosquitto/camdrift-shore-acl", str(SHORE / "mosquitto-shore-acl")),
        ("/etc/mosquitto/camdrift-shore-passwords", str(passwords)), ("/var/lib/mosquitto/", f"{tmp_path}/"),
    ):  # fmt: skip
        assert old in text, old
        text = text.replace(old, new)
    with_own_port = f"listener {free_port()} 127.0.0.1"
    broker = Mosquitto(tmp_path, with_own_port, *text.splitlines())
    try:
        yield ships, keepers
    finally:
        broker.stop()


class Door:
    """A client at one of the doors."""

    def __init__(
        self, port: int, tls: Path, cert: str | None = None, user: str | None = None, word: str = "", name: str = ""
    ) -> None:
        self.codes: dict[int, int] = {}
        self.got: list[str] = []
        self.connected: int | None = None
        self.lost = False
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5, reconnect_on_failure=False)
        pair = {"certfile": f"{tls}/{cert}.pem", "keyfile": f"{tls}/{cert}.key"} if cert else {}
        self._client.tls_set(ca_certs=f"{tls}/ca.pem", **pair)
        if user:
            self._client.username_pw_set(user, word)
        self._client.on_connect = lambda _c, _d, _f, reason, _p: setattr(self, "connected", reason.value)
        self._client.on_publish = lambda _c, _d, mid, reason, _p: self.codes.update({mid: reason.value})
        self._client.on_message = lambda _c, _d, message: self.got.append(message.topic)
        self._client.on_disconnect = lambda _c, _d, _f, reason, _p: self._gone()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        until(lambda: self.connected is not None, "the door answers")

    def _gone(self) -> None:
        self.connected = self.connected or 255
        self.lost = True

    def say(self, topic: str, payload: bytes = b"x", *, retain: bool = False) -> int:
        """Publish; the broker's reason code."""
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        until(lambda: info.mid in self.codes, "the broker answers")
        return self.codes[info.mid]

    def hear(self, topic: str) -> None:
        """Subscribe."""
        self._client.subscribe(topic, 1)

    def close(self) -> None:
        """Go."""
        self._client.disconnect()
        self._client.loop_stop()


@needs_mosquitto
def test_a_ships_certificate_writes_her_own_topics_and_no_others(doors: tuple[int, int], tls: Path) -> None:
    """Pins the access list: a stolen certificate says nothing in another's name, asks nothing and hears nothing."""
    a, b = Door(doors[0], tls, "a"), Door(doors[0], tls, "b")
    try:
        b.hear("#")
        b.hear("camdrift/1/+/#")
        own = ["presence", "event", "main/event", "main/trend", "alarm/storage-fault", "main/alarm/lag-limit"]
        assert all(a.say(f"camdrift/1/a/{tail}") < 0x80 for tail in own)
        for topic in (*(f"camdrift/1/b/{tail}" for tail in own), "camdrift/1/a/do", "camdrift/1/a/received",
                      "camdrift/1/b/received", "camdrift/1/a/main/reading", "other", "camdrift/2/a/event"):  # fmt: skip
            assert a.say(topic) == NOT_AUTHORIZED, topic
        assert b.say("camdrift/1/b/presence") < 0x80
        assert b.got == []
    finally:
        a.close()
        b.close()


@needs_mosquitto
def test_a_stolen_certificate_hears_one_receipt_and_nothing_else(doors: tuple[int, int], tls: Path) -> None:
    """Pins the reading side of the access list: whatever is subscribed to, by name or by wildcard, live or retained,
    what comes is the ship's own `received`; neither her own record, nor another's, nor the broker's affairs."""
    a, b = Door(doors[0], tls, "a"), Door(doors[0], tls, "b")
    k = Door(doors[1], tls, None, "shore.keeper", PASSWORD)
    record = ["presence", "event", "main/event", "main/trend", "main/alarm/lag-limit"]
    try:
        assert all(b.say(f"camdrift/1/b/{tail}", retain=True) < 0x80 for tail in record)
        assert all(k.say(f"camdrift/1/{ship}/received", retain=True) < 0x80 for ship in "ab")
        wanted = ["#", "+/#", "$SYS/#", "$share/thief/camdrift/#", "camdrift/1/+/+/event", "camdrift/1/b/received"]
        wanted += ["camdrift/1/a/do", *(f"camdrift/1/{ship}/{tail}" for ship in "ab" for tail in record)]
        for topic in wanted:
            a.hear(topic)
        until(lambda: a.got != [], "the receipt that stands")
        assert all(ship.say(f"camdrift/1/{of}/{tail}") < 0x80 for ship, of in ((a, "a"), (b, "b")) for tail in record)
        # The last word comes last: what was let through before it has come too.
        c = Door(doors[0], tls, "a")
        c.hear("camdrift/1/a/received")
        assert k.say("camdrift/1/a/received") < 0x80
        until(lambda: c.got != [], "the new receipt")
        c.close()
        assert set(a.got) == {"camdrift/1/a/received"}
    finally:
        for door in (a, b, k):
            door.close()


@needs_mosquitto
def test_a_stolen_certificate_throws_no_other_ship_out(doors: tuple[int, int], tls: Path) -> None:
    """Pins that a ship's client id is her certificate's name: another certificate that gives her id leaves her be, and
    keepers, who share a user, keep ids of their own."""
    mine = "camdrift-a-shore"
    a, thief = Door(doors[0], tls, "a", name=mine), Door(doors[0], tls, "b", name=mine)
    k1, k2 = (Door(doors[1], tls, None, "shore.keeper", PASSWORD, name=n) for n in ("keeper-1", "keeper-2"))
    try:
        assert thief.connected == 0
        assert a.say("camdrift/1/a/presence") < 0x80
        assert k1.say("camdrift/1/a/received") < 0x80
        assert k2.say("camdrift/1/a/received") < 0x80
        assert not any(door.lost for door in (a, thief, k1, k2))
    finally:
        for door in (a, thief, k1, k2):
            door.close()


@needs_mosquitto
def test_nobody_comes_in_without_what_the_door_asks_for(doors: tuple[int, int], tls: Path) -> None:
    """Pins that the ships' door wants a certificate and the keepers' a password, whatever else is shown."""
    for door in (
        lambda: Door(doors[0], tls),
        lambda: Door(doors[0], tls, None, "shore.keeper", PASSWORD),
        lambda: Door(doors[1], tls),
        lambda: Door(doors[1], tls, "a"),
        lambda: Door(doors[1], tls, None, "shore.keeper", "wrong"),
    ):
        try:
            client = door()
        except OSError:
            continue
        assert client.connected != 0
        client.close()


@needs_mosquitto
def test_a_keeper_keeps_and_tells_through_the_shipped_settings(
    doors: tuple[int, int], tls: Path, tmp_path: Path
) -> None:
    """Pins that user, password file and access list of the guide suffice for a keeper, and that a receipt gets out."""
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    url = f"sqlite:///{tmp_path / 'f.db'}"
    more = ["--broker", f"mqtts://127.0.0.1:{doors[1]}", "--user", "shore.keeper", "--password-file", str(secret),
            "--ca-file", f"{tls}/ca.pem"]  # fmt: skip
    a = Door(doors[0], tls, "a")
    try:
        with keeper(doors[1], url, "1", *more) as one:
            until(lambda: "keeper.connected" in one.words(), one.words())
            assert a.say(*event("a", 1)) < 0x80

            def there() -> bool:
                db = open_database(url, make=False)
                found = db.run("SELECT vessel FROM event")
                db.close()
                return found == [("a",)]

            until(there, "kept through TLS")
        a.hear("camdrift/1/a/received")
        k = Door(doors[1], tls, None, "shore.keeper", PASSWORD)
        assert k.say("camdrift/1/a/received") < 0x80
        assert k.say("camdrift/1/a/event") == NOT_AUTHORIZED
        k.close()
        until(lambda: a.got == ["camdrift/1/a/received"], "the ship hears her receipt")
    finally:
        a.close()


def dashboard() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SHORE / "dashboard.json").read_text())
    return found


def test_the_dashboard_has_what_an_import_needs() -> None:
    """Pins the fields by which a plotting server takes a dashboard: its inputs, panels with places and queries."""
    d = dashboard()
    (source,) = d["__inputs"]
    assert source["type"] == "datasource" and source["pluginId"] == "postgres"
    assert {"title", "uid", "schemaVersion", "panels", "templating", "time"} <= set(d)
    places = [p["gridPos"] for p in d["panels"]]
    cells = [(x, y) for p in places for x in range(p["x"], p["x"] + p["w"]) for y in range(p["y"], p["y"] + p["h"])]
    assert len(cells) == len(set(cells)) and max(x for x, _ in cells) < 24
    assert len({p["id"] for p in d["panels"]}) == len(d["panels"])
    used = {p["datasource"]["uid"] for p in d["panels"]} | {
        t["datasource"]["uid"] for p in d["panels"] for t in p["targets"]
    }
    assert used == {"${" + source["name"] + "}"}


def test_every_query_of_the_dashboard_runs_and_finds_what_was_kept(postgres: PostgresServer) -> None:
    """Pins the dashboard to the tables: each panel's query, with the server's macros written out, gives rows."""
    url = postgres.database()
    store = FleetStore(url)
    good = [presence("a"), trend("a"), alarm("a", AlarmState.UNACKNOWLEDGED), event("a", 1), event("a", 3)]
    kept = store.keep([check(t, p, PREFIX) for t, p in [*good, ("camdrift/1/a/event", b"")]], UTC)
    store.heard({"a": UTC})
    store.advance(store.behind(), UTC)
    assert len(kept) == 6
    db = open_database(url, make=False)
    for panel in dashboard()["panels"]:
        text = panel["targets"][0]["rawSql"].replace("$vessel", "'a'")
        text = re.sub(r"\$__timeFilter\((\w+)\)", r"\1 > '2000-01-01'", text)
        assert "$" not in text
        found = db.run(text)
        assert found, panel["title"]
        if panel["type"] == "stat":
            assert found[0][0] == 1, panel["title"]
    db.close()


def test_compose_and_the_hosts_settings_say_the_same() -> None:
    """Pins the container's broker to the host's: no line differs but paths and the keepers' address."""
    host = (SHORE / "mosquitto-shore.conf").read_text().splitlines()
    boxed = (SHORE / "compose-broker.conf").read_text().splitlines()
    differing = [(a, b) for a, b in zip(host, boxed, strict=True) if a != b and not a.startswith("#")]
    assert {a.split()[0] for a, _ in differing} == {"cafile", "certfile", "keyfile", "password_file", "listener"}


def test_compose_holds_no_secret_and_opens_one_port() -> None:
    """Pins that the compose file parses, publishes the ships' port only, and names passwords by file."""
    made = yaml.safe_load((SHORE / "compose.yaml").read_text())
    assert [p for s in made["services"].values() for p in s.get("ports", [])] == ["8883:8883"]
    environment = {k: v for s in made["services"].values() for k, v in s.get("environment", {}).items()}
    assert [k for k in environment if "PASS" in k] == ["POSTGRES_PASSWORD_FILE", "PGPASSFILE"]
    names = [
        next(a for a in s["command"] if a.startswith("--name")) for n, s in made["services"].items() if "keeper" in n
    ]
    assert len(set(names)) == 2


def test_a_compose_tool_takes_the_file() -> None:
    """Pins the compose file to what a compose tool accepts, where one is installed (apt install docker-compose)."""
    tool = shutil.which("docker-compose")
    if tool is None:
        pytest.skip("docker-compose is not installed (apt install docker-compose)")
    done = subprocess.run(
        [tool, "-f", str(SHORE / "compose.yaml"), "config"], capture_output=True, text=True, timeout=180
    )
    assert done.returncode == 0, done.stderr
    assert set(yaml.safe_load(done.stdout)["services"]) == {"broker", "database", "keeper-1", "keeper-2"}
