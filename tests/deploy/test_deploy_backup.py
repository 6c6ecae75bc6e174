"""Back-up and restore aboard, by the script that the guide gives the operator, on stores that the gateway wrote."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import uuid
from pathlib import Path

import pytest
from photos_rig import png
from shore_rig import PREFIX, UTC, transition

from gateway.encode import messages as m
from gateway.model.enums import AlarmState
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.shore.check import check
from gateway.shore.store import FleetStore
from gateway.store.history import History
from gateway.store.photos import Photos
from gateway.store.reader import StateReader
from gateway.store.state import NewBooking, NewEvent, NewRetained, StateStore

SCRIPT = Path(__file__).parents[2] / "deploy/ship/backup.sh"
TOPIC = f"{PREFIX}/tern-passage/main/event"
pytestmark = pytest.mark.skipif(shutil.which("flock") is None, reason="flock is not installed (apt install util-linux)")


class Ship:
    """A box: its settings, its data folder, and the script run upon them."""

    def __init__(self, folder: Path) -> None:
        self.settings, self.data, self.file = folder / "settings", folder / "data", folder / "back-up.tar.gz"
        (self.settings / "tls").mkdir(parents=True)
        self.put("ship.toml", "[vessel]\n", 0o640)
        self.put("ship-password", "secret-word", 0o600)
        self.put("tls/ship.key", "secret-key", 0o600)
        self.put("tls/ca.pem", "an authority", 0o640)

    def put(self, name: str, text: str, mode: int) -> None:
        """A file of the settings."""
        (self.settings / name).write_text(text)
        (self.settings / name).chmod(mode)

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """The script; no traceback ever reaches the operator."""
        env = {**os.environ, "CAMDRIFT_SETTINGS": str(self.settings), "CAMDRIFT_DATA": str(self.data),
               "CAMDRIFT_PYTHON": sys.executable}  # fmt: skip
        done = subprocess.run(
            ["sh", str(SCRIPT), *map(str, words)], env=env, capture_output=True, text=True, timeout=180
        )
        assert "Traceback" not in done.stderr
        return done

    def open(self) -> StateStore:
        """As the daemon opens it."""
        own, brokers = f"{PREFIX}/tern-passage/event", {"shore": frozenset({"event"})}
        return StateStore(self.data, GatewaySettings(), brokers=brokers, events_topic=own, ballast_bytes=4_096)

    def write(self, n: int) -> None:
        """So many alarms' events, a booking, a retained value, a checkpoint, and a file of history."""
        store = self.open()
        body = m.alarm_event_body(transition(AlarmState.UNACKNOWLEDGED), UTC, 21_400.0)
        events = [NewEvent(TOPIC, "alarm", body) for _ in range(n)]
        booking = NewBooking("main", str(uuid.uuid4()), "retightened", "2026-11-25T00:00:00Z", "{}")
        store.commit(Batch(events, [NewRetained("a", "alarm", b"x")], {"count": n}, bookings=[booking]))
        store.close()
        History(self.data, 64.0).close()

    def rows(self, name: str) -> list[str]:
        """Everything in a database, but for the gateway's own number."""
        with sqlite3.connect(self.data / name) as db:
            return [line for line in db.iterdump() if "gateway_id" not in line and "'continues'" not in line]

    def events(self) -> list[tuple[str, bytes]]:
        """Topic and payload of all events, as they are published."""
        with sqlite3.connect(self.data / "state.db") as db:
            return [(t, bytes(p)) for t, p in db.execute("SELECT topic, payload FROM event ORDER BY seq")]


@pytest.fixture
def ship(tmp_path: Path) -> Ship:
    made = Ship(tmp_path)
    made.write(5)
    return made


def test_what_was_saved_comes_back_the_same(ship: Ship) -> None:
    """Save, lose everything, restore: each row of both databases and each open setting is as it was."""
    before = {name: ship.rows(name) for name in ("state.db", "history.db")}
    photo = Photos(ship.data).keep(png(), set)
    done = ship.run("save", ship.file)
    assert done.returncode == 0 and "2 files with passwords or keys are not in it" in done.stdout
    shutil.rmtree(ship.data)
    shutil.rmtree(ship.settings)
    done = ship.run("restore", ship.file)
    assert done.returncode == 0, done.stderr
    assert {name: ship.rows(name) for name in before} == before
    assert Photos(ship.data).read(photo) == png()
    assert (ship.settings / "ship.toml").read_text() == "[vessel]\n"
    assert sorted(p.name for p in ship.settings.rglob("*") if p.is_file()) == ["ca.pem", "ship.toml"]
    told = [line for line in done.stdout.splitlines() if line.startswith("to be put back by hand")]
    assert [Path(line.split(": ")[1]).name for line in told] == ["ship-password", "ship.key"]


