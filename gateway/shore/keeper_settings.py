"""How a keeper keeps: plain figures, which its help shows without what does the work."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KeeperSettings:
    """How a keeper keeps. `name`: its own among the keepers of a group; the same again after a restart."""

    store: str
    prefix: str = "camdrift/1"
    group: str = "keepers"
    name: str = "1"
    readings: bool = False
    receipts: bool = True
    batch: int = 200
    batch_s: float = 0.05
    window: int = 400
    """Two batches: the broker sends the next one while this one is written."""
    books_s: float = 2.0
    settle_s: float = 10.0
    """Gaps and first receipts wait so long: another keeper may still hold what is missing."""
    sweep_s: float = 60.0
    silent_after_s: float = 3 * 3600.0
    """Trends come each hour while the engine is known, so three hours are three missed ones."""
    rate_per_s: float = 20.0
    rate_burst: float = 250_000.0
    """A whole outbox aboard (200,000 by default) and some more is no flood."""
    session_days: float = 30.0
    readings_days: float = 35.0
    trends_days: float = 1_826.0
    pause_s: float = 2.0
    pause_s_max: float = 60.0

    @property
    def client_id(self) -> str:
        """The session's name at the broker."""
        return f"camdrift-{self.group or 'alone'}-{self.name}"
