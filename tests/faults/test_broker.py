"""The broker dies and comes back; the outbox is the real store, the broker a real Mosquitto that keeps nothing."""

import contextlib
import random
from collections.abc import Iterator
from pathlib import Path

from mqtt_fakes import Mosquitto, Subscriber, broker_settings, mosquitto, needs_mosquitto, subscriber, until

from gateway.encode.checked import parse_event
from gateway.encode.messages import alarm_event_body, alarm_state_payload
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState, Priority
from gateway.model.output import Batch
from gateway.model.records import Transition
from gateway.model.settings import GatewaySettings
from gateway.outlets.mqtt.link import BrokerLink
from gateway.store.outbox import OutboxReader
from gateway.store.state import NewEvent, NewRetained, StateStore

pytestmark = needs_mosquitto
TOPICS = Topics("camdrift/1", "t")
EVENT, ALARM = TOPICS.event("main"), TOPICS.alarm("main", "lag-near")


@contextlib.contextmanager
def at_work(folder: Path, port: int) -> Iterator[tuple[StateStore, BrokerLink]]:
    """A store and the link that empties it."""
    broker = broker_settings(port)
    store = StateStore(folder, GatewaySettings(), brokers={broker.name: frozenset(broker.classes)}, ballast_bytes=0)
    link = BrokerLink(broker, lambda: OutboxReader(folder, broker.name, store.acks), TOPICS, "0.1.0")
    link.start()
    try:
        yield store, link
    finally:
        assert link.stop(1.0)
        store.close()


def raise_alarm(store: StateStore, link: BrokerLink, utc_s: float) -> int:
    """One transition and the state it leads to, in one commit; its seq."""
    t = Transition(
        0, "main", "lag-near", Priority.WARNING, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, 1.6, 1.5, "°", ""
    )
    state = alarm_state_payload(
        no=0, tag=t.tag, state=t.to, priority=t.priority, utc_s=utc_s, since_utc_s=utc_s, value=1.6, limit=1.5, unit="°"
    )
    event = NewEvent(EVENT, "alarm", alarm_event_body(t, utc_s, 21_400.0))
    (seq,) = store.commit(Batch([event], [NewRetained(ALARM, "alarm", state)]))
    link.wake.set()
    return seq


def seen(reader: Subscriber) -> list[tuple[str, int]]:
    """(gateway, seq) of each event that came, copies included; each read by the message's own model."""
    return [(e.gateway, e.seq) for e in (parse_event(p.encode()) for p in reader.payloads(EVENT))]


def again(broker: Mosquitto, readers: contextlib.ExitStack) -> Subscriber:
    """Kill the broker, start it on the same port, and listen once more."""
    broker.kill()
    readers.close()
    broker.start()
    return readers.enter_context(subscriber(broker.port))


def test_broker_killed_and_back(tmp_path: Path) -> None:
    """Pins that what is raised while the broker is dead arrives after it is back, in order, without a gap, and that the
    alarm's state, which the broker has lost with its life, is said again."""
    with (
        mosquitto(tmp_path) as broker,
        contextlib.ExitStack() as readers,
        at_work(tmp_path / "d", broker.port) as (st, li),
    ):
        first = readers.enter_context(subscriber(broker.port))
        for n in range(20):
            raise_alarm(st, li, 1e9 + n)
        until(lambda: len(first.payloads(EVENT)) == 20, "20 events before")
        broker.kill()
        until(lambda: not li.status().connected, "the loss is noticed")
        last = [raise_alarm(st, li, 2e9 + n) for n in range(30)][-1]
        second = again(broker, readers)
        until(lambda: li.status().place == last, "all are acknowledged")
        until(lambda: bool(second.payloads(ALARM)), "the state is said again")
        late = readers.enter_context(subscriber(broker.port))
        until(lambda: any(r == "1" and t == ALARM for r, t, _ in late.lines), "the state is retained")
    assert [seq for _, seq in seen(first)] == list(range(1, 21))


def test_broker_killed_at_random_moments(tmp_path: Path) -> None:
    """Pins, over kills with -9 of the broker while events pour in (seed 7): first arrivals come in order,
    the place never goes back, all are acknowledged in the end, and copies carry the same bytes."""
    chance, got = random.Random(7), []
    with (
        mosquitto(tmp_path) as broker,
        contextlib.ExitStack() as readers,
        at_work(tmp_path / "d", broker.port) as (st, li),
    ):
        reader = readers.enter_context(subscriber(broker.port))
        last = 0
        for _ in range(6):
            for n in range(chance.randrange(5, 40)):
                last = raise_alarm(st, li, 1e9 + n)
            old, before = reader, li.status().place
            reader = again(broker, readers)
            got += old.payloads(EVENT)
            assert li.status().place >= before
        # The broker keeps nothing: all before may have gone out while nobody listened, so one more.
        last = raise_alarm(st, li, 2e9)
        until(lambda: li.status().place == last, "all are acknowledged")
        until(lambda: bool(reader.payloads(EVENT)) and seen(reader)[-1][1] == last, "the last event has come")
        got += reader.payloads(EVENT)
        gateway = seen(reader)[0][0]
    by_seq: dict[int, set[str]] = {}
    for payload in got:
        by_seq.setdefault(parse_event(payload.encode()).seq, set()).add(payload)
    assert list(by_seq) == sorted(by_seq)
    assert all(len(copies) == 1 for copies in by_seq.values())
    assert {parse_event(p.encode()).gateway for p in got} == {gateway}


def test_daemon_side_restart_goes_on_from_its_place(tmp_path: Path) -> None:
    """Pins that after a clean stop the next start sends only what is new, with `seq` going on."""
    with mosquitto(tmp_path) as broker, subscriber(broker.port) as reader:
        for start in range(3):
            with at_work(tmp_path / "d", broker.port) as (store, link):
                for n in range(10):
                    last = raise_alarm(store, link, 1e9 + n)
                until(lambda link=link, last=last: link.status().place == last, "all are acknowledged")  # type: ignore[misc]
            assert last == 10 * (start + 1)
        until(lambda: len(reader.payloads(EVENT)) >= 30, "30 events")
        assert [seq for _, seq in seen(reader)] == list(range(1, 31))
