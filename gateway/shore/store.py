"""What the keepers write: batches of messages, and the books of each gateway's sequence. Any number at once.

**Nothing lost, nothing doubled.** A batch is one transaction; the broker hears of it only after the commit. An event is
its `(gateway, seq)`, so a copy changes nothing. Present states yield only to newer ones, so the order in which keepers
come does not matter. Rows are written in the order of their keys, so that two keepers wait and never deadlock.

**Books.** No batch touches what other batches touch: `heard_at` and the sequence's ends are brought up to date a moment
later, from the events themselves, under a lock on the gateway's row. What a killed keeper owes is found by `behind`.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from gateway.encode.messages import rfc3339, utc_of
from gateway.encode.shapes import MISSING_MAX
from gateway.model.limits import EVENTS_AGAIN_PER_S
from gateway.shore import sql
from gateway.shore.check import Checked, NotTaken, Reason
from gateway.shore.database import Again, DataFault, open_database, plain
from gateway.shore.habit import NOTED_S, noted
from gateway.shore.months import keep_months
from gateway.shore.rows import Batch
from gateway.shore.workers import KEEPER, beat

TRIES = 5
OWNERS_MAX = 200_000
GATEWAYS_PER_STEP = 200
VESSELS_PER_STEP = 500
SEQS_PER_STEP = 20_000
STEPS_MAX = 1_000
REFUSED_ROWS = 10_000
RECEIPTS_PER_STEP = 200

NEW_S = 86_400.0
"""So long after a gateway was first heard, what it recorded before is asked for as well,"""
BEFORE_FIRST = 2_000
"""and so many events of it."""
REPUBLISH_S = 30.0
ASK_S = 30.0
"""Until the same gap is asked for again; doubled each time that nothing has come, up to a day."""
ASK_S_MAX = 86_400.0

Item = Checked | NotTaken
Span = tuple[int, int]
Spans = tuple[Span, ...]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Gap:
    """Events known to exist and not kept, between `after` and `before`."""

    vessel: str
    gateway: str
    after: int
    before: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """For one gateway: everything up to `seq` is kept, and beyond it all but `missing` is, or is still under way."""

    vessel: str
    gateway: str
    seq: int
    missing: Spans


@dataclass(frozen=True, slots=True)
class _Due:
    """A row of RECEIPTS_DUE. `asks_gap`, `asks_before`: what may be asked for now; `is_open`: something is missing."""

    gateway: str
    vessel: str
    first: int
    upto: int
    asked: str
    asks: int
    ask_at: Any
    asks_gap: int
    asks_before: int
    is_open: int

    def published(self, receipt: Receipt, utc_s: float) -> tuple[Any, ...]:
        """For RECEIPT_PUBLISHED."""
        at = rfc3339(utc_s)
        if not self.is_open:
            return receipt.seq, at, "[]", 0, at, self.gateway
        if not self.asks_gap and not self.asks_before:
            return receipt.seq, at, self.asked, self.asks, self.ask_at, self.gateway
        asked = json.dumps(receipt.missing)
        asks = self.asks + 1 if asked == self.asked else 0
        # The ship sends so many a second; meanwhile it is not asked for the same again.
        takes_s = sum(b - a + 1 for a, b in receipt.missing) / EVENTS_AGAIN_PER_S
        wait_s = min(ASK_S_MAX, (ASK_S + takes_s) * 2.0 ** min(asks, 12))
        return receipt.seq, at, asked, asks, rfc3339(utc_s + wait_s), self.gateway


def _without(found: Iterable[Span], closed: Sequence[Span]) -> list[Span]:
    """What of `found` lies in none of `closed`; both sorted."""
    left: list[Span] = []
    for first, last in found:
        for a, b in closed:
            if first <= b and a <= last:
                if a > first:
                    left.append((first, a - 1))
                first = b + 1
        if first <= last:
            left.append((first, last))
    return left


def spans(items: Iterable[Item]) -> dict[str, Span]:
    """For each gateway among the events, the lowest and the highest seq."""
    found: dict[str, Span] = {}
    for item in items:
        if isinstance(item, Checked) and item.address.klass == "event":
            seq = item.message.seq
            lo, hi = found.get(item.message.gateway, (seq, seq))
            found[item.message.gateway] = (min(lo, seq), max(hi, seq))
    return found


class FleetStore:
    """The store of one keeper, for one thread. Raises StorageError where the database fails."""

    def __init__(self, url: str) -> None:
        self._db = open_database(url, make=True)
        self._owners: dict[str, str] = {}

    def close(self) -> None:
        """Give the connection back."""
        self._db.close()

    def keep(self, items: Sequence[Item], utc_s: float) -> list[Item]:
        """Keep a batch; returns it as it was kept, with what the database would not have among the refused."""
        if not items:
            return []
        for _ in range(TRIES):
            try:
                return self._keep(items, utc_s)
            except Again:
                continue
            except DataFault as e:
                return self._one_by_one(items, utc_s, str(e))
        return self._keep(items, utc_s)

    def _one_by_one(self, items: Sequence[Item], utc_s: float, why: str) -> list[Item]:
        """One message in it is poison: find it, and let the others through."""
        if len(items) > 1:
            return [kept for item in items for kept in self.keep([item], utc_s)]
        (item,) = items
        if isinstance(item, NotTaken):
            return [item]
        return self._keep([NotTaken(item.topic, item.address.vessel, Reason.STORE, why[:300], b"")], utc_s)

    def _keep(self, items: Sequence[Item], utc_s: float) -> list[Item]:
        with self._db.transaction():
            owners = self._owners_of(items, utc_s)
            kept = [_owned(item, owners) for item in items]
            batch = Batch()
            for item in kept:
                batch.add(item, utc_s)
            self._write(batch, utc_s)
        self._remember(owners)
        return kept

    def _owners_of(self, items: Sequence[Item], utc_s: float) -> Mapping[str, str]:
        """Whose each gateway is; one never heard of becomes that vessel's."""
        events = [i for i in items if isinstance(i, Checked) and i.address.klass == "event"]
        new = {i.message.gateway: i for i in reversed(events) if i.message.gateway not in self._owners}
        if not new:
            return self._owners
        lowest = spans(events)
        self._db.many(
            sql.GATEWAY,
            [
                (g, new[g].address.vessel, lowest[g][0], lowest[g][0] - 1, lowest[g][0] - 1, rfc3339(utc_s))
                for g in sorted(new)
            ],
        )
        rows = self._db.run(f"SELECT gateway, vessel FROM gateway WHERE gateway IN ({_marks(new)})", sorted(new))
        return {**{g: v for g, v in self._owners.items() if g in lowest}, **{str(g): str(v) for g, v in rows}}

    def _remember(self, owners: Mapping[str, str]) -> None:
        if owners is not self._owners:
            if len(self._owners) > OWNERS_MAX:
                self._owners.clear()
            self._owners.update(owners)

    def _write(self, b: Batch, utc_s: float) -> None:
        for statement, rows in (
            (sql.PRESENCE, b.presence),
            (sql.ALARM, b.alarms),
            (sql.ENGINE, b.engines(utc_s)),
            (sql.TREND, b.trends),
            (sql.EVENT, b.events),
            (sql.READING, b.readings),
        ):
            if rows:
                self._db.many(statement, [row for _, row in sorted(rows.items())])
        if b.refused:
            self._write_refused(b, utc_s)

    def _write_refused(self, b: Batch, utc_s: float) -> None:
        counts: dict[tuple[str, str], int] = {}
        for row in b.refused:
            counts[row[1], row[3]] = counts.get((row[1], row[3]), 0) + 1
        self._db.many(sql.REFUSED, b.refused)
        at = rfc3339(utc_s)
        self._db.many(sql.REFUSED_COUNT, [(*key, counts[key], at) for key in sorted(counts)])
        self._db.run(sql.REFUSED_BOUND, (REFUSED_ROWS,))

    def heard(self, vessels: Mapping[str, float]) -> None:
        """When each vessel was last heard, by the shore's clock."""
        names = sorted(vessels)
        for at in range(0, len(names), VESSELS_PER_STEP):
            self._again(partial(self._heard, {v: vessels[v] for v in names[at : at + VESSELS_PER_STEP]}))

    def _heard(self, vessels: Mapping[str, float]) -> None:
        with self._db.transaction():
            rows = self._db.run(sql.SILENCES.format(marks=_marks(vessels)) + self._db.locked, list(vessels))
            for vessel, heard_at, silences in rows:
                silence_s = vessels[vessel] - utc_of(str(plain(heard_at)))
                if silence_s >= NOTED_S:
                    self._db.run(sql.SILENCE, (json.dumps(noted(json.loads(silences), silence_s)), vessel))
            self._db.many(sql.HEARD, [(v, rfc3339(at)) for v, at in vessels.items()])

    def beat(self, name: str, utc_s: float) -> None:
        """This keeper is at work."""
        self._again(lambda: beat(self._db, KEEPER, name, utc_s))

    def gone(self, name: str) -> None:
        """This keeper will not come back."""
        self._again(lambda: self._db.run("DELETE FROM worker WHERE kind = ? AND name = ?", (KEEPER, name)))

    def advance(self, touched: Mapping[str, Span], utc_s: float) -> None:
        """Bring the books of these gateways up to the events that are kept."""
        names = sorted(touched)
        for at in range(0, len(names), GATEWAYS_PER_STEP):
            part = {g: touched[g] for g in names[at : at + GATEWAYS_PER_STEP]}
            for _ in range(STEPS_MAX):
                if not self._again(partial(self._advance, part, utc_s)):
                    break

    def _advance(self, part: Mapping[str, Span], utc_s: float) -> bool:
        """One step; True if there may be more to do."""
        marks, names = _marks(part), list(part)
        with self._db.transaction():
            rows = self._db.run(sql.GATEWAYS.format(marks=marks) + self._db.locked, names)
            books = {g: _Book(g, first, upto, top, gap) for g, first, upto, top, gap in rows}
            lowered = [book for book in books.values() if book.widen(*part[book.gateway])]
            if lowered:
                self._db.many(sql.GATEWAY_MOVED, [book.row(utc_s) for book in lowered])
            following = self._db.run(sql.FOLLOWING.format(marks=marks), [*names, SEQS_PER_STEP])
            for gateway, seq in following:
                books[gateway].follow(seq)
            jumped = self._jump_closed(books)
            self._db.many(sql.GATEWAY_MOVED, [book.row(utc_s) for book in books.values() if book.moved])
        return jumped or len(following) == SEQS_PER_STEP

    def _jump_closed(self, books: "Mapping[str, _Book]") -> bool:
        held = [book.gateway for book in books.values() if book.upto < book.top]
        if not held:
            return False
        jumped = False
        for gateway, from_seq, to_seq in self._db.run(sql.CLOSED.format(marks=_marks(held)), held):
            jumped |= books[gateway].jump(from_seq, to_seq)
        return jumped

    def behind(self) -> dict[str, Span]:
        """Gateways whose books are behind their events: what a killed keeper left undone."""
        return {str(g): (int(lo), int(hi)) for g, lo, hi in self._db.run(sql.BEHIND) if lo is not None}

    def receipts(self, utc_s: float, settle_s: float, publish: Callable[[list[Receipt]], set[str]]) -> int:
        """Have the receipts that are due published with their rows held: so they only rise. `publish` returns the
        gateways for which the broker has taken it.

        A gateway first seen within `settle_s`, and a gap as young, wait: another keeper may still hold what is missing.
        """
        settled, new = rfc3339(utc_s - settle_s), rfc3339(utc_s - NEW_S)
        now, repeat = rfc3339(utc_s), rfc3339(utc_s - REPUBLISH_S)
        with self._db.transaction():
            ask_gap, ask_before = (settled, now), (new, now)
            rows = self._db.run(
                sql.RECEIPTS_DUE + self._db.free,
                (*ask_gap, *ask_before, new, settled, *ask_gap, *ask_before, settled, repeat, RECEIPTS_PER_STEP),
            )
            due = {str(row[0]): _Due(*row) for row in rows}
            receipts = [Receipt(d.vessel, d.gateway, d.upto, self._missing(d)) for d in due.values()]
            taken = publish(receipts) if receipts else set()
            done = [due[r.gateway].published(r, utc_s) for r in receipts if r.gateway in taken]
            self._db.many(sql.RECEIPT_PUBLISHED, done)
        return len(taken)

    def _missing(self, due: "_Due") -> Spans:
        """The gaps of a gateway, lowest first, as many as a receipt may name; none that a person has closed."""
        found: list[Span] = []
        if due.asks_before:
            found.append((max(1, due.first - BEFORE_FIRST), due.first - 1))
        if due.asks_gap:
            ((lowest,),) = self._db.run(sql.LOWEST_ABOVE, (due.gateway, due.upto))
            holes = self._db.run(sql.HOLES, (due.gateway, due.upto, MISSING_MAX))
            found += [(due.upto + 1, int(lowest) - 1)] if lowest is not None and lowest > due.upto + 1 else []
            found += [(int(after) + 1, int(before) - 1) for after, before in holes]
        closed = self._db.run(sql.CLOSED.format(marks="?"), (due.gateway,)) if found else []
        return tuple(_without(found, [(int(a), int(b)) for _, a, b in closed])[:MISSING_MAX])

    def receipts_again(self, utc_s: float) -> None:
        """Every receipt is due again: who lost what came after the last one hears that we are at work."""
        now = rfc3339(utc_s)
        self._again(lambda: self._db.run(sql.RECEIPTS_AGAIN, (now, now)))

    def newly_silent(self, before_utc_s: float) -> list[tuple[str, Any]]:
        """Vessels not heard since `before_utc_s`, each reported by one keeper once."""
        return [(str(v), at) for v, at in self._db.run(sql.NEWLY_SILENT, (rfc3339(before_utc_s),))]

    def new_gaps(self, before_utc_s: float) -> list[Gap]:
        """Gaps open since before `before_utc_s`, each reported by one keeper once."""
        rows = self._db.run(sql.GAPS_DUE, (rfc3339(before_utc_s),))
        return [Gap(str(v), str(g), int(upto), int(top)) for g, v, upto, top in rows]

    def months(self, utc_s: float, readings_before_utc_s: float, trends_before_utc_s: float) -> list[str]:
        """In PostgreSQL: the months' tables of trends and readings, made ahead and dropped when they are too old."""
        before = {"reading": readings_before_utc_s, "trend": trends_before_utc_s}
        return self._again(lambda: keep_months(self._db, utc_s, before))

    def forget(self, readings_before_utc_s: float, trends_before_utc_s: float) -> None:
        """Delete what is older."""
        self._db.run("DELETE FROM reading WHERE reading_at < ?", (rfc3339(readings_before_utc_s),))
        self._db.run("DELETE FROM trend WHERE trend_at < ?", (rfc3339(trends_before_utc_s),))

    def _again(self, work: Callable[[], T]) -> T:
        for _ in range(TRIES):
            try:
                return work()
            except Again:
                continue
        return work()


