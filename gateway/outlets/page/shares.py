"""How much of something scarce is taken, in all and by one address."""

from collections import Counter

from gateway.model.errors import CamdriftError


class Busy(CamdriftError):
    """All places are taken just now."""


class Shares:
    """`total` places, of which one address has `per_address` at most; `words`: the answer where there is none."""

    def __init__(self, total: int, per_address: int, words: str) -> None:
        self._total, self._per_address, self._words = total, per_address, words
        self._taken: Counter[str] = Counter()

    def __len__(self) -> int:
        return self._taken.total()

    def take(self, address: str) -> None:
        """Take a place. Raises Busy."""
        if len(self) >= self._total or self._taken[address] >= self._per_address:
            raise Busy(self._words)
        self._taken[address] += 1

    def leave(self, address: str) -> None:
        """Give it back."""
        self._taken[address] -= 1
        if self._taken[address] <= 0:
            del self._taken[address]
