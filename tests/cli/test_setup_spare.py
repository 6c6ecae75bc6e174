"""A spare box takes over, from the back-up stick and from ashore: log book, zero, running hours and learned figures are
compared with those of the box that was lost."""

import json
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drive_engines import tern
from setup_box import Box, aboard, answers, ashore
from shore_rig import PREFIX, UTC, event, trend

from gateway.app.engines import Engines
from gateway.app.publisher import Publisher
from gateway.app.stores import Stores
from gateway.encode.learned import learned_event_body
from gateway.encode.topics import Topics
from gateway.engine.maintenance import records_of
from gateway.model.errors import Refused
from gateway.model.output import Batch, NewEvent
from gateway.model.records import Median
from gateway.model.settings import GatewaySettings
from gateway.model.settings_file import load_settings, shipped_config
from gateway.shore.check import check
from gateway.shore.record import ship_record
from gateway.shore.store import FleetStore
from gateway.store.reader import StateReader
from gateway.store.state import StateStore
from gateway.wear.booking_check import new_booking, read_entry
from gateway.wear.bookings import Entry
from gateway.wear.datum import Datum
from gateway.wear.learned import learned_of, sent
from gateway.wear.logbook import rebase
from gateway.wear.trend import EngineWear, Side, Trend

SHIP = "tern-passage"
DATA = "/var/lib/camdrift"
HOURS = 21_900.25
pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
_DONE = {"utc_s": UTC - 9e6, "person": "2/E"}
WORK: list[dict[str, Any]] = [
    {"kind": "camshaft-set", "id": "set-1", "hours": 21_500.123, "raw_deg": 18.4321, "gauge_mm": 0.35,
     "note": "port (A)"},
    {"kind": "retightened", "id": "ret-1", "hours": 21_500.123, "free_length_mm": 203.2, "spring_before_mm": 183.1,
     "spring_after_mm": 179.95, "elongation_percent": 0.31},
    {"kind": "pumps-compensated", "id": "pumps-1", "hours": 21_600.0, "after_deg": [0.5, 0.5, 0.25]},
    {"kind": "links-measured", "id": "links-1", "hours": 21_610.0, "links": 20, "length_mm": 2_290.4},
    {"kind": "pressures", "id": "pres-1", "hours": 21_620.0, "taken": "before", "rpm": 98.5,
     "cylinders": [{"cylinder": 1, "max_bar": 141.5}, {"cylinder": 2, "max_bar": 140.0}]},
    {"kind": "loading", "id": "leg-1", "hours": 21_700.0, "condition": "laden", "draught_m": 11.4},
    {"kind": "note", "id": "note-1", "hours": 21_710.0, "note": "oil jets\ncleaned"},
    {"kind": "correction", "id": "fix-1", "hours": 21_800.0, "replaces": "ret-1", "entry": {
        "kind": "retightened", "id": "ret-2", "hours": 21_500.123, "free_length_mm": 203.1, "spring_after_mm": 179.9,
        **_DONE}},
]  # fmt: skip


class Ship:
    """The box that is lost: what its people entered, what it sent."""

    def __init__(self, folder: Path) -> None:
        self.data = folder
        self.entries: list[Entry] = []
        store = StateStore(folder, GatewaySettings(), brokers={}, events_topic=f"{PREFIX}/{SHIP}/event")
        self.gateway = store.gateway_id
        for n, data in enumerate(WORK):
            entry, stored = new_booking({**_DONE, **data})
            self.entries.append(entry)
            event, row = records_of(Topics(PREFIX, SHIP), "main", entry, stored, "root", UTC + n)
            store.commit(Batch([event], bookings=[row]))
        store.close()

    def sent(self) -> list[tuple[str, bytes]]:
        """All events and a trend."""
        with closing(sqlite3.connect(self.data / "state.db")) as db:
            events = [(t, bytes(p)) for t, p in db.execute("SELECT topic, payload FROM event ORDER BY seq")]
        return [*events, trend(SHIP, hours=HOURS)]


class Shore(Box):
    """Asks its store for real, as `setup` does it."""

    url = ""

    def run(self, *line: str | Path, within_s: float = 120.0) -> str:
        words = list(map(str, line))
        if "record" in words and words[0] == "runuser":
            words[words.index("--store") + 1] = self.url
            start = [sys.executable, "-m", "gateway.cli", "shore"]
            return super(Box, self).run(*start, *words[words.index("record") :], within_s=within_s)
        return super().run(*line, within_s=within_s)


