"""The in-flight window by itself: order, room, acknowledgements, refusals, under any behaviour of a broker."""

from collections import deque
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mqtt_fakes import MemoryOutbox

from gateway.model.limits import IN_FLIGHT_BYTES_MAX
from gateway.outlets.mqtt.line import HEADER_BYTES, Outgoing
from gateway.outlets.mqtt.pipe import Ack, Granted
from gateway.outlets.mqtt.wake import Backoff
from gateway.outlets.mqtt.window import NO_READER, Window

EVENT = "camdrift/1/t/main/event"
ALARM = "camdrift/1/t/main/alarm/lag-near"
TREND = "camdrift/1/t/main/trend"
CLASSES = ("presence", "alarm", "event", "trend")
OK, NOT_AUTHORIZED = 0x00, 0x87


class Wire:
    """Numbers and remembers what the window sends."""

    def __init__(self) -> None:
        self.sent: list[Outgoing] = []
        self.mids: dict[int, Outgoing] = {}

    def send(self, out: Outgoing) -> int:
        self.sent.append(out)
        self.mids[len(self.sent)] = out
        return len(self.sent)

    @property
    def seqs(self) -> list[int]:
        return [o.seq for o in self.sent if o.seq is not None]


def window(outbox: MemoryOutbox, room: int = 8, granted: Granted | None = None, online: bool = False) -> Window:
    """A window over an outbox, with a retry after 1 to 4 s."""
    presence = Outgoing("camdrift/1/t/presence", b"online", retain=True) if online else None
    return Window(outbox, granted or Granted(), room, CLASSES, presence, Backoff(1.0, 4.0))


def ack(w: Window, wire: Wire, which: Callable[[Outgoing], bool], code: int = OK, now: float = 0.0) -> None:
    """Acknowledge what is under way and fits."""
    for mid, out in list(wire.mids.items()):
        if which(out):
            w.take(Ack(mid, code, "reason"), now)
            del wire.mids[mid]
    w.settle()


