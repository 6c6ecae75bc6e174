"""What the shore has confirmed of the events, by broker, and what it lacks: its receipt is the end of an event.

A broker's acknowledgement is not: it may have had no keeper to pass an event on to, or have lost its disk. What a
receipt names as missing is sent again at once. What lies beyond the receipt's end, and was delivered, is sent again
when the shore has had time for it and is seen to be at work: a new receipt. Without a new one nothing is repeated, so
that a shore without keepers costs a satellite link nothing.
"""

from dataclasses import dataclass

from gateway.encode.inbound import read_receipt
from gateway.encode.shapes import ReceivedMessage
from gateway.fault_log import FaultLog
from gateway.model.errors import Refused
from gateway.outlets.mqtt.resend import Ranges

REPEATS_S = (20.0, 120.0)
"""After a receipt, until what lies beyond it is sent again: the shore confirms within seconds what it has recorded, and
within seconds more where much has come at once."""


@dataclass(slots=True)
class _Confirmed:
    """Of one broker. `since_s`: when the receipt came; `repeats`: how often what lies beyond it was sent again since;
    `behind_since_s`: since when the shore lacks something that was delivered."""

    receipt: ReceivedMessage
    since_s: float
    fresh: bool = True
    repeats: int = 0
    behind_since_s: float | None = None


class Receipts:
    """For one thread; `confirmed` and `behind_s` for any."""

    def __init__(self) -> None:
        self._confirmed: dict[str, _Confirmed] = {}
        self._claims: dict[str, list[ReceivedMessage]] = {}
        self._faults = FaultLog("brokers")

    def confirmed(self, broker: str) -> tuple[int, str] | None:
        """Up to which seq the shore keeps everything, and when it confirmed that; None before its first receipt."""
        known = self._confirmed.get(broker)
        return None if known is None else (known.receipt.seq, known.receipt.ts)

    def behind_s(self, now_s: float) -> dict[str, float]:
        """Brokers behind which the shore lacks events that were delivered, and for how long (s) without progress."""
        return {
            name: now_s - known.behind_since_s
            for name, known in list(self._confirmed.items())
            if known.behind_since_s is not None
        }

    def take(self, broker: str, payload: bytes, gateway_id: str) -> None:
        """A message has come; one for another gateway is passed over, one that is no receipt is counted in the log."""
        try:
            receipt = read_receipt(payload)
        except Refused as e:
            self._faults.add("receipt.refused", broker=broker, why=str(e))
            return
        if receipt.gateway == gateway_id:
            self._claims.setdefault(broker, []).append(receipt)

    def lacking(self, broker: str, place: int, sent: int, now_s: float) -> Ranges:
        """What is to be sent again now. `place`: all up to it is delivered; `sent`: the highest seq ever sent."""
        self._believe(broker, sent, now_s)
        known = self._confirmed.get(broker)
        if known is None:
            return ()
        ranges = _delivered(known.receipt, place)
        self._look_behind(known, place, now_s, bool(ranges))
        if known.fresh:
            known.fresh = False
            return ranges
        if known.behind_since_s is None or known.since_s < known.behind_since_s:
            # Delivered since: no receipt has come after it, so perhaps no keeper is at work.
            return ()
        beyond = max([known.receipt.seq, *(end for _, end in ranges)]) + 1
        # Of what lies behind a gap the shore may have all: once, then it is for its next receipt to name a gap there.
        times = 1 if ranges else len(REPEATS_S)
        if place < beyond or known.repeats >= times or now_s - known.since_s < REPEATS_S[known.repeats]:
            return ()
        known.repeats += 1
        return (*ranges, (beyond, place))

    def _believe(self, broker: str, sent: int, now_s: float) -> None:
        """Take the latest receipt that names nothing beyond `sent`. The lowest of the others waits: after a restart the
        broker may have more than was sent since."""
        beyond: list[ReceivedMessage] = []
        for receipt in self._claims.pop(broker, []):
            if receipt.seq <= sent:
                self._replace(broker, receipt, now_s)
            else:
                beyond.append(receipt)
        if beyond:
            lowest = min(beyond, key=lambda r: r.seq)
            self._claims[broker] = [lowest]
            self._faults.add("receipt.beyond_sent", broker=broker, seq=lowest.seq, sent=sent)

    def _replace(self, broker: str, receipt: ReceivedMessage, now_s: float) -> None:
        old = self._confirmed.get(broker)
        # A retained one comes again at each connection, and is no news.
        if old is None or old.receipt != receipt:
            behind = None if old is None or receipt.seq > old.receipt.seq else old.behind_since_s
            self._confirmed[broker] = _Confirmed(receipt, now_s, behind_since_s=behind)

    def _look_behind(self, known: _Confirmed, place: int, now_s: float, gaps: bool) -> None:
        if known.receipt.seq >= place and not gaps:
            known.behind_since_s = None
        elif known.behind_since_s is None:
            known.behind_since_s = now_s


def _delivered(receipt: ReceivedMessage, place: int) -> Ranges:
    """What the receipt names as missing, of what was delivered: the rest comes in its turn."""
    return tuple((first, min(last, place)) for first, last in receipt.missing if first <= min(last, place))