def test_the_record_links_the_new_number_to_the_old_one(ship: Ship) -> None:
    """After a restore the gateway has a number of its own, and one event says which gateway it goes on from."""
    reader = StateReader(ship.data)
    old = reader.gateway_id()
    reader.close()
    ship.run("save", ship.file)
    assert ship.run("restore", ship.file).returncode == 0
    for _ in range(2):
        store = ship.open()
        new = store.gateway_id
        store.close()
    linked = [json.loads(payload) for _, payload in ship.events() if b'"restored"' in payload]
    assert len(linked) == 1 and new != old
    assert linked[0]["gateway"] == new and old in linked[0]["text"] and new in linked[0]["text"]
    assert linked[0]["seq"] == max(json.loads(payload)["seq"] for _, payload in ship.events())


def test_the_second_copy_of_the_log_book_is_saved_and_never_overwritten(ship: Ship) -> None:
    """Onto an empty disk it comes back as it was; where there is one, it may hold bookings made since."""
    copy = ship.data / "logbook.jsonl"
    saved = copy.read_bytes()
    assert ship.run("save", ship.file).returncode == 0
    shutil.rmtree(ship.data)
    assert ship.run("restore", ship.file).returncode == 0
    assert copy.read_bytes() == saved and saved.count(b"\n") == 1
    assert copy.stat().st_mode & 0o777 == 0o600
    ship.write(1)
    assert ship.run("restore", ship.file).returncode == 0
    assert copy.read_bytes().count(b"\n") == 2
    ship.open().close()
    reader = StateReader(ship.data)
    assert len(reader.bookings("main")) == 2
    reader.close()


def test_a_back_up_holds_no_secret_and_is_its_owners_alone(ship: Ship) -> None:
    """Passwords and keys do not leave the ship with it, and nobody else on the box may read it."""
    ship.run("save", ship.file)
    unpacked = ship.file.parent / "unpacked"
    unpacked.mkdir()
    subprocess.run(["tar", "-C", str(unpacked), "-xzf", str(ship.file)], check=True)
    content = b"".join(p.read_bytes() for p in unpacked.rglob("*") if p.is_file())
    assert b"secret" not in content and b"an authority" in content
    assert ship.file.stat().st_mode & 0o777 == 0o600
    assert not ship.file.with_name(ship.file.name + ".part").exists()


def test_saving_goes_on_beside_a_running_gateway(ship: Ship) -> None:
    """A store that is open and holds what is not yet in its main file is copied whole."""
    store = ship.open()
    store.commit(Batch([NewEvent(TOPIC, "alarm", m.alarm_event_body(transition(), UTC, 21_401.0))], [], {}))
    try:
        assert ship.run("save", ship.file).returncode == 0
    finally:
        store.close()
    before = ship.events()
    shutil.rmtree(ship.data)
    assert ship.run("restore", ship.file).returncode == 0
    assert ship.events() == before and len(before) == 6


def test_a_restore_over_a_running_gateway_is_refused(ship: Ship) -> None:
    """While the folder is held nothing is touched; a socket or lock file left behind by a kill is no obstacle."""
    ship.run("save", ship.file)
    store = ship.open()
    before = sorted((p.name, p.stat().st_mtime_ns) for p in ship.data.iterdir())
    done = ship.run("restore", ship.file)
    assert done.returncode == 2 and "the gateway runs; stop it first" in done.stderr
    assert sorted((p.name, p.stat().st_mtime_ns) for p in ship.data.iterdir()) == before
    store.close()
    (ship.data / "camdrift.sock").touch()
    assert (ship.data / "lock").exists()
    assert ship.run("restore", ship.file).returncode == 0