def test_a_trend_waits_for_the_events_and_not_for_a_refused_one() -> None:
    """Pins that trends go last: after every event that is due, and past one that the broker refuses."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.put(TREND, b"{}", "trend")
    outbox.put(ALARM, b"{}")
    outbox.add(12)
    w = window(outbox)
    w.fill(0.0, wire.send)
    assert [o.topic for o in wire.sent] == [ALARM, *[EVENT] * 7]
    ack(w, wire, lambda _: True)
    w.fill(0.0, wire.send)
    assert (wire.seqs, wire.sent[-1].topic) == (list(range(1, 13)), TREND)
    outbox.put(TREND, b"[]", "trend")
    outbox.add(1)
    ack(w, wire, lambda o: o.seq != 12)
    ack(w, wire, lambda o: o.seq == 12, code=NOT_AUTHORIZED)
    w.fill(0.0, wire.send)
    assert (wire.seqs[-1], wire.sent[-1].topic) == (12, TREND)


def test_every_trend_goes_in_order_after_the_events_and_the_latest_last() -> None:
    """Pins that trends in line follow the events, oldest first, each once, several under way at a time; that the
    retained one is not said beside them; and that it is said again, alone, at the next connection."""
    outbox, wire = MemoryOutbox(), Wire()
    for n in range(20):
        outbox.line_up(TREND, b"%d" % n)
    outbox.add(5)
    w = window(outbox)
    w.fill(0.0, wire.send)
    assert [(o.seq, o.payload) for o in wire.sent[5:]] == [(None, b"0"), (None, b"1"), (None, b"2")]
    for _ in range(5):
        ack(w, wire, lambda _: True)
        w.fill(0.0, wire.send)
    assert [o.payload for o in wire.sent if o.n is not None] == [b"%d" % n for n in range(20)]
    assert (len(wire.sent), all(o.retain for o in wire.sent[5:]), w.idle) == (25, True, True)
    assert (outbox.trends_placed, outbox.retained_due(9)) == (20, [])
    outbox.forget_retained()
    w, wire = window(outbox), Wire()
    w.fill(0.0, wire.send)
    assert [(o.n, o.rev, o.payload) for o in wire.sent] == [(None, 20, b"19")]


def test_a_new_alarm_overtakes_the_trends_in_line() -> None:
    """Pins that with trends waiting a new alarm's state, and its event, are the next to go, and that no more than 8 kB
    are under way before them."""
    outbox, wire = MemoryOutbox(), Wire()
    for n in range(50):
        outbox.line_up(TREND, b"%1300d" % n)
    w = window(outbox)
    w.fill(0.0, wire.send)
    assert sum(o.size for o in wire.sent) <= IN_FLIGHT_BYTES_MAX
    under_way = len(wire.sent)
    outbox.put(ALARM, b"{}")
    outbox.add(1)
    ack(w, wire, lambda o: o.n in (1, 2))
    w.fill(0.0, wire.send)
    assert [o.topic for o in wire.sent[under_way : under_way + 2]] == [ALARM, EVENT]


def test_a_refused_trend_keeps_its_place() -> None:
    """Pins that no trend overtakes a refused one, that events do not wait for it, and that after it is taken the others
    follow in order."""
    outbox, wire = MemoryOutbox(), Wire()
    for n in range(3):
        outbox.line_up(TREND, b"%d" % n)
    w = window(outbox, room=1)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda _: True, code=NOT_AUTHORIZED)
    outbox.add(1)
    w.fill(0.1, wire.send)
    assert (w.refused, outbox.trends_placed, wire.seqs) == (1, 0, [1])
    for now in (10.0, 20.0, 30.0, 40.0):
        ack(w, wire, lambda _: True, now=now)
        w.fill(now, wire.send)
    assert [o.payload for o in wire.sent if o.n] == [b"0", b"0", b"1", b"2"]
    ack(w, wire, lambda _: True)
    assert (w.refused, outbox.trends_placed) == (0, 3)


def test_what_was_retained_does_not_follow_what_came_since() -> None:
    """Pins that a retained trend that is due again is not sent behind a newer one that comes while the room is filled:
    the broker would take it for the present."""
    outbox = MemoryOutbox()
    outbox.put(TREND, b"old", "trend")
    w = window(outbox)
    sent: list[bytes] = []

    def send(out: Outgoing) -> int:
        if not sent:
            outbox.line_up(TREND, b"new")
        sent.append(out.payload)
        return len(sent)

    outbox.add(1)
    w.fill(0.0, send)
    assert sent == [b"1", b"new"]


@pytest.mark.parametrize("needs_reader", [False, True])
def test_a_trend_in_line_that_nobody_reads_is_kept_as_an_event_is(needs_reader: bool) -> None:
    """Pins that 0x10 for a trend in line is no delivery where a reader is needed: the broker holds only the last."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.line_up(TREND, b"1")
    w = Window(outbox, Granted(), 8, CLASSES, None, Backoff(1.0, 4.0), needs_reader=needs_reader)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda _: True, code=NO_READER)
    assert (outbox.trends_placed, w.refused) == ((0, 1) if needs_reader else (1, 0))


@pytest.mark.parametrize("needs_reader", [False, True])
def test_an_event_that_nobody_reads_is_delivered_or_kept_as_set(needs_reader: bool) -> None:
    """Pins PUBACK 0x10 (no matching subscribers, MQTT 5, section 3.4.2.1): success, unless a reader is needed; then the
    event is kept, named, tried again, and done once it is taken with a reader. States and presence never wait for one.
    """
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(2)
    outbox.put(ALARM, b"{}")
    online = Outgoing("camdrift/1/t/presence", b"online", retain=True)
    w = Window(outbox, Granted(), 8, CLASSES, online, Backoff(1.0, 4.0), needs_reader=needs_reader)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda _: True, code=NO_READER)
    assert (outbox.place(), w.refused) == ((0, 2) if needs_reader else (2, 0))
    assert outbox.retained_due(9) == []
    if needs_reader:
        assert "does a keeper run?" in w.why_refused
        for _ in range(2):
            w.fill(10.0, wire.send)
            ack(w, wire, lambda _: True, now=10.0)
        assert (outbox.place(), w.refused, wire.seqs) == (2, 0, [1, 2, 1, 2])


def test_presence_then_states_then_events() -> None:
    """Pins the order after a connection: presence, retained alarm states, events by seq."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(3)
    outbox.put(ALARM, b"{}")
    window(outbox, online=True).fill(0.0, wire.send)
    assert [o.topic.rsplit("/t/")[1] for o in wire.sent] == ["presence", "main/alarm/lag-near", *["main/event"] * 3]
    assert wire.seqs == [1, 2, 3]


def test_window_is_the_smallest_of_three() -> None:
    """Pins that setting, own cap and the broker's Receive Maximum each bound what is under way."""
    for room, granted, expected in ((3, 100, 3), (64, 100, 8), (8, 2, 2)):
        outbox, wire = MemoryOutbox(), Wire()
        outbox.add(50)
        window(outbox, room, Granted(receive_maximum=granted)).fill(0.0, wire.send)
        assert len(wire.sent) == expected


