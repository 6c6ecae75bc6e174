"""The broker link against a scripted broker: refusals, silence, limits, and what it says of them."""

import contextlib
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from mqtt_fakes import MemoryOutbox, ScriptedBroker, broker_settings, free_port, scripted, until
from structlog.testing import capture_logs

from gateway.encode.topics import Topics
from gateway.model.errors import PortError
from gateway.model.settings import BrokerSettings
from gateway.mqtt_client import USER_TIMEOUT_MS, BoundedClient
from gateway.outlets.mqtt.access import Unreachable, reason_text, why_not
from gateway.outlets.mqtt.link import ALARM_ANSWERED_S, BrokerLink, Timing
from gateway.outlets.mqtt.pipe import Pipe

TOPICS = Topics("camdrift/1", "t")
EVENT = TOPICS.event("main")
SHORT = Timing(ack_s=0.2, beat_s=0.05)


@contextlib.contextmanager
def linked(broker: BrokerSettings, outbox: MemoryOutbox, **more: Any) -> Iterator[BrokerLink]:
    """A link at work, stopped at the end."""
    link = BrokerLink(broker, outbox.reader, TOPICS, "0.1.0", **more)
    link.start()
    try:
        yield link
    finally:
        assert link.stop(1.0), "the thread has not ended"


def seqs(broker: ScriptedBroker) -> list[int]:
    """Event numbers in order of arrival, copies included."""
    return [int(p) for p in broker.payloads(EVENT)]


@pytest.mark.parametrize("error", [Unreachable("no answer"), PortError("refused")])
def test_an_alarm_does_not_wait_out_a_long_pause(monkeypatch: pytest.MonkeyPatch, error: PortError) -> None:
    """Pins that tries go on quickly while an alarm waits: at once where nobody answered, within ten seconds where
    somebody answers and will not have us."""
    tries: list[float] = []

    def opening(pipe: Pipe) -> None:
        tries.append(pipe._connect_s)
        raise error

    monkeypatch.setattr(Pipe, "open", opening)
    monkeypatch.setattr("gateway.outlets.mqtt.link.ALARM_ANSWERED_S", 0.2)
    outbox = MemoryOutbox()
    outbox.add(1)
    with linked(broker_settings(1, backoff_s_min=600, backoff_s_max=600), outbox) as link:
        until(lambda: link.status().reason == str(error), "the first try")
        link.wake.set()
        outbox.put(TOPICS.alarm("main", "lag-limit"), b"{}")
        link.wake.set()
        until(lambda: len(tries) >= 4, "tries while the alarm waits")
    assert ALARM_ANSWERED_S + Timing().connect_s / 5 <= 10.0


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_all_arrive_in_order_once(protocol: str) -> None:
    """Pins the plain case in both versions: presence first, each event once in order, offline and DISCONNECT last."""
    outbox = MemoryOutbox()
    outbox.add(40)
    with scripted() as broker:
        with linked(broker_settings(broker.port, protocol=protocol), outbox) as link:
            until(lambda: outbox.place() == 40, "all are acknowledged")
            assert link.status().connected
            assert link.status().last_ack is not None
        assert seqs(broker) == list(range(1, 41))
        presence = broker.payloads(TOPICS.presence)
        assert broker.heard[0][0] == TOPICS.presence
        assert [b'"online"' in presence[0], b'"offline"' in presence[-1]] == [True, True]
        assert {(qos, retain) for t, _, qos, retain in broker.heard if t == TOPICS.presence} == {(1, True)}
        assert {(qos, retain) for t, _, qos, retain in broker.heard if t == EVENT} == {(1, False)}
        until(lambda: broker.goodbyes == 1, "DISCONNECT")


def test_receive_maximum_is_kept() -> None:
    """Pins that a Receive Maximum of 3 is filled and never passed (MQTT 5, section 3.3.4), also after breaks."""
    outbox = MemoryOutbox()
    outbox.add(60)
    with scripted(receive_maximum=3, drop_after=20) as broker, linked(broker_settings(broker.port), outbox):
        until(lambda: outbox.place() == 60, "all are acknowledged")
        assert not broker.violated
        assert broker.unacked_most == 3
        assert len(broker.connects) > 1


