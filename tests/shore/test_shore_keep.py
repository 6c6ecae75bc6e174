"""Keepers as processes against a real Mosquitto: nothing lost, nothing doubled, whatever dies."""

import itertools
import json
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
from mqtt_fakes import Mosquitto, mosquitto, needs_mosquitto, publish, subscriber, until
from shore_inside import inside
from shore_rig import BROKER_LINES, alarm, event, gateway_of, keeper, presence, ship, trend

from gateway.model.enums import AlarmState
from gateway.model.errors import StorageError
from gateway.shore.check import MESSAGE_BYTES_MAX
from gateway.shore.database import open_database

pytestmark = needs_mosquitto
PERSISTENT = ("persistence true", "autosave_on_changes true", "autosave_interval 1")


def count(url: str, sql: str) -> Any:
    """The first cell of a query; 0 while the store is not yet made."""
    try:
        db = open_database(url, make=False)
    except StorageError:
        return 0
    try:
        return db.run(sql)[0][0]
    except (StorageError, IndexError, sqlite3.Error):
        return 0
    finally:
        db.close()


def in_place(broker: Mosquitto, url: str, vessel: str = "probe") -> None:
    """Wait until a keeper keeps what is published now."""
    numbers = itertools.count(1)

    def heard() -> bool:
        topic, payload = event(vessel, next(numbers))
        publish(broker.port, topic, payload.decode())
        time.sleep(0.15)
        return bool(count(url, f"SELECT count(*) FROM event WHERE vessel = '{vessel}'"))

    until(heard, "a keeper keeps")


def seqs(url: str, vessel: str) -> list[int]:
    """The numbers kept of a vessel, in order."""
    db = open_database(url, make=False)
    try:
        return [n for (n,) in db.run("SELECT seq FROM event WHERE vessel = ? ORDER BY seq", (vessel,))]
    finally:
        db.close()


POSTGRESQL_LATER = pytest.mark.parametrize(
    "store_url", ["sqlite", pytest.param("postgresql", marks=pytest.mark.slow)], indirect=True
)
"""For what takes long; the quick tests here and those of the store go through both."""


def test_a_keeper_keeps_every_class_and_tells_what_has_arrived(tmp_path: Path, store_url: str) -> None:
    """Pins the whole way: from the broker into each table, and the receipt back, retained, by the interface."""
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, store_url, "1") as one:
        in_place(broker, store_url)
        with subscriber(broker.port, "camdrift/1/a/received") as aboard, ship(broker.port) as a:
            a.say(presence("a"), trend("a"), alarm("a", AlarmState.UNACKNOWLEDGED), event("a", 1), event("a", 2))
            until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 2, "events are kept")
            for table in ("trend", "alarm", "engine_now"):
                until(lambda t=table: count(store_url, f"SELECT count(*) FROM {t}") == 1, table)
            # A first receipt waits for the keepers to settle; that it is right is seen from the books.
            until(lambda: count(store_url, "SELECT upto_seq FROM gateway WHERE vessel = 'a'") == 2, "the books")
            assert aboard.payloads("camdrift/1/a/received") == []
        assert one.stop() == 0
        assert "refused 0" in one.words()


def test_a_receipt_is_retained_and_says_what_is_kept(tmp_path: Path) -> None:
    """Pins topic, form and content of `received`, with the settling time at nought."""
    url = f"sqlite:///{tmp_path / 'f.db'}"
    with (
        mosquitto(tmp_path, *BROKER_LINES) as broker,
        inside(broker.port, url, settle_s=0.0, books_s=0.1),
        ship(broker.port) as a,
    ):
        in_place(broker, url)
        a.say(*(event("a", n) for n in (7, 8, 10)))
        until(lambda: count(url, "SELECT receipt_seq FROM gateway WHERE vessel = 'a'") == 8, "the receipt is told")
        with subscriber(broker.port, "camdrift/1/a/received") as aboard:
            until(lambda: bool(aboard.lines), "the receipt is retained")
            said = json.loads(aboard.payloads("camdrift/1/a/received")[0])
    assert (said["v"], said["gateway"], said["seq"]) == (1, gateway_of("a"), 8)