def test_bytes_under_way_are_bounded_and_a_large_message_still_passes() -> None:
    """Pins the cap in bytes, and that a message above it goes alone instead of never."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(3, size=3_000)
    outbox.add(1, size=IN_FLIGHT_BYTES_MAX + 1)
    w = window(outbox)
    w.fill(0.0, wire.send)
    assert wire.seqs == [1, 2]
    ack(w, wire, lambda _o: True)
    w.fill(0.0, wire.send)
    assert wire.seqs == [1, 2, 3]
    ack(w, wire, lambda _o: True)
    w.fill(0.0, wire.send)
    assert wire.seqs == [1, 2, 3, 4]


def test_place_moves_over_the_acknowledged_prefix_only() -> None:
    """Pins that an acknowledgement out of turn does not move the place, and that the gap's does, over both."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(3)
    w = window(outbox)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda o: o.seq in (2, 3))
    assert outbox.places == []
    ack(w, wire, lambda o: o.seq == 1)
    assert outbox.places == [3]


def test_refused_event_is_kept_tried_slowly_and_not_overtaken_anew() -> None:
    """Pins what a refusing PUBACK does: nothing new goes, the refused one goes again after the pause, then the rest."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(5)
    w = window(outbox, 3)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda o: o.seq == 2, NOT_AUTHORIZED)
    ack(w, wire, lambda o: o.seq in (1, 3))
    assert (outbox.places, w.refused) == ([1], 1)
    w.fill(0.5, wire.send)
    assert wire.seqs == [1, 2, 3]
    w.fill(2.0, wire.send)
    assert wire.seqs == [1, 2, 3, 2]
    assert w.refused == 1
    ack(w, wire, lambda _o: True, now=2.0)
    w.fill(2.0, wire.send)
    assert (outbox.place(), w.refused, wire.seqs) == (3, 0, [1, 2, 3, 2, 4, 5])


def test_a_round_of_refusals_doubles_the_pause_once() -> None:
    """Pins that eight messages refused together do not push the next try to the far end of the back-off."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(8)
    w = window(outbox)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda _o: True, NOT_AUTHORIZED)
    w.fill(1.51, wire.send)
    assert wire.seqs[8:] == [1]


def test_refused_state_does_not_stop_events_nor_other_states() -> None:
    """Pins that a state the broker will not have is kept aside and tried again, and its newer revision then goes."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.put(ALARM, b"old")
    w = window(outbox)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda _o: True, NOT_AUTHORIZED)
    outbox.add(1)
    outbox.put(ALARM, b"new")
    outbox.put(ALARM + "2", b"other")
    w.fill(0.1, wire.send)
    assert [o.payload for o in wire.sent] == [b"old", b"other", b"1"]
    w.fill(2.0, wire.send)
    assert (wire.sent[-1].payload, w.refused) == (b"new", 1)
    ack(w, wire, lambda _o: True)
    assert (w.refused, outbox.retained_due(9)) == (0, [])


def test_newer_revision_waits_for_the_older_and_is_sent() -> None:
    """Pins that a state that changes while under way is sent again with what is new, not lost by the old PUBACK."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.put(ALARM, b"1")
    w = window(outbox)
    w.fill(0.0, wire.send)
    outbox.put(ALARM, b"2")
    w.fill(0.0, wire.send)
    assert [o.payload for o in wire.sent] == [b"1"]
    ack(w, wire, lambda _o: True)
    w.fill(0.0, wire.send)
    assert [o.payload for o in wire.sent] == [b"1", b"2"]


def test_larger_than_the_broker_takes_is_refused_unsent() -> None:
    """Pins that what is above the broker's Maximum Packet Size is shown, not sent (MQTT 5, 3.2.2.3.6)."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(1)
    outbox.add(1, size=500)
    outbox.add(1)
    w = window(outbox, granted=Granted(packet_bytes=300))
    w.fill(0.0, wire.send)
    assert wire.seqs == [1]
    assert (w.refused, "300 bytes" in w.why_refused) == (1, True)


def test_stranger_acknowledgement_is_ignored() -> None:
    """Pins that a PUBACK for an id that is not under way changes nothing, and neither does the same one twice."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(1)
    w = window(outbox)
    w.take(Ack(999, OK, ""), 0.0)
    w.fill(0.0, wire.send)
    w.take(Ack(1, OK, ""), 0.0)
    w.take(Ack(1, NOT_AUTHORIZED, ""), 0.0)
    w.settle()
    assert (outbox.place(), w.refused, w.in_flight) == (1, 0, 0)