def medians(n: int) -> list[Median]:
    """Ten minutes of every twenty at sea; the chain wears evenly."""
    noise = np.random.default_rng(1).standard_normal((n, 2))
    return [
        Median(UTC + 1_200.0 * k, HOURS + k / 6, 850, 0.9 + 2e-5 * k + 0.004 * a, 0.01, 180.4 + 0.02 * b, 0.02, 88.0,
               45.0, None, 0.6)
        for k, (a, b) in enumerate(noise.tolist())
    ]  # fmt: skip


def booked(data_dir: Path) -> list[Entry]:
    """The log book as the gateway has it after its start."""
    with closing(StateReader(data_dir)) as reader:
        return [read_entry(row.entry) for row in reader.bookings("main")]


def datum_of(entries: list[Entry]) -> Datum:
    """What lag and spring are counted from."""
    return rebase(tern(), entries)


def restored(data_dir: Path) -> list[str]:
    """The record's links to the gateway before, after the gateway's first start."""
    StateStore(data_dir, GatewaySettings(), brokers={}).close()
    with closing(sqlite3.connect(data_dir / "state.db")) as db:
        events = [json.loads(p) for (p,) in db.execute("SELECT payload FROM event ORDER BY seq")]
    return [e["text"] for e in events if e.get("what") == "restored"]


def kept_ashore(folder: Path, ship: Ship, *, without: int | None = None) -> Shore:
    """A shore that is set up and has what the ship sent, but for one event."""
    shore = Shore(folder)
    shore.url = f"sqlite:///{folder / 'fleet.db'}"
    store = FleetStore(shore.url)
    messages = [m for n, m in enumerate(ship.sent()) if n != without]
    store.keep([check(topic, payload, PREFIX) for topic, payload in messages], UTC + 1_000)
    store.close()
    file = folder / "shore.toml"
    file.write_text('host = "shore.example"\n')
    assert ashore(shore, file, no_start=True) == 0
    return shore


