"""The words of notices and digests. Pure."""

from collections.abc import Sequence

from gateway.shore.fleet import FleetRow
from gateway.shore.notices.records import Delivery, Notice, Situation

SHOWN_MAX = 20
TITLE_CHARS_MAX = 150
LINK = "{link}"
"""Replaced when it is sent: each try has a link of its own."""
NOT_ABOARD = (
    "Seen means that you look after it: nobody else ashore is notified again. It acknowledges nothing aboard, and the "
    "ship does not learn of it."
)
WORKS = {
    "re-time": ("camshaft to re-time", "camshafts to re-time"),
    "retighten": ("chain to retighten", "chains to retighten"),
    "renew-chain": ("chain to renew", "chains to renew"),
    "find-fault": ("fault to find", "faults to find"),
    "compensate": ("compensation at the fuel pumps", "compensations at the fuel pumps"),
}


def headline(s: Situation) -> str:
    """Priority, place, text."""
    return f"{s.priority.upper()} {s.where}: {s.text}"


def title_of(d: Delivery) -> str:
    """On one line."""
    if not d.due:
        text = f"Over: {d.over[0].situation.where}: {d.over[0].situation.text}"
        more = len(d.over) - 1
    else:
        text, more = headline(d.due[0].situation), len(d.due) - 1
    tail = f" (and {more} more)" if more else ""
    room = TITLE_CHARS_MAX - len(tail)
    return (text if len(text) <= room else text[: room - 1] + "…") + tail


def body_of(d: Delivery, *, linked: bool) -> str:
    """The whole text, with LINK where the link belongs."""
    parts = [_due(n) for n in d.due[:SHOWN_MAX]]
    if len(d.due) > SHOWN_MAX:
        parts.append(f"And {len(d.due) - SHOWN_MAX} more; the fleet's page shows them all.")
    if d.over:
        lines = [f"- {n.situation.where}: {n.situation.text}" for n in d.over[:SHOWN_MAX]]
        lines += [f"- and {len(d.over) - SHOWN_MAX} more"] if len(d.over) > SHOWN_MAX else []
        parts.append("\n".join(["Over (it stands no more):", *lines]))
    if d.beside:
        parts.append(f"You get this because {d.beside}.")
    if d.due and linked:
        parts.append(f"Mark as seen: {LINK}\n{NOT_ABOARD}")
    return "\n\n".join(parts)


def _due(n: Notice) -> str:
    s = n.situation
    since = f"Since {s.since}" if s.since else ""
    state = {"unacknowledged": "not acknowledged aboard", "acknowledged": "acknowledged aboard"}.get(s.state, "")
    again = f"notice {n.step + 1}" if n.step else ""
    facts = ", ".join(x for x in (since, state, again) if x)
    lines = [headline(s), f"{facts}." if facts else "", f"What to do: {s.action}" if s.action else ""]
    return "\n".join(line for line in lines if line)


def digest(rows: Sequence[FleetRow], open_notices: Sequence[Notice], day: str) -> tuple[str, str]:
    """Title and body of the digest: works that are advised, cautions that stand, notices not marked seen."""
    works: dict[str, list[FleetRow]] = {}
    for row in rows:
        if row.decision in WORKS:
            works.setdefault(row.decision, []).append(row)
    ships = {r.vessel for r in rows}
    busy = {r.vessel for found in works.values() for r in found}
    counts = [f"{len(found)} {WORKS[do][len(found) != 1]}" for do, found in sorted(works.items())]
    waiting = [n for n in open_notices if not n.seen_by and n.absent_s is None]
    title = f"Fleet on {day}: {_count(len(busy), 'ship')} of {len(ships)} with work to plan"
    parts = [f"{title}{': ' + ', '.join(counts) if counts else ''}."]
    parts += [_works(do, found) for do, found in sorted(works.items())]
    cautions = [(r, a) for r in rows for a in r.standing if a.priority == "caution"]
    if cautions:
        parts.append(_list("Cautions:", [f"{_name(r)}: {a.text}" for r, a in cautions]))
    if waiting:
        parts.append(_list("Standing, not marked seen:", [headline(n.situation) for n in waiting]))
    if not (works or cautions or waiting):
        parts.append("Nothing to plan, and nothing stands.")
    parts.append("This digest comes also when there is nothing to do: where it does not come, look at the notifier.")
    return title, "\n\n".join(parts)


def _works(do: str, found: Sequence[FleetRow]) -> str:
    lines = []
    for r in found:
        ahead = f", next limit {r.next_limit}: {r.forecast}" if r.next_limit and r.forecast else ""
        lines.append(f"{_name(r)}: {r.why or ''}{ahead}")
    return _list(f"{WORKS[do][len(found) != 1].capitalize()}:", lines)


def _list(head: str, lines: Sequence[str]) -> str:
    shown = [f"- {line}" for line in lines[: 2 * SHOWN_MAX]]
    more = [f"- and {len(lines) - 2 * SHOWN_MAX} more"] if len(lines) > 2 * SHOWN_MAX else []
    return "\n".join([head, *shown, *more])


def _name(row: FleetRow) -> str:
    return row.vessel + (f"/{row.engine}" if row.engine else "")


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