@pytest.mark.slow
@POSTGRESQL_LATER
@pytest.mark.parametrize("keepers", [2, pytest.param(3, marks=pytest.mark.slow)])
def test_keepers_killed_at_any_time_lose_and_double_nothing(tmp_path: Path, store_url: str, keepers: int) -> None:
    """Pins the promise: kill -9 of each keeper in turn while ships speak; all events are kept once, the books whole."""
    total = 1_500
    with mosquitto(tmp_path, *BROKER_LINES) as broker:
        names = [str(n) for n in range(keepers)]
        with keeper(broker.port, store_url, names[0]) as first:
            others = [keeper(broker.port, store_url, name) for name in names[1:]]
            team = [first, *(o.__enter__() for o in others)]
            try:
                in_place(broker, store_url)
                with ship(broker.port) as a:
                    victims = itertools.cycle(team)
                    for at in range(1, total, 100):
                        a.say(*(event("a", n) for n in range(at, at + 100)))
                        victim = next(victims)
                        victim.kill()
                        victim.start()
                until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == total, "all kept")
                until(lambda: count(store_url, "SELECT upto_seq FROM gateway WHERE vessel = 'a'") == total, "books")
                assert all(k.running for k in team)
            finally:
                for o in others:
                    o.__exit__(None, None, None)
        assert seqs(store_url, "a") == list(range(1, total + 1))


@POSTGRESQL_LATER
def test_what_comes_while_a_keeper_is_dead_waits_for_it(tmp_path: Path, store_url: str) -> None:
    """Pins that a keeper started again under its name gets what was said meanwhile."""
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, store_url) as one:
        in_place(broker, store_url)
        one.kill()
        with ship(broker.port) as a:
            a.say(*(event("a", n) for n in range(1, 301)))
        one.start()
        until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 300, "all kept")


@pytest.mark.slow
@POSTGRESQL_LATER
def test_a_keeper_gone_for_good_is_drained_by_another(tmp_path: Path, store_url: str) -> None:
    """Pins `--drain`: what waits for a name that will not come back is kept, and the broker shares with it no more."""
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, store_url, "stays") as stays:
        with keeper(broker.port, store_url, "goes") as goes, ship(broker.port) as a:
            in_place(broker, store_url)
            until(lambda: "keeper.connected" in goes.words(), "both are there")
            goes.kill()
            a.say(*(event("a", n) for n in range(1, 101)))
            time.sleep(1)
            assert count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") < 100
            with keeper(broker.port, store_url, "goes", "--drain") as drain:
                assert drain.wait() == 0
            assert seqs(store_url, "a") == list(range(1, 101))
            a.say(*(event("a", n) for n in range(101, 201)))
            until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 200, "one keeps all")
        assert stays.running


