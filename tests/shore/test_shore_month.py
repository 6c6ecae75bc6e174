"""Thirty virtual days without a link: everything that the ship recorded is ashore afterwards, once and in order."""

import json
import sqlite3
from pathlib import Path

import pytest
from mqtt_fakes import broker_settings, mosquitto, needs_mosquitto, publish, subscriber, until
from shore_inside import inside
from shore_rig import BROKER_LINES, PREFIX, UTC, presence, transition, trend

from gateway.encode.messages import alarm_event_body, rfc3339
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.outlets.mqtt.link import BrokerLink
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.trends import EVERY_TREND

VESSEL = "tern-passage"
TOPICS = Topics(PREFIX, VESSEL)
CLASSES = ["alarm", "event", "trend"]
DAYS, EVENTS_A_DAY = 30, 10
pytestmark = needs_mosquitto


def voyage(store: StateStore, first_hour: int, end_hour: int) -> None:
    """Each hour a trend, ten transitions a day, each in a commit of its own."""
    states = (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    for hour in range(first_hour, end_hour):
        at = UTC + 3_600 * hour
        if hour % 24 < EVENTS_A_DAY:
            body = alarm_event_body(transition(to=states[hour % 2], came_from=states[hour % 2 - 1]), at, 100.0 + hour)
            store.commit(Batch([NewEvent(TOPICS.event("main"), "alarm", body)]))
        topic, said = trend(VESSEL, ts=rfc3339(at), hours=100.0 + hour)
        store.commit(Batch(retained=[NewRetained(topic, "trend", said)]))


def rows(path: Path, sql: str) -> list[tuple[str, ...]]:
    """From the keeper's store; empty while there is none."""
    try:
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        try:
            return db.execute(sql).fetchall()
        finally:
            db.close()
    except sqlite3.Error:
        return []


def subscribed(port: int, book: Path) -> bool:
    """Does the keeper hear another ship?"""
    topic, said = presence("probe")
    publish(port, topic, said.decode())
    return rows(book, "SELECT count(*) FROM vessel") == [(1,)]


@pytest.mark.slow
def test_thirty_days_without_a_link_are_all_ashore_afterwards(tmp_path: Path) -> None:
    """720 hourly trends and 300 events of 30 virtual days, the ship's store opened anew in the middle: over the real
    link thread, a real broker and a keeper all are kept, once; on the wire no trend goes before an event or an older
    trend; the latest is retained and is what the fleet's table shows."""
    book, brokers = tmp_path / "fleet.db", {"shore": frozenset([*CLASSES, EVERY_TREND])}
    store = StateStore(tmp_path / "d", GatewaySettings(), brokers=brokers, ballast_bytes=4_096)
    voyage(store, 0, 12 * DAYS)
    store.close()
    store = StateStore(tmp_path / "d", GatewaySettings(), brokers=brokers, ballast_bytes=4_096)
    voyage(store, 12 * DAYS, 24 * DAYS)
    store.prune(UTC + 86_400 * DAYS)
    with (
        mosquitto(tmp_path, *BROKER_LINES) as broker,
        inside(broker.port, f"sqlite:///{book}"),
        subscriber(broker.port, f"{PREFIX}/#") as heard,
    ):
        settings = broker_settings(broker.port, name="shore", classes=CLASSES, every_trend=True, needs_reader=True)
        link = BrokerLink(settings, lambda: OutboxReader(tmp_path / "d", "shore", store.acks), TOPICS, "0.1.0")
        until(lambda: subscribed(broker.port, book), "the keeper has subscribed")
        link.start()
        until(lambda: rows(book, "SELECT count(*) FROM trend") == [(24 * DAYS,)], "all trends are kept")
        assert link.stop()
        with subscriber(broker.port, TOPICS.trend("main")) as standing:
            until(lambda: bool(standing.payloads(TOPICS.trend("main"))), "the retained trend")
    events = [row.payload.decode() for row in store.events(0, 10_000)]
    assert len(events) == DAYS * EVENTS_A_DAY
    assert [text for (text,) in rows(book, "SELECT message FROM event ORDER BY rowid")] == events
    assert heard.payloads(TOPICS.event("main")) == events
    topics = [t for _, t, _ in heard.lines if VESSEL in t]
    assert topics == [TOPICS.event("main")] * len(events) + [TOPICS.trend("main")] * (24 * DAYS)
    said = heard.payloads(TOPICS.trend("main"))
    assert [json.loads(text)["ts"] for text in said] == [rfc3339(UTC + 3_600 * n) for n in range(24 * DAYS)]
    assert standing.payloads(TOPICS.trend("main")) == said[-1:]
    assert rows(book, "SELECT hours FROM engine_now") == [(100.0 + 24 * DAYS - 1,)]
    assert rows(book, "SELECT count(*) FROM refused") == [(0,)]
    store.close()
