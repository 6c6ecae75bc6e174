"""The head's link: bytes in, records out, every loss counted by its cause."""

from gateway.link.breaks import StreamBreak
from gateway.link.counts import LinkCounts, looks_like_wrong_baud, wrong_baud_text
from gateway.link.decoder import Decoder, Item

__all__ = ["Decoder", "Item", "LinkCounts", "StreamBreak", "looks_like_wrong_baud", "wrong_baud_text"]