def test_from_ashore(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The log book comes out of the events, with its corrections; so zero and datum are those of the lost box. Running
    hours are the last trend's, settings those kept ashore; the record links the new number to the old one; what the
    shore does not have is listed."""
    ship = Ship(tmp_path / "lost")
    shore, spare = kept_ashore(tmp_path / "shore", ship), Box(tmp_path / "spare")
    settings = shipped_config("tern-passage.toml")
    assert ashore(shore, None, ship=SHIP, ship_settings=settings) == 0  # when she was new
    with pytest.raises(Refused, match="--spare"):
        aboard(spare, answers(tmp_path), restore=shore.at(f"/root/{SHIP}.bundle"))
    capsys.readouterr()
    assert ashore(shore, None, ship=SHIP, spare=True) == 0
    assert "Not ashore: what the trend has learned" in capsys.readouterr().out
    file = tmp_path / "answers.toml"
    file.write_text('head_port = "socket://127.0.0.1:1"\n')
    assert aboard(spare, file, restore=shore.at(f"/root/{SHIP}.bundle")) == 0
    told = capsys.readouterr().out
    assert f"{len(WORK)} records of work" in told and f"{HOURS:,.1f} h, lag 1.20°" in told
    assert "it is not ashore: what the trend has learned" in told.partition("Left to do")[2]
    data = spare.at(DATA)
    assert booked(data) == ship.entries
    lost, new = datum_of(ship.entries), datum_of(booked(data))
    assert new == lost and new.zero_deg == pytest.approx(18.4321 - new.lag_at_set_deg)
    assert new.free_length_mm == 203.1
    s = load_settings(spare.at("/etc/camdrift/ship.toml"))
    assert (s.vessel.name, s.vessel.slug, s.engine[0].service.hours_at_start) == ("Tern Passage", SHIP, HOURS)
    assert [b.name for b in s.broker if b.tls] == ["shore"]
    (text,) = restored(data)
    assert ship.gateway in text and not restored(tmp_path / "lost")
    assert all(spare.owners[p.name] == ("camdrift", "camdrift") for p in data.glob("*.db"))


def trend_now(wear: EngineWear) -> Trend:
    """As it stands after a median more."""
    *_, last = medians(1_441)
    return wear.trend(last.utc_s, last.hours, last.lag_deg, last.spring_mm)


def learned_aboard(ship: Ship, n: int = 1_440) -> EngineWear:
    """So many medians at sea: what the lost box's trend has learned, sent as the engine's thread does it."""
    wear = EngineWear(tern(), datum_of(ship.entries))
    for row in medians(n):
        wear.add(row, Side(None, None))
    store = StateStore(ship.data, GatewaySettings(), brokers={}, events_topic=f"{PREFIX}/{SHIP}/event")
    for n in range(2):  # a message holds forty rows
        message = learned_of(wear, UTC + 9e5 + n, HOURS + 240)
        body = learned_event_body(message, "1.0")
        store.commit(Batch([NewEvent(f"{PREFIX}/{SHIP}/event", "gateway", body)]))
        sent(wear, message)
    store.close()
    return wear


def started(spare: Box) -> tuple[EngineWear, list[str]]:
    """The trend of the gateway on that box after its first start, and what is on record of it."""
    settings = load_settings(spare.at("/etc/camdrift/ship.toml"))
    topics = Topics(settings.gateway.topic_prefix, SHIP)
    stores = Stores(settings, topics, spare.at(DATA), 60.0)
    engines = Engines(settings, topics, stores, Publisher(stores.writer, topics, []), lambda: True)
    stores.close()
    wear = engines.threads["main"]._pipeline.wear.series
    return wear, list(engines.taken_over.get("main", ()))


@pytest.mark.slow
def test_learned_figures_from_ashore(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They come with the log book: the spare box forecasts as the lost one would, within rounding, and says what it
    took over. Its running hours begin where they end."""
    ship = Ship(tmp_path / "lost")
    lost = learned_aboard(ship)
    shore, spare = kept_ashore(tmp_path / "shore", ship), Box(tmp_path / "spare")
    assert ashore(shore, None, ship=SHIP, ship_settings=shipped_config("tern-passage.toml"), spare=True) == 0
    told = capsys.readouterr().out
    assert f"main: learned figures up to {HOURS + 240:,.0f} h" in told and "Not ashore: what the trend" not in told
    assert aboard(spare, answers(tmp_path), restore=shore.at(f"/root/{SHIP}.bundle")) == 0
    told = capsys.readouterr().out
    rows = lost.lag.fit.rows
    assert f"taken over: main, lag: {rows} of {rows} rows" in told and "learned again" not in told
    wear, texts = started(spare)
    assert [text[:10] for text in texts] == ["main, lag:", "main, spri"]
    old, new = trend_now(lost), trend_now(wear)
    for a, b in ((old.lag_deg_per_1000h, new.lag_deg_per_1000h), (old.lag_deg, new.lag_deg)):
        assert (b.p05, b.p50, b.p95) == pytest.approx((a.p05, a.p50, a.p95), rel=5e-3)
    assert load_settings(spare.at("/etc/camdrift/ship.toml")).engine[0].service.hours_at_start == HOURS + 240


@pytest.mark.slow
def test_learned_figures_that_do_not_belong_are_left(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With another transducer in the settings the spring is learned again; figures of a gateway before the last one are
    not used at all. Both are said, and the forecast is not known yet."""
    ship = Ship(tmp_path / "lost")
    learned_aboard(ship, 700)
    settings = tmp_path / "other.toml"
    text = shipped_config("tern-passage.toml").read_text()
    settings.write_text(text.replace("at_20ma_mm = 230.0", "at_20ma_mm = 231.0"))
    assert settings.read_text() != text
    shore, spare = kept_ashore(tmp_path / "shore", ship), Box(tmp_path / "spare")
    assert ashore(shore, None, ship=SHIP, ship_settings=settings, spare=True) == 0
    assert aboard(spare, answers(tmp_path), restore=shore.at(f"/root/{SHIP}.bundle")) == 0
    assert "Not taken over: main, spring: the transducer's line" in capsys.readouterr().out
    wear, _ = started(spare)
    assert (wear.lag.fit.rows > 0, wear.spring.fit.rows) == (True, 0)
    store = FleetStore(shore.url)
    later = event(SHIP, 990_000, gateway="11111111-2222-3333-4444-555555555555")
    store.keep([check(*later, PREFIX)], UTC + 2e6)
    store.close()
    record = ship_record(shore.url, SHIP, UTC)
    assert record["learned"] == {} and any("555555555555 was heard last" in x
                                           for x in record["missing"])  # fmt: skip


@pytest.mark.slow
def test_what_never_arrived_ashore_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A record of work that the shore lacks, and settings that were never there."""
    ship = Ship(tmp_path / "lost")
    shore = kept_ashore(tmp_path / "shore", ship, without=2)
    assert ashore(shore, None, ship=SHIP, spare=True) == 0
    told = capsys.readouterr().out
    assert f"Not ashore: 1 events of gateway {ship.gateway}" in told and "Not ashore: her settings" in told
    with pytest.raises(Refused, match="no event of it is kept here"):
        ashore(shore, None, ship="second-ship", spare=True)


def test_records_from_before_ids_were_sent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They come back under a name of their own, the same at each try; one that cannot be read is counted and named."""
    ship = Ship(tmp_path / "lost")
    with closing(sqlite3.connect(ship.data / "state.db")) as db:
        rows = db.execute("SELECT seq, payload FROM event").fetchall()
        for seq, payload in rows:
            event = json.loads(payload)
            event["after"].pop("record_id")
            if event["what"] == "links-measured":
                event["after"].pop("links")
            db.execute("UPDATE event SET payload=? WHERE seq=?", (json.dumps(event).encode(), seq))
        db.commit()
    shore, spare = kept_ashore(tmp_path / "shore", ship), Box(tmp_path / "spare")
    settings = shipped_config("tern-passage.toml")
    assert ashore(shore, None, ship=SHIP, spare=True, ship_settings=settings) == 0
    assert aboard(spare, answers(tmp_path), restore=shore.at(f"/root/{SHIP}.bundle")) == 0
    assert "1 records of work that cannot be read back" in capsys.readouterr().out
    back = booked(spare.at(DATA))
    assert [e.kind for e in back] == [e.kind for e in ship.entries if e.kind != "links-measured"]
    assert back[0].id == f"{ship.gateway[:8]}-1" and datum_of(back).zero_deg == datum_of(ship.entries).zero_deg


@pytest.mark.skipif(shutil.which("flock") is None, reason="flock is not installed")
def test_from_the_stick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """What the trend has learned comes too: the spare box forecasts the same, to the last digit, and learns on."""
    ship = Ship(tmp_path / "lost")
    datum = datum_of(ship.entries)
    learned = EngineWear(tern(), datum)
    for row in medians(1_440):
        learned.add(row, Side(None, None))
    store = StateStore(ship.data, GatewaySettings(), brokers={})
    store.commit(Batch(checkpoints={"wear/main": learned.state()}))
    store.close()
    spare, stick = Box(tmp_path / "spare"), tmp_path / "stick.tar.gz"
    lost = Box(tmp_path / "old")
    lost.at("/etc/camdrift").mkdir(parents=True)
    lost.at("/etc/camdrift/ship.toml").write_text(shipped_config("tern-passage.toml").read_text())
    script = str(spare.share("backup.sh"))
    for name, value in (("DATA", ship.data), ("SETTINGS", lost.at("/etc/camdrift")), ("PYTHON", sys.executable)):
        monkeypatch.setenv(f"CAMDRIFT_{name}", str(value))
    lost.run("sh", script, "save", stick)
    spare.at("/etc/camdrift").mkdir(parents=True)
    monkeypatch.setenv("CAMDRIFT_DATA", str(spare.at(DATA)))
    monkeypatch.setenv("CAMDRIFT_SETTINGS", str(spare.at("/etc/camdrift")))
    assert aboard(spare, answers(tmp_path), restore=stick) == 0
    data = spare.at(DATA)
    assert booked(data) == ship.entries and datum_of(booked(data)) == datum
    with closing(StateReader(data)) as reader:
        kept = reader.checkpoint("wear/main")
    again = EngineWear(tern(), datum_of(booked(data)))
    assert isinstance(kept, dict)
    again.load(kept)
    *_, last = medians(1_500)
    for wear in (learned, again):
        wear.add(last, Side(None, None))
    figures = [w.trend(last.utc_s, last.hours, last.lag_deg, last.spring_mm, 0.0) for w in (learned, again)]
    assert figures[0] == figures[1] and figures[0].lag_deg_per_1000h.p50 is not None
    (text,) = restored(data)
    assert ship.gateway in text
    assert "are invented" not in capsys.readouterr().out