@dataclass(slots=True)
class _Book:
    """The sequence of one gateway: everything from `first` to `upto` is kept; `top` is the highest kept."""

    gateway: str
    first: int
    upto: int
    top: int
    gap_since: Any
    moved: bool = False
    other_gap: bool = False

    def widen(self, lo: int, hi: int) -> bool:
        """Take in a span that was kept; True if the beginning has moved down, so that all must be walked again."""
        self.moved |= hi > self.top
        self.top = max(self.top, hi)
        if lo >= self.first:
            return False
        self.first, self.upto, self.moved = lo, lo - 1, True
        return True

    def follow(self, seq: int) -> None:
        """The next kept seq, in order."""
        if seq == self.upto + 1:
            self.upto, self.moved, self.other_gap = seq, True, True
        self.top = max(self.top, seq)

    def jump(self, from_seq: int, to_seq: int) -> bool:
        """Over a gap that a person has closed."""
        if not from_seq <= self.upto + 1 <= to_seq:
            return False
        self.upto, self.top, self.moved, self.other_gap = to_seq, max(self.top, to_seq), True, True
        return True

    def row(self, utc_s: float) -> tuple[Any, ...]:
        """For GATEWAY_MOVED."""
        whole = self.upto >= self.top
        same = not whole and not self.other_gap
        since = None if whole else (same and self.gap_since) or rfc3339(utc_s)
        return self.first, self.upto, self.top, since, int(same), self.gateway


def _owned(item: Item, owners: Mapping[str, str]) -> Item:
    if isinstance(item, NotTaken) or item.address.klass != "event":
        return item
    if owners[item.message.gateway] == item.address.vessel:
        return item
    detail = f"gateway {item.message.gateway} is known from another vessel"
    return NotTaken(item.topic, item.address.vessel, Reason.GATEWAY, detail, b"")


def _marks(names: Sequence[str] | Mapping[str, Any]) -> str:
    return ", ".join("?" * len(names))
