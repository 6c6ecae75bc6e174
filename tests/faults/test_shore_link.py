"""The way ashore over a satellite link between two network namespaces: black-outs, kills, certificates, a closed ship.

Real daemon, keeper and brokers with the shipped settings, each on its side. `tests/bench/bench_blackout.py` does the
same for longer, and times it.
"""

import json
import shutil
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import daemon_rig as rig
import pytest
import satellite_rig as sat
from panel_path import TRANSDUCER_FAULT, discrete
from satellite_link import SHIP, SatelliteLink, Weather, needs_satellite, satellite
from shore_books import ashore, stored

SOON = {"backoff_s_min": 0.2, "backoff_s_max": 1.0}
pytestmark = [
    needs_satellite,
    pytest.mark.skipif(bool(sat.missing()), reason=f"not installed: {sat.missing()}"),
]


@pytest.fixture
def link() -> Iterator[SatelliteLink]:
    """A link with a little of everything, quick enough for a test."""
    with satellite(Weather(delay_s=0.03, loss=0.02)) as made:
        yield made


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet's certificates."""
    return sat.authority(tmp_path_factory.mktemp("tls") / "ca")


@pytest.mark.slow
def test_black_outs_and_kills_cost_no_event_and_no_alarm_aboard(link: SatelliteLink, tls: Path, tmp_path: Path) -> None:
    """Over a black-out in which gateway and shore broker are killed, the broker with its memory, every event is ashore
    once, in order, none missing; meanwhile the panel's Modbus and `status` aboard go on showing the alarm."""
    store, data = tmp_path / "fleet.db", tmp_path / "data"
    settings = sat.ship_settings(tmp_path, sat.shore_table(tls, **SOON))
    settings["modbus_tcp"] = {}
    at_once = {"on_delay_s": 0, "off_delay_s": 0}
    settings["engine"][0]["alarms"] |= dict.fromkeys(rig.RESTLESS_TAGS, at_once)
    config = rig.written(tmp_path, settings)
    with (
        sat.shore_broker(link.shore, tmp_path / "shore", tls) as broker,
        sat.process(link.shore, sat.keeper_words(tls, tmp_path, store), tmp_path / "keeper.log") as keeper,
        rig.head(tmp_path, rig.restless(tmp_path)),
    ):
        rig.until(lambda: keeper.told('"keeper.connected"'), "the keeper keeps")
        with sat.daemon(link.ship, config):
            rig.until(lambda: len(ashore(store)) >= 2, "the first events are ashore")
        link.set(up=False)
        with sat.daemon(link.ship, config):
            rig.until(lambda: "transducer-fault" in standing(config), "the alarm stands in `status`")
            with link.ship.inside():
                panel = discrete(1502)
                rig.until(lambda: panel.read_discrete_inputs(100 + TRANSDUCER_FAULT, 1) == [True], "and at the panel")
                panel.close()
            broker.kill(forgetting=True)
            broker.start()
            link.set(up=True)
            rig.until(lambda: sat.status(config)["brokers"]["shore"]["connected"], "connected again")
        with sat.daemon(link.ship, config) as last:
            assert sat.status(config)["brokers"]
            time.sleep(1.0)
            broker.kill()
            broker.start()
            assert last.end() == 0
        with sat.daemon(link.ship, config):
            rig.until(lambda: len(stored(data)) > 8, "enough has happened")
            ours = stored(data)
            rig.until(lambda: len(ashore(store)) >= len(ours), "all is ashore")
            theirs = ashore(store)
        assert [seq for seq, _ in theirs] == list(range(1, len(theirs) + 1))
        assert theirs[: len(ours)] == ours


def standing(config: Path) -> list[str]:
    """Tags of the alarms that `status` shows of the engine."""
    return [alarm["tag"] for alarm in sat.status(config)["engines"]["main"]["alarms"]]


def test_refused_certificates_are_told_and_the_right_one_mends_it(
    link: SatelliteLink, tls: Path, tmp_path: Path
) -> None:
    """A certificate that has ended, one that is not valid yet (a wrong clock looks the same), a stranger's, and a wrong
    authority: each is told in words in `status`, nothing is lost, and with the right files all goes out by itself."""
    mine = tmp_path / "mine"
    mine.mkdir()
    stranger = sat.authority(tmp_path / "stranger")
    good = {"ship.pem": tls / f"{sat.VESSEL}.pem", "ship.key": tls / f"{sat.VESSEL}.key", "ca.pem": tls / "ca.pem"}
    ended = sat.spoilt(tmp_path / "ended", tls, "20200101000000Z", "20210101000000Z")
    early = sat.spoilt(tmp_path / "early", tls, "20900101000000Z", "20910101000000Z")
    cases = (
        ({"ship.pem": ended / "ship.pem", "ship.key": ended / "ship.key"}, "our certificate has ended"),
        ({"ship.pem": early / "ship.pem", "ship.key": early / "ship.key"}, "may not be valid yet"),
        (
            {name: stranger / f"{sat.VESSEL}{name[4:]}" for name in ("ship.pem", "ship.key")},
            "who signed our certificate",
        ),
        ({"ca.pem": stranger / "ca.pem"}, "the broker's certificate is not accepted"),
    )
    broker_table = sat.shore_table(tls, mine, ca_file=str(mine / "ca.pem"), **SOON)
    config = rig.written(tmp_path, sat.ship_settings(tmp_path, broker_table))
    store = tmp_path / "fleet.db"
    with (
        sat.shore_broker(link.shore, tmp_path / "shore", tls),
        sat.process(link.shore, sat.keeper_words(tls, tmp_path, store), tmp_path / "keeper.log"),
    ):
        put(mine, good | cases[0][0])
        with sat.daemon(link.ship, config) as daemon:
            for files, words in cases:
                put(mine, good | files)
                rig.until(lambda w=words: w in sat.status(config)["brokers"]["shore"]["why_not"], words)  # type: ignore[misc]
                assert daemon.told(words)
            assert ashore(store) == []
            put(mine, good)
            rig.until(lambda: len(ashore(store)) >= len(stored(tmp_path / "data")) > 0, "all is ashore")


