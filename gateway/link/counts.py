"""Everything the link has seen, counted by cause."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

Refusal = Literal["overlong", "crc", "version", "length", "kind", "interval", "absurd"]
REFUSALS: tuple[Refusal, ...] = ("overlong", "crc", "version", "length", "kind", "interval", "absurd")

WRONG_BAUD_BYTES_MIN = 4_096
"""Two over-long frames' worth, about 0.2 s of a full line at the usual 230,400 baud: too much to be one cut frame."""


def _none_refused() -> dict[Refusal, int]:
    return dict.fromkeys(REFUSALS, 0)


@dataclass(slots=True)
class LinkCounts:
    """Counts since the decoder was made.

    Good frames by kind: `identity`, `samples`, `health`. `lost`: frames missing from the sequence. A frame refused as
    `overlong`, `crc` or cut short is also missing from the sequence, so `lost` and `refused` of one spoilt frame
    overlap: take the greater of the two, not the sum. `refused` by cause: `overlong` > 2,048 bytes, `crc`, `version`,
    `length` not what its COBS codes, its kind or its own count require, `kind` unknown (skipped), `interval` zero,
    `absurd` fields that no head sends (an interval below 50 µs or above 1 s, times beyond 2**53 µs).
    `partial_first`: a cut frame at the very start of a stream, which is no fault.
    """

    bytes: int = 0
    identity: int = 0
    samples: int = 0
    health: int = 0
    lost: int = 0
    duplicates: int = 0
    out_of_order: int = 0
    boots: int = 0
    time_steps: int = 0
    pauses: int = 0
    partial_first: int = 0
    refused: dict[Refusal, int] = field(default_factory=_none_refused)

    @property
    def good(self) -> int:
        """Good frames of every known kind."""
        return self.identity + self.samples + self.health

    @property
    def refused_total(self) -> int:
        """Refused frames of all causes."""
        return sum(self.refused.values())

    def snapshot(self) -> LinkCounts:
        """A copy that no longer changes with the stream."""
        return replace(self, refused=dict(self.refused))

    def since(self, earlier: LinkCounts) -> LinkCounts:
        """What was added after `earlier`, a snapshot of the same decoder."""
        added = LinkCounts(refused={cause: n - earlier.refused[cause] for cause, n in self.refused.items()})
        for name in _PLAIN:
            setattr(added, name, getattr(self, name) - getattr(earlier, name))
        return added


_PLAIN = tuple(name for name in LinkCounts.__slots__ if name != "refused")


def looks_like_wrong_baud(recent: LinkCounts) -> bool:
    """Whether what came lately (`counts.since(snapshot)`) looks like a line read at another speed than it is sent at.

    Rests on the link page: whatever the head does, a health frame comes every second or with every burst, so bytes in
    plenty without one good frame are not a sparing head; and line noise spoils single frames, not each of them. A
    UART at another speed gives bytes at the sender's pace whose bits are wrong: between its zero bytes nothing has a
    true CRC, or it gives no zero bytes and runs over-long. Another device or protocol on the line looks the same, so
    the text for the user must name both. A hint, never a judgement: nothing but a log line hangs on it.
    """
    return recent.bytes >= WRONG_BAUD_BYTES_MIN and recent.good == 0 and recent.refused_total > 0


def wrong_baud_text(baud: int, recent: LinkCounts) -> str:
    """The log line for it, one sentence for what is seen and one for what to do."""
    return (
        f"{recent.bytes} bytes came and not one frame was good: this looks like a wrong baud rate "
        f"(set to {baud}), or another device on this port. Set baud in the head's section to what the head sends."
    )