@pytest.mark.slow
@POSTGRESQL_LATER
def test_a_broker_killed_and_started_again_loses_nothing_it_had_saved(tmp_path: Path, store_url: str) -> None:
    """Pins that a keeper comes back by itself, and goes on where it was, after kill -9 of a broker with its disk."""
    lines = (*BROKER_LINES, *PERSISTENT, f"persistence_location {tmp_path}/")
    with mosquitto(tmp_path, *lines) as broker, keeper(broker.port, store_url) as one:
        in_place(broker, store_url)
        one.kill()
        with ship(broker.port) as a:
            a.say(*(event("a", n) for n in range(1, 101)))
        last = event("a", 100)[1]
        until(lambda: last in (tmp_path / "mosquitto.db").read_bytes(), "the broker has saved the last one")
        one.start()
        broker.kill()
        broker.start()
        until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 100, "all kept")
        with ship(broker.port) as a:
            a.say(event("a", 101))
        until(lambda: count(store_url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 101, "and what follows")


@pytest.mark.slow
def test_a_database_that_is_away_costs_nothing_but_time(tmp_path: Path) -> None:
    """Pins that nothing is acknowledged that is not kept: the store is locked by another while a ship speaks."""
    path = tmp_path / "f.db"
    url = f"sqlite:///{path}"
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, url) as one, ship(broker.port) as a:
        in_place(broker, url)
        lock = sqlite3.connect(path, isolation_level=None)
        lock.execute("BEGIN IMMEDIATE")
        a.say(*(event("a", n) for n in range(1, 51)))
        time.sleep(1)
        one.kill()
        lock.execute("ROLLBACK")
        assert lock.execute("SELECT count(*) FROM event WHERE vessel = 'a'").fetchone() == (0,)
        one.start()
        until(lambda: count(url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 50, "all kept afterwards")
        lock.close()


def test_bad_huge_and_too_many_messages_are_refused_and_the_good_ones_kept(tmp_path: Path, store_url: str) -> None:
    """Pins that a hostile ship is counted by reason, bounded, and harms no other."""
    with mosquitto(tmp_path, *BROKER_LINES) as broker:
        with keeper(broker.port, store_url, "1", "--rate", "0.001", "--burst", "50") as one, ship(broker.port) as a:
            in_place(broker, store_url)
            topic, good = event("bad", 1)
            a.say((topic, b"{}"), (topic, b"\xff\xfe"), (topic, good[:-1]), (topic, b"x" * (MESSAGE_BYTES_MAX + 1)),
                  ("camdrift/1/BAD/event", good), ("camdrift/1/bad/alarm/lag-limit", good))  # fmt: skip
            a.say(*(event("flood", n) for n in range(1, 81)), *(event("a", n) for n in range(1, 11)))
            until(lambda: len(seqs(store_url, "a")) == 10, "the good ship's are kept")

            def refused() -> dict[tuple[str, str], int]:
                db = open_database(store_url, make=False)
                found = db.run("SELECT vessel, reason, messages FROM refused_count")
                db.close()
                return {(v, r): n for v, r, n in found}

            wanted = {("bad", "schema"): 4, ("bad", "size"): 1, ("", "topic"): 1, ("flood", "rate"): 30}
            until(lambda: sum(refused().values()) == 36, "all are counted")
            assert refused() == wanted
            assert len(seqs(store_url, "flood")) == 50
            assert one.running


def test_what_stood_at_the_broker_before_the_first_keeper_is_fetched(tmp_path: Path, store_url: str) -> None:
    """Pins that retained states, which a shared subscription does not bring, are in the store all the same."""
    with mosquitto(tmp_path, *BROKER_LINES) as broker, ship(broker.port) as a:
        a.say(trend("a"), alarm("a", AlarmState.ACKNOWLEDGED), presence("a"), retain=True)
        with keeper(broker.port, store_url):
            until(lambda: count(store_url, "SELECT state FROM alarm") == "acknowledged", "the alarm")
            until(lambda: count(store_url, "SELECT engine FROM engine_now") == "main", "the trend")


@pytest.mark.slow
def test_two_keepers_of_one_name_lose_nothing_and_say_what_is_wrong(tmp_path: Path) -> None:
    """Pins that a name used twice is harmless to the events and told, also where the broker cuts without a word."""
    url = f"sqlite:///{tmp_path / 'f.db'}"
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, url) as first:
        in_place(broker, url)
        with keeper(broker.port, url), ship(broker.port) as a:
            until(lambda: "--name" in first.words() or not first.running, "the first tells of it")
            a.say(*(event("a", n) for n in range(1, 51)))
            until(lambda: count(url, "SELECT count(*) FROM event WHERE vessel = 'a'") == 50, "all kept")


def test_without_a_group_a_keeper_subscribes_for_itself(tmp_path: Path) -> None:
    """Pins `--group ''`: plain subscriptions, for a broker that does not share."""
    url = f"sqlite:///{tmp_path / 'f.db'}"
    with mosquitto(tmp_path, *BROKER_LINES) as broker, keeper(broker.port, url, "1", "--group", ""):
        in_place(broker, url)