def test_broken_connections_cost_copies_only() -> None:
    """Pins that a broker which breaks off again and again gets all in order, and copies within one window a break."""
    outbox = MemoryOutbox()
    outbox.add(50)
    with scripted(drop_after=13) as broker, linked(broker_settings(broker.port), outbox):
        until(lambda: outbox.place() == 50, "all are acknowledged")
        got = seqs(broker)
    assert list(dict.fromkeys(got)) == list(range(1, 51))
    assert len(got) - 50 <= 8 * (len(broker.connects) - 1)


def test_silence_after_accepting_is_noticed() -> None:
    """Pins that a broker which takes and never acknowledges is given up and told; nothing counts as delivered."""
    outbox = MemoryOutbox()
    outbox.add(20)
    with scripted(ack=False) as broker, linked(broker_settings(broker.port), outbox, timing=SHORT) as link:
        until(lambda: len(broker.connects) >= 3, "connected anew")
        assert outbox.place() == 0
        until(lambda: "not acknowledged" in link.status().reason, "told")
        assert broker.unacked_most <= 8
        broker.script.ack = True
        until(lambda: outbox.place() == 20, "all are acknowledged")


def test_no_connack_is_noticed() -> None:
    """Pins that something which listens and never answers is given up with a reason."""
    with scripted(answer_connect=False) as broker:
        with linked(broker_settings(broker.port), MemoryOutbox(), timing=Timing(connack_s=0.1)) as link:
            until(lambda: "no CONNACK" in link.status().reason, "told")
            assert not link.status().connected


@pytest.mark.parametrize(
    ("protocol", "code", "words"),
    [
        ("5", 0x86, "bad user name or password"),
        ("5", 0x87, "not authorized"),
        ("5", 0x84, "set protocol"),
        ("5", 0x97, "quota"),
        ("3.1.1", 1, "set protocol"),
        ("3.1.1", 2, "set client_id"),
        ("3.1.1", 4, "bad user name or password"),
        ("3.1.1", 5, "not authorized"),
    ],
)
def test_refused_connection_gives_its_true_reason(protocol: str, code: int, words: str) -> None:
    """Pins that a refusing CONNACK is told in its own words, in both versions, not as a mere lost connection."""
    with (
        scripted(connack=code) as broker,
        linked(broker_settings(broker.port, protocol=protocol), MemoryOutbox()) as li,
    ):
        until(lambda: words in li.status().reason, f"{words!r} in the reason, not {li.status().reason!r}")


def test_refusal_by_topic_is_kept_and_shown_and_delivered_later() -> None:
    """Pins a PUBACK of 0x87: nothing is done, it is counted and named, tried again, and all goes on when allowed."""
    outbox = MemoryOutbox()
    outbox.add(12)
    refuse = {"on": True}
    code = lambda topic: 0x87 if refuse["on"] and topic == EVENT else 0  # noqa: E731
    with scripted(code=code) as broker, linked(broker_settings(broker.port), outbox) as link:
        until(lambda: link.status().refused > 0, "shown")
        assert EVENT in link.status().why_refused
        until(lambda: len(seqs(broker)) > 9, "tried again")
        assert (outbox.place(), link.status().connected) == (0, True)
        refuse["on"] = False
        until(lambda: outbox.place() == 12, "all are acknowledged")
        until(lambda: link.status().refused == 0, "no longer shown")
    assert list(dict.fromkeys(seqs(broker))) == list(range(1, 13))


def test_keep_alive_loss_is_noticed_once() -> None:
    """Pins that a broker which no longer answers pings is given up, told as such, and that the link comes back."""
    settings = broker_settings_with_keepalive_1
    with scripted(ping=False) as broker, linked(settings(broker.port), MemoryOutbox()) as link:
        until(lambda: "keep-alive" in link.status().reason, "told")
        broker.script.ping = True
        until(lambda: len(broker.connects) >= 2 and link.status().connected, "connected anew")


def broker_settings_with_keepalive_1(port: int) -> BrokerSettings:
    """A keep-alive shorter than the settings allow, so that the test need not wait."""
    return replace(broker_settings(port), keepalive_s=1)


def test_first_failure_warns_and_repeats_whisper() -> None:
    """Pins that a broker which is not there costs one warning, not one for each try."""
    port = free_port()
    with capture_logs() as logs, linked(broker_settings(port), MemoryOutbox()) as link:
        until(lambda: sum(e["event"] == "mqtt.disconnected" for e in logs) >= 4, "tried four times")
        assert f"nothing listens at 127.0.0.1:{port}" in link.status().reason
    levels = [e["log_level"] for e in logs if e["event"] == "mqtt.disconnected"]
    assert (levels[0], set(levels[1:])) == ("warning", {"debug"})


