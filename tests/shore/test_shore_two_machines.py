"""Where one broker or one database machine ends: a second broker behind a bridge, a standby of the database."""

import json
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from mqtt_fakes import Mosquitto, needs_mosquitto, subscriber, until
from shore_rig import BROKER_LINES, PREFIX, PostgresServer, event, gateway_of, keeper, postgres_server, ship

from gateway.shore.database import open_database

pytestmark = [needs_mosquitto, pytest.mark.slow]

OUT = ("+/presence", "+/event", "+/+/event", "+/+/trend", "+/alarm/+", "+/+/alarm/+")
"""What goes from the ships' broker to the keepers'; receipts alone go the other way, so nothing goes round."""


def kept(url: str) -> list[int]:
    """Numbers of the events in the table."""
    with closing(open_database(url, make=False)) as db:
        return [int(seq) for (seq,) in db.run("SELECT seq FROM event ORDER BY seq")]


@pytest.fixture
def standby_of() -> Iterator[tuple[PostgresServer, PostgresServer]]:
    """A server and its standby; the first confirms nothing that the second does not have."""
    with postgres_server() as first, tempfile.TemporaryDirectory(prefix="camdrift-pg-") as folder:
        Path(folder).chmod(0o755)
        second = PostgresServer(Path(folder), of=first)
        try:
            with closing(open_database(first.url("postgres"), make=False)) as db:
                db.run("ALTER SYSTEM SET synchronous_standby_names = '*'")
                db.run("SELECT pg_reload_conf()")
            yield first, second
        finally:
            second.stop()


def test_keepers_go_on_with_the_standby_once_it_is_promoted(
    standby_of: tuple[PostgresServer, PostgresServer], tmp_path: Path
) -> None:
    """Pins that a store's URL that names both machines is all that a keeper needs: the first dies, the second is
    promoted, and the table there has every event once."""
    first, second = standby_of
    base = first.database().rsplit("/", 1)[1]
    both = f"postgresql://keeper@127.0.0.1:{first.port},127.0.0.1:{second.port}/{base}?target_session_attrs=read-write"
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker", *BROKER_LINES)
    try:
        with keeper(broker.port, both) as k, ship(broker.port) as s:
            until(lambda: "keeper.connected" in k.words(), "the keeper has connected", 60)
            s.say(*(event("a", seq) for seq in range(1, 51)))
            until(lambda: kept(first.url(base)) == list(range(1, 51)), "the first has them", 60)
            first.stop()
            s.say(*(event("a", seq) for seq in range(51, 101)))
            with closing(open_database(second.url("postgres"), make=False)) as db:
                db.run("SELECT pg_promote()")
            until(lambda: kept(second.url(base)) == list(range(1, 101)), "the second has all", 120)
            assert k.running
    finally:
        broker.stop()


def test_events_and_receipts_pass_a_bridge_between_two_brokers(tmp_path: Path) -> None:
    """Pins that ships at one broker and keepers at another need nothing but a bridge; what comes while the keepers'
    broker restarts waits at the ships'."""
    for name in ("ships", "keepers", "keepers/kept"):
        (tmp_path / name).mkdir()
        (tmp_path / name).chmod(0o777)
    shore = Mosquitto(
        tmp_path / "keepers", *BROKER_LINES, "persistence true", f"persistence_location {tmp_path}/keepers/kept/"
    )
    lines = [f"topic {PREFIX}/{tail} out 1" for tail in OUT]
    ships = Mosquitto(
        tmp_path / "ships", *BROKER_LINES, "connection shore", f"address 127.0.0.1:{shore.port}",
        "bridge_protocol_version mqttv50", "cleansession false", "restart_timeout 1", *lines,
        f"topic {PREFIX}/+/received in 1",
    )  # fmt: skip
    url = f"sqlite:///{tmp_path}/fleet.db"
    try:
        with (
            keeper(shore.port, url) as k,
            ship(ships.port) as s,
            subscriber(ships.port, f"{PREFIX}/+/received", "-q", "1") as aboard,
        ):

            def receipt() -> dict[str, object]:
                came = aboard.payloads(f"{PREFIX}/a/received")
                return json.loads(came[-1]) if came else {}

            until(lambda: "keeper.connected" in k.words(), "the keeper has connected", 60)
            s.say(*(event("a", seq) for seq in range(1, 51)))
            until(lambda: receipt().get("seq") == 50, "the receipt is at the ships' broker", 90)
            shore.stop()
            s.say(*(event("a", seq) for seq in range(51, 101)))
            shore.start()
            until(lambda: receipt().get("seq") == 100, "the receipt of all", 120)
            assert receipt()["gateway"] == gateway_of("a")
            assert kept(url) == list(range(1, 101))
    finally:
        ships.stop()
        shore.stop()
