"""The demo's broker."""

import pytest
from mqtt_fakes import MemoryOutbox, broker_settings, needs_mosquitto, until

from gateway.cli import embedded_broker as broker_embedded
from gateway.cli.embedded_broker import embedded_broker
from gateway.encode.topics import Topics
from gateway.model.errors import PortError
from gateway.outlets.mqtt.link import BrokerLink


def deliver(prefer: str) -> str:
    """Send a few messages through the demo's broker; its name."""
    with embedded_broker(prefer) as where:  # type: ignore[arg-type]
        outbox = MemoryOutbox()
        outbox.add(30)
        outbox.put("camdrift/1/t/main/alarm/lag-near", b"{}")
        settings = broker_settings(where.port, host=where.host, protocol=where.protocol)
        link = BrokerLink(settings, outbox.reader, Topics("camdrift/1", "t"), "0")
        link.start()
        until(lambda: outbox.place() == 30, "all events are acknowledged")
        until(lambda: not outbox.retained_due(9), "the alarm's state is acknowledged")
        assert link.stop()
        return where.name


def test_amqtt_takes_events_and_states() -> None:
    """Pins that the demo's extra serves the link in MQTT 3.1.1."""
    pytest.importorskip("amqtt")
    assert deliver("amqtt") == "amqtt"


@needs_mosquitto
def test_mosquitto_takes_events_and_states() -> None:
    """Pins that the machine's Mosquitto serves the link in MQTT 5, and comes first where nothing is preferred."""
    assert deliver("mosquitto") == "Mosquitto"
    with embedded_broker() as where:
        assert where.name == "Mosquitto"


def test_no_broker_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins the message where neither is there: it names both remedies."""
    monkeypatch.setattr(broker_embedded, "find_mosquitto", lambda: None)
    monkeypatch.setattr(broker_embedded, "_has_amqtt", lambda: False)
    with pytest.raises(PortError, match=r"apt install mosquitto.*camdrift\[demo\]"), embedded_broker():
        pass


def test_a_program_that_is_no_broker_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a Mosquitto that ends at once is an error with its last words, not a hang."""
    monkeypatch.setattr(broker_embedded, "find_mosquitto", lambda: "/bin/false")
    with pytest.raises(PortError, match="does not start"), embedded_broker():
        pass