def test_readings_are_sent_at_once_or_never() -> None:
    """Pins that a reading goes by QoS 0, is not retained, and that one offered while offline is dropped and counted."""
    port = free_port()
    with linked(broker_settings(port), MemoryOutbox()) as link:
        link.offer(TOPICS.reading("main"), b"old")
        assert link.status().dropped_readings == 1
    with scripted() as broker, linked(broker_settings(broker.port), MemoryOutbox()) as link:
        until(lambda: link.status().connected, "connected")
        link.offer(TOPICS.reading("main"), b"new")
        until(lambda: bool(broker.payloads(TOPICS.reading("main"))), "the reading has come")
        assert (TOPICS.reading("main"), b"new", 0, False) in broker.heard


def test_no_reading_of_the_last_connection_goes_out_in_the_next() -> None:
    """A thread may see the window open and add its reading after the connection has ended: it is never sent."""
    with scripted() as broker:
        link = BrokerLink(broker_settings(broker.port), MemoryOutbox().reader, TOPICS, "0")
        link._offered.append((TOPICS.reading("main"), b"late"))
        link.start()
        until(lambda: link.status().connected, "connected")
        link.offer(TOPICS.reading("main"), b"new")
        until(lambda: bool(broker.payloads(TOPICS.reading("main"))), "the reading has come")
        assert link.stop()
        assert broker.payloads(TOPICS.reading("main")) == [b"new"]


def test_class_not_wanted_is_not_sent() -> None:
    """Pins that a broker gets only the classes of its settings: no presence, no reading, no will."""
    outbox = MemoryOutbox()
    outbox.add(1)
    outbox.put(TOPICS.trend("main"), b"{}", klass="trend")
    with scripted() as broker, linked(broker_settings(broker.port, classes=["event"]), outbox) as link:
        until(lambda: outbox.place() == 1, "the event is acknowledged")
        link.offer(TOPICS.reading("main"), b"x")
    assert {t for t, *_ in broker.heard} == {EVENT}
    assert TOPICS.presence.encode() not in broker.connects[0]


def test_a_failing_outbox_does_not_end_the_thread() -> None:
    """Pins that any exception in the thread is told once and survived: the link goes on when the disk is back."""
    outbox = MemoryOutbox()
    failures = iter([OSError("disk I/O error"), RuntimeError("in the pause"), RuntimeError("odd")])
    outbox.add(3)

    def reader() -> MemoryOutbox:
        for e in failures:
            raise e
        return outbox

    with capture_logs() as logs, scripted() as broker:
        link = BrokerLink(broker_settings(broker.port), reader, TOPICS, "0")
        link.start()
        until(lambda: outbox.place() == 3, "all are acknowledged")
        assert link.stop()
    assert ["disk I/O error" in e["reason"] for e in logs if e["log_level"] == "warning"] == [True, False]


def test_new_events_go_at_once() -> None:
    """Pins that `wake.set()` sends what was committed: many rounds of one event each, though the beat is an hour."""
    outbox = MemoryOutbox()
    with scripted() as broker:
        with linked(broker_settings(broker.port), outbox, timing=Timing(beat_s=3_600)) as link:
            until(lambda: link.status().connected, "connected")
            for n in range(1, 41):
                outbox.add(1)
                link.wake.set()
                until(lambda n=n: outbox.place() == n, f"event {n} is acknowledged")  # type: ignore[misc]


def test_stop_drains_within_its_time() -> None:
    """Pins that stopping sends what is due first, and that a broker which is silent or absent does not hold it up."""
    outbox = MemoryOutbox()
    with scripted() as broker:
        link = BrokerLink(broker_settings(broker.port), outbox.reader, TOPICS, "0")
        link.start()
        until(lambda: link.status().connected, "connected")
        outbox.add(100)
        assert link.stop(20.0)
        assert outbox.place() == 100
        assert seqs(broker) == list(range(1, 101))
        assert b'"offline"' in broker.heard[-1][1]
    with scripted(ack=False) as broker:
        link = BrokerLink(broker_settings(broker.port), MemoryOutbox, TOPICS, "0")
        link.start()
        until(lambda: bool(broker.heard), "presence has come")
        assert link.stop(0.2)
        assert broker.goodbyes == 0, "cut without DISCONNECT: the will says offline"
    link = BrokerLink(broker_settings(free_port()), MemoryOutbox, TOPICS, "0")
    link.start()
    assert link.stop(0.2)


