"""What the shore has confirmed: its receipt is the end of an event, a broker's acknowledgement is not."""

import json
from typing import Any

import pytest

from gateway.app.receipts import REPEATS_S, Receipts

GATEWAY = "3f0c1d2e-0000-4000-8000-00000000abcd"
BROKER = "shore"


def receipt(seq: int, missing: Any = None, minute: int = 0, **changed: Any) -> bytes:
    """A receipt as the shore writes it."""
    plain = {"v": 1, "gateway": GATEWAY, "seq": seq, "ts": f"2031-04-01T12:{minute:02d}:00.000Z"}
    return json.dumps(plain | ({} if missing is None else {"missing": missing}) | changed).encode()


def test_named_gaps_go_again_at_once_and_once_a_receipt() -> None:
    """Of a gap that reaches beyond what was delivered, only what was delivered: the rest comes in its turn."""
    receipts = Receipts()
    receipts.take(BROKER, receipt(4, [[5, 9], [20, 40], [50, 60]]), GATEWAY)
    assert receipts.lacking(BROKER, place=30, sent=30, now_s=0.0) == ((5, 9), (20, 30))
    assert receipts.lacking(BROKER, place=30, sent=30, now_s=1.0) == ()
    receipts.take(BROKER, receipt(4, [[5, 9], [20, 40], [50, 60]]), GATEWAY)
    assert receipts.lacking(BROKER, place=30, sent=30, now_s=2.0) == (), "the same one, retained, at a new connection"


def test_what_lies_beyond_goes_again_only_where_the_shore_is_seen_at_work() -> None:
    """Delivered, and no receipt since: a shore without keepers costs nothing. A new receipt that does not cover it:
    again after a while, and not without end."""
    receipts = Receipts()
    receipts.take(BROKER, receipt(10), GATEWAY)
    assert receipts.lacking(BROKER, 10, 10, 0.0) == ()
    far = sum(REPEATS_S) * 10
    assert [receipts.lacking(BROKER, 43, 43, 1.0), receipts.lacking(BROKER, 43, 43, far)] == [(), ()]
    receipts.take(BROKER, receipt(10, minute=5), GATEWAY)
    given = [receipts.lacking(BROKER, 43, 43, far + s) for s in range(1_000)]
    assert [g for g in given if g] == [((11, 43),)] * len(REPEATS_S)
    receipts.take(BROKER, receipt(43, minute=6), GATEWAY)
    assert receipts.lacking(BROKER, 43, 43, far + 2_000) == ()
    assert receipts.behind_s(far + 2_000) == {}


def test_how_long_the_shore_is_behind() -> None:
    """From the first event that it lacks until it has all; a receipt that rises begins anew."""
    receipts = Receipts()
    receipts.take(BROKER, receipt(10), GATEWAY)
    receipts.lacking(BROKER, 12, 12, 100.0)
    receipts.lacking(BROKER, 13, 13, 160.0)
    assert receipts.behind_s(400.0) == {BROKER: 300.0}
    receipts.take(BROKER, receipt(11, minute=1), GATEWAY)
    receipts.lacking(BROKER, 13, 13, 400.0)
    assert receipts.behind_s(410.0) == {BROKER: 10.0}


def test_a_gap_below_the_receipts_end_counts_too() -> None:
    """Another keeper may name its highest number and the gaps below it: they go again, and the shore is behind."""
    receipts = Receipts()
    receipts.take(BROKER, receipt(43, [[5, 9]]), GATEWAY)
    assert receipts.lacking(BROKER, 43, 43, 100.0) == ((5, 9),)
    assert receipts.behind_s(160.0) == {BROKER: 60.0}


@pytest.mark.parametrize(
    "payload",
    [
        receipt(4, [[5, 9]] * 65),
        receipt(4, [[5]]),
        receipt(4, [["5", 9]]),
        receipt(4, {}),
        receipt(4, [[5, 9]], more=1),
        receipt(4, [[-5, 9]]),
    ],
)
def test_what_is_no_receipt_is_refused(payload: bytes) -> None:
    """Nothing is sent again for it."""
    receipts = Receipts()
    receipts.take(BROKER, payload, GATEWAY)
    assert receipts.lacking(BROKER, 100, 100, 0.0) == ()
    assert receipts.confirmed(BROKER) is None


def test_a_gap_turned_round_or_beyond_all_asks_nothing() -> None:
    """Numbers that never were."""
    receipts = Receipts()
    receipts.take(BROKER, receipt(4, [[9, 5], [1 << 52, (1 << 52) + 9]]), GATEWAY)
    assert receipts.lacking(BROKER, 100, 100, 0.0) == ()