def put(folder: Path, files: dict[str, Path]) -> None:
    """Certificates in their places; a pair that does not fit together for a moment is only one more failed try."""
    for name, source in files.items():
        shutil.copy(source, folder / name)


@pytest.mark.slow
def test_after_a_black_out_alarms_go_first_then_events_then_trends(
    link: SatelliteLink, tls: Path, tmp_path: Path
) -> None:
    """With 300 events and a day's 24 trends waiting, a new alarm's state comes before all of them, the events in order,
    then each trend once, oldest first, so that the latest is what the broker retains; and the keeper keeps all."""
    store, table = tmp_path / "fleet.db", sat.shore_table(tls, **SOON)
    settings = sat.ship_settings(tmp_path, table)
    settings["engine"][0]["alarms"]["transducer-fault"] = {"on_delay_s": 0}
    config = rig.written(tmp_path, settings)
    broken = tmp_path / "broken.toml"
    broken.write_text(rig.toml_text({"event": [{"at_s": 1, "kind": "loop-broken"}]}))
    sat.fill(tmp_path / "data", table, 300, 1.0, time.time())
    link.set(up=False)
    lines: list[str] = []
    with (
        sat.shore_broker(link.shore, tmp_path / "shore", tls),
        sat.process(link.shore, sat.keeper_words(tls, tmp_path, store), tmp_path / "keeper.log") as keeper,
        sat.reading_lines(link.shore, sat.watcher_words(tls, "%t %p"), lines.append),
        rig.head(tmp_path, str(broken)),
        sat.daemon(link.ship, config) as daemon,
    ):
        rig.until(lambda: keeper.told('"keeper.connected"'), "the keeper keeps")
        rig.until(lambda: daemon.told('"tag": "transducer-fault", "came_from": "normal"'), "the alarm aboard")
        assert sat.status(config)["brokers"]["shore"]["trends_waiting"] == 24
        link.set(up=True)
        rig.until(lambda: sum("/trend " in line for line in lines) >= 24, "the trends are ashore")
        rig.until(lambda: len(sat.kept_trends(store)) == 24, "and kept")
        rig.until(lambda: sat.status(config)["brokers"]["shore"]["trends_waiting"] == 0, "and done aboard")
        standing: list[str] = []
        with sat.reading_lines(link.shore, sat.watcher_words(tls, "%t %p"), standing.append):
            rig.until(lambda: any("/trend " in line for line in standing), "the retained one")
    topics = [line.split(" ")[0] for line in lines]
    trends = [line for line in lines if "/trend " in line]
    first_event, first_trend = (next(n for n, t in enumerate(topics) if t.endswith(x)) for x in ("/event", "/trend"))
    assert "camdrift/1/tern-passage/main/alarm/transducer-fault" in topics[:first_event]
    assert sum(t.endswith("/event") for t in topics[:first_trend]) >= 300
    times = [json.loads(line.split(" ", 1)[1])["ts"] for line in trends]
    assert times == sorted(set(times)) and len(times) == 24
    assert [line for line in standing if "/trend " in line] == trends[-1:]


@pytest.mark.slow
def test_nothing_aboard_listens_towards_the_shore(tls: Path, tmp_path: Path) -> None:
    """All 65,535 TCP ports of the ship's address are tried from the shore's side, with daemon, page, Modbus and the
    ship's broker running as shipped: none takes a connection. A listener put there on purpose is found."""
    with satellite(Weather(delay_s=0.0)) as link:
        settings = sat.ship_settings(tmp_path, rig.broker_table(1883), sat.shore_table(tls, **SOON))
        settings["modbus_tcp"] = {}
        config = rig.written(tmp_path, settings)
        with sat.ships_broker(link.ship, tmp_path / "broker"), sat.daemon(link.ship, config):
            rig.until(lambda: all(f":{port} " in sat.listening(link.ship) for port in (1502, 1883, 8484)), "all listen")
            assert {line.split()[3].rpartition(":")[0] for line in sat.listening(link.ship).splitlines()} == {
                "127.0.0.1"
            }
            assert sat.open_ports(link.shore, SHIP, range(1, 65_536)) == []
            with link.ship.inside():
                trap = socket.create_server((SHIP, 0))
            with trap:
                port = trap.getsockname()[1]
                assert sat.open_ports(link.shore, SHIP, range(port - 50, min(port + 50, 65_535))) == [port]
