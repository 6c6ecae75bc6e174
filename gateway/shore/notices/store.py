"""Notices in the fleet's database: one look at a time decides; what it decides is claimed, sent, and put on record.

**Once.** A look reads, decides and writes in one transaction, under a lock that all notifiers share: of two, the second
finds what the first has decided. **Never forgotten.** A delivery is written before it is sent. Whoever sends it claims
it for a while; where a notifier dies in between, another one takes it up. A death between sending and writing that it
was sent makes a copy, never a loss.
"""

import hashlib
import json
import secrets
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from gateway.encode.messages import rfc3339, utc_of
from gateway.model.shore_settings import ShoreSettings
from gateway.shore.database import Again, open_database, plain
from gateway.shore.notices.decide import decide
from gateway.shore.notices.records import Decision, Delivery, Notice, Reached, Situation
from gateway.shore.notices.situations import situations
from gateway.shore.notices.texts import body_of, title_of
from gateway.shore.workers import NOTIFIER, beat

CLAIM_S = 120.0
"""A try takes 60 s at most."""
TRIES_UNREACHABLE = 2
RETRY_S = 30.0
RETRY_S_MAX = 900.0
GIVE_UP_S = 3_600.0
"""What is older is repeated anyway, or seen, or over."""
SENT_AT_ONCE = 50
KEEP_DAYS = 400.0
DAY_S = 86_400.0

_OPEN = (
    "SELECT id, situation, opened_at, step, next_at, absent_at, people, seen_by FROM notice WHERE over_at IS NULL "
    "ORDER BY id"
)
_INSERT = (
    "INSERT INTO notice (key, situation, opened_at, step, next_at, absent_at, people, over_at) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING id"
)
_UPDATE = "UPDATE notice SET situation = ?, step = ?, next_at = ?, absent_at = ?, people = ?, over_at = ? WHERE id = ?"
_REACHED = "SELECT person, max(made_at), count(*) FROM delivery WHERE made_at > ? GROUP BY person"
_FAILING = (
    "SELECT person, failure FROM delivery d WHERE made_at > ? AND failure <> '' AND sent_at IS NULL AND tries >= ? "
    "AND NOT EXISTS "
    "(SELECT 1 FROM delivery n WHERE n.person = d.person AND n.id > d.id AND n.sent_at IS NOT NULL) ORDER BY id"
)
_DELIVERY = (
    "INSERT INTO delivery (person, kind, title, body, about, once, made_at, next_try_at) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
)
_WAITS = "sent_at IS NULL AND dropped_at IS NULL AND next_try_at <= ? AND (claimed_until IS NULL OR claimed_until < ?)"
# One for each person: whatever waits for somebody who cannot be reached holds up nobody else.
_WAITING = (
    f"SELECT id, person, kind, title, body, tries FROM delivery WHERE {_WAITS} "
    f"AND id IN (SELECT min(id) FROM delivery WHERE {_WAITS} GROUP BY person) ORDER BY id LIMIT ?"
)
_GIVE_UP = (
    "UPDATE delivery SET dropped_at = ? WHERE sent_at IS NULL AND dropped_at IS NULL AND made_at < ? AND tries > 0"
)


@dataclass(frozen=True, slots=True)
class Claimed:
    """A delivery to be sent now, by us. `token`: of its link, in clear here only; empty where it has none."""

    id: int
    person: str
    kind: str
    title: str
    body: str
    tries: int
    token: str


@dataclass(frozen=True, slots=True)
class Linked:
    """What a link leads to: the notices of one delivery, and to whom it went."""

    person: str
    notices: tuple[tuple[Notice, str, bool], ...]
    """Each with when it was seen (empty: not) and whether it is over."""


