"""Who is at work ashore: each keeper and notifier renews a row of its own."""

from gateway.encode.messages import rfc3339
from gateway.shore.database import Database

KEEPER, NOTIFIER = "keeper", "notifier"
BEAT_S = 30.0
BREAK_S = 120.0


def beat(db: Database, kind: str, name: str, utc_s: float) -> None:
    """A worker is at work; after a break of two minutes it counts as new."""
    now = rfc3339(utc_s)
    db.run(
        "INSERT INTO worker (kind, name, since_at, seen_at) VALUES (?, ?, ?, ?) ON CONFLICT (kind, name) DO UPDATE SET "
        "since_at = CASE WHEN worker.seen_at < ? THEN excluded.since_at ELSE worker.since_at END, "
        "seen_at = excluded.seen_at",
        (kind, name, now, now, rfc3339(utc_s - BREAK_S)),
    )