def test_heartbeat_moves_while_connected_and_while_not() -> None:
    """Pins that the beat shows a living thread in both states."""
    port = free_port()
    with scripted() as broker:
        for settings in (broker_settings(broker.port), broker_settings(port)):
            with linked(settings, MemoryOutbox(), timing=Timing(beat_s=0.01)) as link:
                until(lambda link=link: link.status().reason != "not yet connected", "tried")  # type: ignore[misc]
                before = link.last_beat
                until(lambda link=link, before=before: link.last_beat > before, "a beat")  # type: ignore[misc]


def test_tls_to_a_port_that_speaks_plain_mqtt_is_told() -> None:
    """Pins that TLS against a plain port fails with a word on TLS or on silence, not with a traceback."""
    with scripted() as broker:
        settings = broker_settings(broker.port, tls=True)
        with linked(settings, MemoryOutbox(), timing=Timing(connect_s=0.5)) as link:
            until(lambda: link.status().reason != "not yet connected", "told")
            assert any(words in link.status().reason for words in ("TLS", "tls", "no answer"))


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (socket.gaierror(-2, "Name or service not known"), "host b is not known"),
        (ConnectionRefusedError(111, "Connection refused"), "nothing listens at b:1883"),
        (ConnectionResetError(104, "Connection reset by peer"), "tls here and there"),
        (TimeoutError("timed out"), "no answer from b:1883 within 7 s"),
        (OSError(101, "Network is unreachable"), "Network is unreachable"),
        (ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong version number"), "TLS"),
        (ValueError("Invalid host."), "Invalid host"),
    ],
)
def test_reasons_are_one_clear_line(error: Exception, words: str) -> None:
    """Pins the words for each way in which a connection cannot be opened."""
    line = why_not(error, "b", 1883, 7.0)
    assert words in line
    assert "\n" not in line


def test_unknown_reason_code_keeps_the_standards_name() -> None:
    """Pins that a code without words of ours is still told with its name and number."""
    assert reason_text(0x9C, "Use another server") == "Use another server (0x9C)"


def test_socket_options_are_set() -> None:
    """Pins TCP_NODELAY and, where the system has it, TCP_USER_TIMEOUT on a socket that was opened."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as sock:
        client = BoundedClient("test", version_5=True, connect_s=1.0)
        assert client.on_socket_open is not None
        client.on_socket_open(client, None, sock)
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == USER_TIMEOUT_MS


def test_another_thread_may_offer_and_ask_at_any_time() -> None:
    """Pins that readings from several threads during broken connections neither raise nor stop the events."""
    outbox, over, errors = MemoryOutbox(), threading.Event(), []
    outbox.add(60)

    def press(link: BrokerLink) -> None:
        try:
            while not over.wait(0.15):
                link.offer(TOPICS.reading("main"), b"x")
                link.status()
        except Exception as e:
            errors.append(e)

    with scripted(drop_after=25) as broker, linked(broker_settings(broker.port), outbox) as link:
        threads = [threading.Thread(target=press, args=(link,), daemon=True) for _ in range(3)]
        for t in threads:
            t.start()
        broker.script.drop_after = 200
        try:
            until(lambda: outbox.place() == 60, "all are acknowledged")
        finally:
            over.set()
        for t in threads:
            t.join(180)
    assert errors == []


@pytest.mark.parametrize("sent", [b"0\x02\0\x63", b"0\x07\0\1t\x02\x7f\0x"])
def test_what_is_not_mqtt_is_a_reason_and_no_unexpected_fault(sent: bytes) -> None:
    """Malformed packets (MQTT 5, section 4.13) end the connection with a reason that says what to check."""
    outbox = MemoryOutbox()
    with scripted() as broker:
        # before the link begins: one that is once connected whole has no reason to tell
        broker._connack = lambda five: b"\x20\x03\0\0\0" + sent  # type: ignore[method-assign]
        with linked(broker_settings(broker.port), outbox) as link:
            reasons: set[str] = set()
            until(lambda: bool(reasons.add(link.status().reason) or reasons - {"", "not yet connected"}), "a reason")
        assert not any("unexpected" in r for r in reasons), reasons
