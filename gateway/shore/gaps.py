"""A person may record that missing events will never come: so dropped aboard, or lost with a broker's disk."""

from gateway.encode.messages import rfc3339
from gateway.model.errors import Refused
from gateway.shore.database import Database


def close_gap(db: Database, gateway: str, first: int, last: int, by: str, utc_s: float) -> None:
    """Close `first`–`last` of a gateway; the keepers go on from there within a minute.

    Raises Refused where the span is none, or where an event in it is kept (a gap holds nothing).
    """
    if not db.run("SELECT 1 FROM gateway WHERE gateway = ?", (gateway,)):
        raise Refused(f"gateway {gateway} has never been heard; `camdrift shore fleet --format json` names them")
    if not 1 <= first <= last:
        raise Refused(f"{first}-{last} is no span of numbers")
    kept = db.run(
        "SELECT min(seq), count(*) FROM event WHERE gateway = ? AND seq BETWEEN ? AND ?", (gateway, first, last)
    )
    if kept[0][1]:
        raise Refused(f"{first}-{last} is no gap: {kept[0][1]} of it are kept, the first is {kept[0][0]}")
    if not by.strip() or len(by) > 64 or "\0" in by:
        raise Refused("--by: a name of 1 to 64 characters")
    db.run(
        "INSERT INTO gap_closed (gateway, from_seq, to_seq, closed_at, actor) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING",
        (gateway, first, last, rfc3339(utc_s), by),
    )