def test_a_damaged_store_is_not_saved_and_the_older_back_up_stays(ship: Ship) -> None:
    """The operator is told which file is damaged; what was saved before is untouched and brings the log book back."""
    assert ship.run("save", ship.file).returncode == 0
    good, whole = ship.file.read_bytes(), ship.rows("state.db")
    damaged = bytearray((ship.data / "state.db").read_bytes())
    damaged[100:] = os.urandom(len(damaged) - 100)
    (ship.data / "state.db").write_bytes(damaged)
    done = ship.run("save", ship.file)
    assert done.returncode == 2 and "state.db is damaged" in done.stderr
    assert ship.file.read_bytes() == good
    # What the daemon does with it: a new file, into which the log book comes from its second copy.
    ship.open().close()
    reader = StateReader(ship.data)
    assert [row.kind for row in reader.bookings("main")] == ["retightened"]
    reader.close()
    assert ship.run("restore", ship.file).returncode == 0
    assert ship.rows("state.db") == whole


@pytest.mark.parametrize("damage", ["cut", "other", "inside"])
def test_a_bad_back_up_changes_nothing(ship: Ship, damage: str) -> None:
    """A file that is cut short, is something else, or holds a damaged database is refused before anything moves."""
    assert ship.run("save", ship.file).returncode == 0
    if damage == "cut":
        ship.file.write_bytes(ship.file.read_bytes()[:-2_000])
    elif damage == "other":
        subprocess.run(["tar", "-C", str(ship.settings), "-czf", str(ship.file), "ship.toml"], check=True)
    else:
        part = ship.file.parent / "part"
        part.mkdir()
        subprocess.run(["tar", "-C", str(part), "-xzf", str(ship.file)], check=True)
        (part / "data/state.db").write_bytes(b"not a database, not a database")
        subprocess.run(["tar", "-C", str(part), "-czf", str(ship.file), "data", "settings", "left-out"], check=True)
    before = {p.name: p.read_bytes() for p in ship.data.iterdir() if p.name != "lock"}
    done = ship.run("restore", ship.file)
    assert done.returncode == 2 and "nothing was changed" in done.stderr
    assert {p.name: p.read_bytes() for p in ship.data.iterdir() if p.name != "lock"} == before


def test_what_was_there_stays_beside_and_settings_are_not_overwritten(ship: Ship) -> None:
    """A restore by mistake can be undone."""
    ship.run("save", ship.file)
    ship.write(3)
    later = ship.events()
    ship.put("ship.toml", "[vessel]\nnewer = true\n", 0o640)
    assert ship.run("restore", ship.file).returncode == 0
    assert "newer" in (ship.settings / "ship.toml").read_text()
    (beside,) = ship.data.glob("state.db.before-*")
    beside.rename(ship.data / "state.db")
    assert ship.events() == later and len(later) == 8


def test_after_a_restore_no_new_event_is_taken_for_an_old_one_ashore(ship: Ship, tmp_path: Path) -> None:
    """Numbers are given twice then; under the gateway's new number the shore keeps both, and sees no gap."""
    ship.run("save", ship.file)
    ship.write(2)
    lost = ship.events()
    assert ship.run("restore", ship.file).returncode == 0
    ship.write(4)
    new = ship.events()
    assert len(lost) == 7 and len(new) == 10
    ashore = FleetStore(f"sqlite:///{tmp_path / 'fleet.db'}")
    try:
        ashore.keep([check(topic, payload, PREFIX) for topic, payload in [*lost, *new]], UTC)
        ashore.advance(ashore.behind(), UTC)
        assert ashore.new_gaps(UTC + 1e6) == []
    finally:
        ashore.close()
    with sqlite3.connect(tmp_path / "fleet.db") as db:
        # Seven before, of which five came again to the byte; the link and four new ones, some with numbers used before.
        assert db.execute("SELECT count(*), count(DISTINCT gateway) FROM event").fetchone() == (12, 2)


@pytest.mark.parametrize("words", [[], ["save"], ["restore", "/nowhere/b.tar.gz"], ["wipe", "x"]])
def test_wrong_words_are_answered_with_the_right_ones(ship: Ship, words: list[str]) -> None:
    """Status 2 and one line."""
    done = ship.run(*words)
    assert done.returncode == 2 and done.stderr.startswith("backup.sh: ") and done.stderr.count("\n") == 1
