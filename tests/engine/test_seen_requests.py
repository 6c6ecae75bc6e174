"""Requests by MQTT: each once, and none that is old."""

import json
from collections.abc import Mapping

import pytest

from gateway.encode.messages import DoMessage, rfc3339
from gateway.engine.seen_requests import AGE_S_MAX, IDS_MAX, KEPT_S, KEY, PER_MINUTE, SeenRequests
from gateway.model.errors import Refused

NOW = 1_800_000_000.0


class Disk:
    """What was kept, as it comes back from the disk."""

    def __init__(self) -> None:
        self.text = "null"

    def keep(self, checkpoints: Mapping[str, object]) -> None:
        """Keep it."""
        self.text = json.dumps(checkpoints[KEY])

    def seen(self, utc_s: float = NOW) -> SeenRequests:
        """After a restart at this time."""
        return SeenRequests(json.loads(self.text), self.keep, lambda: utc_s)


def request(name: str, utc_s: float = NOW) -> DoMessage:
    """A request sent at a time."""
    return DoMessage(v=1, id=name, do="acknowledge", alarm="lag-near", by="x", ts=rfc3339(utc_s))


def test_an_old_one_and_one_of_the_future_are_refused() -> None:
    """Pins two minutes either way, with both clocks in the reason."""
    seen = Disk().seen()
    seen.admit(request("a", NOW - AGE_S_MAX))
    seen.admit(request("b", NOW + AGE_S_MAX))
    for utc_s in (NOW - AGE_S_MAX - 1, NOW + AGE_S_MAX + 1, NOW - 86_400):
        with pytest.raises(Refused, match=r"2027-01-15T08:00:00\.000Z"):
            seen.admit(request("c", utc_s))


@pytest.fixture
def no_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many in a minute as one likes."""
    monkeypatch.setattr("gateway.engine.seen_requests.PER_MINUTE", 10**6)


def test_a_flood_is_refused() -> None:
    """Pins the number done in a minute: each stands in the record, whose place is for alarms. A minute later it goes
    on, and what was refused has used up no id."""
    disk = Disk()
    for n in range(PER_MINUTE):
        disk.seen().admit(request(f"n{n}"))
    with pytest.raises(Refused, match="more than 60 requests in a minute"):
        disk.seen().admit(request("a"))
    disk.seen(NOW + 61).admit(request("a"))


@pytest.mark.usefixtures("no_rate")
def test_an_id_is_taken_once_also_after_a_restart() -> None:
    """Pins that neither others nor a restart make it forget an id within 24 h, and that it is free again after."""
    disk = Disk()
    disk.seen().admit(request("a"))
    seen = disk.seen()
    for n in range(200):
        seen.admit(request(f"other {n}"))
    for again in (seen, disk.seen(), disk.seen(NOW + 60)):
        with pytest.raises(Refused, match="24 h"):
            again.admit(request("a"))
    disk.seen(NOW + KEPT_S + 1).admit(request("a", NOW + KEPT_S))


@pytest.mark.usefixtures("no_rate")
def test_what_is_kept_is_bounded() -> None:
    """Pins that ids by the thousand do not grow it, nor damage what is read back."""
    disk = Disk()
    seen = disk.seen()
    for n in range(IDS_MAX + 50):
        seen.admit(request(f"n{n}"))
    assert len(json.loads(disk.text)) == IDS_MAX
    with pytest.raises(Refused):
        seen.admit(request(f"n{IDS_MAX}"))
    for damaged in ('"x"', "[1]", '{"a":"b"}'):
        disk.text = damaged
        disk.seen().admit(request("a"))