class NoticeStore:
    """The notices' part of the store, for one thread. Raises StorageError where the database fails."""

    def __init__(self, url: str, *, make: bool = True) -> None:
        self._db = open_database(url, make=make)

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    def beat(self, name: str, utc_s: float) -> None:
        """This notifier is at work."""
        beat(self._db, NOTIFIER, name, utc_s)

    def gone(self, name: str) -> None:
        """This notifier will not come back."""
        self._db.run("DELETE FROM worker WHERE kind = ? AND name = ?", (NOTIFIER, name))

    def look(self, settings: ShoreSettings, utc_s: float, name: str = "") -> Decision:
        """Decide what is due now, and write it down: notices, and deliveries to be sent."""
        for _ in range(4):
            try:
                return self._look(settings, utc_s, name)
            except Again:
                continue
        return self._look(settings, utc_s, name)

    def _look(self, settings: ShoreSettings, utc_s: float, name: str) -> Decision:
        with self._db.transaction():
            self._db.run("SELECT id FROM notice_lock" + self._db.locked)
            standing = situations(self._db, settings.notices, utc_s, name)
            found = decide(utc_s, standing, self.open_notices(), self._reached(utc_s), settings)
            ids = self._write(found.notices, utc_s)
            for d in found.deliveries:
                self._deliver(d, ids, settings, utc_s)
            self._db.run(_GIVE_UP, (rfc3339(utc_s), rfc3339(utc_s - GIVE_UP_S)))
        return found

    def open_notices(self) -> list[Notice]:
        """Those that are not over."""
        return [_notice(row) for row in self._db.run(_OPEN)]

    def _reached(self, utc_s: float) -> dict[str, Reached]:
        since = rfc3339(utc_s - DAY_S)
        failing = {str(p): str(why) for p, why in self._db.run(_FAILING, (since, TRIES_UNREACHABLE))}
        rows = self._db.run(_REACHED, (rfc3339(utc_s - 3_600),))
        found = {p: Reached(unreachable=why) for p, why in failing.items()}
        return found | {str(p): Reached(_s(last), int(n), failing.get(str(p), "")) for p, last, n in rows}

    def _write(self, notices: Sequence[Notice], utc_s: float) -> dict[str, int]:
        """The ids of all, by key."""
        ids: dict[str, int] = {}
        for n in notices:
            people = json.dumps(n.people)
            absent = None if n.absent_s is None else rfc3339(n.absent_s)
            over = rfc3339(utc_s) if n.over else None
            situation = json.dumps(asdict(n.situation))
            if n.id:
                self._db.run(_UPDATE, (situation, n.step, rfc3339(n.next_s), absent, people, over, n.id))
                ids[n.situation.key] = n.id
            else:
                opened, due = rfc3339(n.opened_s), rfc3339(n.next_s)
                row = (n.situation.key, situation, opened, n.step, due, absent, people, over)
                ((ids[n.situation.key],),) = self._db.run(_INSERT, row)
        return ids

    def _deliver(self, d: Delivery, ids: Mapping[str, int], settings: ShoreSettings, utc_s: float) -> None:
        about = [ids.get(n.situation.key, n.id) for n in (*d.due, *d.over)]
        body = body_of(d, linked=settings.notices.address is not None)
        at = rfc3339(utc_s)
        self._db.run(_DELIVERY, (d.person, "notice", title_of(d), body, json.dumps(about), None, at, at))

    def deliver_once(self, person: str, kind: str, once: str, title: str, body: str, utc_s: float) -> None:
        """A delivery of which there is one for ever, by the name `once`."""
        at = rfc3339(utc_s)
        self._db.run(_DELIVERY, (person, kind, title, body, "[]", once, at, at))

    def has_once(self, once: str) -> bool:
        """Whether it was made."""
        return bool(self._db.run("SELECT 1 FROM delivery WHERE once = ?", (once,)))

    def claim(
        self, settings: ShoreSettings, utc_s: float, busy: Collection[str] = (), most: int = SENT_AT_ONCE
    ) -> list[Claimed]:
        """Deliveries that wait, claimed for us: at most `most`, one for each person, and none for those in `busy`."""
        now = rfc3339(utc_s)
        found: list[Claimed] = []
        with self._db.transaction():
            for row in self._db.run(_WAITING + self._db.free, (now, now, now, now, most + len(busy))):
                one = _claimed(row)
                if one.person in busy or len(found) == most:
                    continue
                found.append(one)
                self._db.run("UPDATE delivery SET claimed_until = ? WHERE id = ?", (rfc3339(utc_s + CLAIM_S), one.id))
                link = (digest_of(one.token), one.id, rfc3339(utc_s + settings.notices.link_hours * 3_600))
                self._db.run("INSERT INTO delivery_link (digest, delivery, expires_at) VALUES (?, ?, ?)", link)
        return found

    def sent(self, one: Claimed, utc_s: float) -> None:
        """It has reached at least one address."""
        self._db.run(
            "UPDATE delivery SET sent_at = ?, claimed_until = NULL, tries = ?, failure = '' WHERE id = ?",
            (rfc3339(utc_s), one.tries + 1, one.id),
        )

    def failed(self, one: Claimed, why: str, utc_s: float) -> None:
        """It has reached nobody; another try comes, later and later."""
        wait_s = min(RETRY_S_MAX, RETRY_S * 2.0 ** min(one.tries, 10))
        self._db.run(
            "UPDATE delivery SET next_try_at = ?, claimed_until = NULL, tries = ?, failure = ? WHERE id = ?",
            (rfc3339(utc_s + wait_s), one.tries + 1, why[:300] or "not sent", one.id),
        )

    def linked(self, token: str, utc_s: float) -> Linked | None:
        """What a link leads to; `None` for one that is unknown or has expired. Changes nothing."""
        rows = self._db.run(
            "SELECT d.person, d.about FROM delivery_link l JOIN delivery d ON d.id = l.delivery "
            "WHERE l.digest = ? AND l.expires_at > ?",
            (digest_of(token), rfc3339(utc_s)),
        )
        if not rows:
            return None
        ids = [int(i) for i in json.loads(rows[0][1])]
        return Linked(str(rows[0][0]), tuple(self._by_id(ids)))

    def _by_id(self, ids: Sequence[int]) -> list[tuple[Notice, str, bool]]:
        if not ids:
            return []
        marks = ", ".join("?" * len(ids))
        rows = self._db.run(
            "SELECT id, situation, opened_at, step, next_at, absent_at, people, seen_by, seen_at, over_at FROM notice "
            f"WHERE id IN ({marks}) ORDER BY id",
            ids,
        )
        return [(_notice(row[:8]), str(plain(row[8]) or ""), row[9] is not None) for row in rows]

    def mark_seen(self, ids: Sequence[int], by: str, utc_s: float) -> int:
        """Mark these seen, unless somebody has already; returns how many."""
        marked = 0
        for i in ids:
            rows = self._db.run(
                "UPDATE notice SET seen_by = ?, seen_at = ? WHERE id = ? AND seen_by = '' RETURNING id",
                (by, rfc3339(utc_s), i),
            )
            marked += len(rows)
        return marked

    def forget(self, utc_s: float) -> None:
        """Delete what is long over."""
        before = rfc3339(utc_s - KEEP_DAYS * DAY_S)
        self._db.run("DELETE FROM delivery_link WHERE expires_at < ?", (rfc3339(utc_s),))
        self._db.run("DELETE FROM delivery WHERE made_at < ?", (before,))
        self._db.run("DELETE FROM notice WHERE over_at < ?", (before,))


def _claimed(row: Sequence[Any]) -> Claimed:
    i, person, kind, title, body, tries = row
    return Claimed(int(i), str(person), str(kind), str(title), str(body), int(tries), secrets.token_urlsafe(32))


def digest_of(token: str) -> str:
    """What is kept of a link's secret."""
    return hashlib.sha256(token.encode()).hexdigest()


def _s(value: Any) -> float:
    return utc_of(str(plain(value)))


def _notice(row: Sequence[Any]) -> Notice:
    i, situation, opened, step, due, absent, people, seen_by = row
    return Notice(
        int(i), Situation(**json.loads(situation)), _s(opened), int(step), _s(due),
        None if absent is None else _s(absent), tuple(json.loads(people)), str(seen_by),
    )  # fmt: skip
