"""Events that the broker has confirmed and no keeper ever got: the ship holds them, and sends them again."""

import random
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from pathlib import Path

import daemon_rig as rig
import pytest
import satellite_rig as sat
from in_process import camdrift
from mqtt_fakes import mosquitto, needs_mosquitto, subscriber
from shore_books import stored
from shore_rig import BROKER_LINES, keeper

from gateway.model.errors import StorageError
from gateway.shore.database import open_database

pytestmark = [needs_mosquitto, pytest.mark.slow]
ASHORE = "camdrift/1/+/+/event"
FORGETFUL = (*BROKER_LINES, "persistence false")


def ashore(url: str) -> list[int]:
    """The numbers kept, in order; none while there is no store."""
    try:
        db = open_database(url, make=False)
    except StorageError:
        return []
    try:
        return [int(n) for (n,) in db.run("SELECT seq FROM event ORDER BY seq")]
    except StorageError:
        return []
    finally:
        db.close()


@contextmanager
def ship(folder: Path, port: int) -> Iterator[Path]:
    """A daemon with a steady head; gives its settings."""
    config = rig.written(folder, rig.example(folder, port))
    with rig.head(folder), rig.daemon(config):
        sat.status(config)
        yield config


def book(config: Path, n: int) -> None:
    """Somebody aboard writes `n` notes: an event each."""
    for _ in range(n):
        done = camdrift("book", config, "note", "--person", "Second Engineer", "--note", "oil jets cleaned")
        assert done.returncode == 0, done.stderr


def all_is_ashore(url: str, data: Path) -> None:
    """Wait until everything that the ship holds now is ashore."""
    ours = [seq for seq, _ in stored(data)]
    rig.until(lambda: set(ours) <= set(ashore(url)), "all that the ship holds is ashore")
    theirs = ashore(url)
    assert theirs == sorted(set(theirs))


def test_events_that_only_a_watcher_got_come_again(tmp_path: Path, store_url: str) -> None:
    """The broker confirms what it passes on to anybody. Over: no keeper from the beginning, a keeper that was gone and
    whose session the broker has lost, with a reader subscribed throughout."""
    data = tmp_path / "data"
    with mosquitto(tmp_path, *FORGETFUL) as broker, subscriber(broker.port, ASHORE):
        with ship(tmp_path, broker.port) as config:
            book(config, 3)
            with keeper(broker.port, store_url) as one:
                rig.until(lambda: one.words().count("keeper.connected"), "the keeper keeps")
                # A gateway of which the shore has never heard makes itself known by its next event.
                book(config, 1)
                all_is_ashore(store_url, data)
                assert one.stop() == 0
            broker.kill()
            broker.start()
            rig.until(lambda: sat.status(config)["brokers"]["ship"]["connected"], "connected again")
            with subscriber(broker.port, ASHORE):
                book(config, 3)
                rig.until(lambda: not sat.status(config)["brokers"]["ship"]["waiting"], "the broker has them all")
                assert len(stored(data)) - len(ashore(store_url)) >= 3
                with keeper(broker.port, store_url):
                    all_is_ashore(store_url, data)
            shown = sat.status(config)["brokers"]["ship"]
            assert shown["sent_again"] >= 3 and shown["lost_ashore"] == []


@pytest.mark.parametrize("seed", range(4))
def test_whatever_dies_in_whatever_order(tmp_path: Path, seed: int) -> None:
    """Keeper and broker killed and started in any order, the broker with its memory, watchers there or not; then all
    are up, the ship makes no more events, and everything is ashore."""
    rng, data, url = random.Random(seed), tmp_path / "data", f"sqlite:///{tmp_path / 'fleet.db'}"
    with ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path, *FORGETFUL))
        config = stack.enter_context(ship(tmp_path, broker.port))
        one = stack.enter_context(keeper(broker.port, url))
        for _ in range(6):
            act = rng.choice(("keeper", "broker", "watched"))
            if act == "keeper" or rng.random() < 0.3:
                one.kill()
            if act == "broker" or rng.random() < 0.3:
                broker.kill()
                broker.start()
            with subscriber(broker.port, ASHORE) if act == "watched" else nullcontext():
                book(config, rng.randint(1, 3))
            if not one.running and rng.random() < 0.5:
                one.start()
        if not one.running:
            one.start()
        if not ashore(url):
            # A gateway of which the shore has never heard makes itself known by its next event.
            rig.until(lambda: book(config, 1) or ashore(url), "a first event is ashore")
        all_is_ashore(url, data)