def test_answers_keep_to_the_window_and_go_before_states() -> None:
    """Pins that answers to requests wait for room like everything else, go first, and are forgotten when refused."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.put(ALARM, b"{}")
    answers = deque((f"camdrift/1/t/done/{n}", b"{}") for n in range(5))
    w = Window(outbox, Granted(receive_maximum=2), 8, CLASSES, None, Backoff(1.0, 4.0), answers)
    for sent in (2, 4, 6, 6):
        w.fill(0.0, wire.send)
        assert (len(wire.sent), w.in_flight <= 2) == (sent, True)
        ack(w, wire, lambda o: o.answer, NOT_AUTHORIZED)
        ack(w, wire, lambda o: not o.answer)
    assert [o.topic[-6:] for o in wire.sent] == [*(f"done/{n}" for n in range(5)), ALARM[-6:]]
    assert (w.refused, outbox.retained_due(9)) == (0, [])


def test_overdue_is_judged_by_the_oldest() -> None:
    """Pins that an acknowledgement of a later message does not hide that the first was never acknowledged."""
    outbox, wire = MemoryOutbox(), Wire()
    outbox.add(2)
    w = window(outbox)
    w.fill(0.0, wire.send)
    ack(w, wire, lambda o: o.seq == 2, now=50.0)
    assert w.overdue(61.0, 60.0)
    assert not w.overdue(59.0, 60.0)


Turn = st.tuples(st.sampled_from(["ack", "refuse", "add", "put", "line", "break", "wait"]), st.integers(0, 7))


@settings(max_examples=200)
@given(st.lists(Turn, max_size=60), st.integers(1, 8))
def test_nothing_is_lost_whatever_the_broker_does(turns: list[tuple[str, int]], room: int) -> None:
    """Pins, over any run of acks, refusals and breaks: nothing is done that was not acknowledged, new events
    go by seq, the window is never passed, and all arrive once the broker behaves."""
    outbox, wire, now = MemoryOutbox(), Wire(), 0.0
    outbox.add(5)
    w, taken = window(outbox, room), set()
    for what, n in [*turns, *[("wait", 0), ("ack", 0)] * 80]:
        now += 5.0 if what == "wait" else 0.01
        if what in ("ack", "refuse") and wire.mids:
            mid = sorted(wire.mids)[n % len(wire.mids)]
            out = wire.mids.pop(mid)
            taken |= {(out.topic, out.seq, out.n or out.rev)} if what == "ack" else set()
            w.take(Ack(mid, OK if what == "ack" else NOT_AUTHORIZED, ""), now)
        elif what == "add":
            outbox.add(n)
        elif what == "put":
            outbox.put(f"{ALARM}{n}", b"{}")
        elif what == "line":
            outbox.line_up(TREND, b"%d" % n)
        elif what == "break":
            w, wire = window(outbox, room), Wire()
        w.settle()
        w.fill(now, wire.send)
        assert w.in_flight <= room
        assert all((EVENT, seq, None) in taken for seq in range(1, outbox.place() + 1))
        assert all((TREND, None, n) in taken for n in range(1, outbox.trends_placed + 1))
        for first in (list(dict.fromkeys(wire.seqs)), list(dict.fromkeys(o.n for o in wire.sent if o.n))):
            assert first == sorted(first)
    assert (outbox.place(), outbox.trends_placed) == (len(outbox.events), len(outbox.trends))
    assert outbox.retained_due(99) == []
    assert w.refused == 0


@given(st.floats(0.1, 10), st.floats(1, 100), st.integers(0, 80))
def test_pause_stays_within_its_bounds_and_grows(least: float, factor: float, failures: int) -> None:
    """Pins the back-off: within its bounds, near its most after many failures, near its least after a reset."""
    most = least * factor
    b = Backoff(least, most)
    waits = [b.next() for _ in range(failures + 1)]
    assert all(least <= w <= most for w in waits)
    if failures > 10:
        assert waits[-1] >= max(least, most / 1.5) * 0.999
    b.reset()
    assert b.next() <= min(1.5 * least, most) * 1.001


def test_size_counts_topic_payload_and_header() -> None:
    """Pins what counts as bytes under way."""
    assert Outgoing("ab", b"cde", retain=False).size == 2 + 3 + HEADER_BYTES
