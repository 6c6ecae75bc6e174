"""What a ship's trend has learned, in the keepers' store: kept as any event, found again for a spare box."""

from drive_engines import tern
from shore_rig import PREFIX, UTC, gateway_of

from gateway.encode.learned import learned_event_body
from gateway.encode.messages import event_payload, gateway_event_body
from gateway.encode.topics import Topics
from gateway.shore.check import Checked, check
from gateway.shore.record import NOTHING_LEARNED, ship_record
from gateway.shore.store import FleetStore
from gateway.wear.learned import learned_of
from gateway.wear.logbook import rebase
from gateway.wear.trend import EngineWear

SHIP = "tern-passage"


def test_they_are_kept_and_found(store_url: str) -> None:
    """Those of the gateway that was heard last, in their order; one that cannot be read is counted; without any that is
    said."""
    store, topic = FleetStore(store_url), Topics(PREFIX, SHIP).event(None)

    def keep(seq: int, body: dict[str, object], gateway: str = gateway_of(SHIP)) -> None:
        item = check(topic, event_payload(gateway, seq, body), PREFIX)
        assert isinstance(item, Checked), item
        store.keep([item], UTC)

    keep(1, gateway_event_body("started", UTC, version="1.0"))
    assert NOTHING_LEARNED in ship_record(store_url, SHIP, UTC)["missing"]
    wear = EngineWear(tern(), rebase(tern(), []))
    bodies = [learned_event_body(learned_of(wear, UTC + n, 21_400.0 + n), "1.0") for n in (1, 2)]
    for seq, body in enumerate(bodies, 2):
        keep(seq, body)
    keep(4, gateway_event_body("learned", UTC + 3, version="1.0", text="main: of a later release; data AAAA"))
    record = ship_record(store_url, SHIP, UTC)
    assert record["learned"] == {"main": [bodies[1]["text"]]}  # the first has rows of no fit that still counts
    assert any("1 messages with learned figures, which this release" in x for x in record["missing"])
    other = "11111111-2222-3333-4444-555555555555"
    keep(1, gateway_event_body("started", UTC + 9, version="1.0"), other)
    record = ship_record(store_url, SHIP, UTC)
    assert record["learned"] == {} and any(f"gateway {other} was heard last" in x for x in record["missing"])
    store.close()
