"""What stands, from the fleet's database: alarms, silent ships, missing events, workers that do not respond."""

import json
from typing import Any

from gateway.alarm.wording import WORDS
from gateway.encode.messages import rfc3339, utc_of
from gateway.model.shore_settings import NoticeSettings
from gateway.shore.database import Database, plain
from gateway.shore.fleet import STANDING_ALARMS
from gateway.shore.habit import silent_after_s
from gateway.shore.notices.records import EVENTS_MISSING, KEEPER_SILENT, NOTIFIER_SILENT, SHIP_SILENT, Situation
from gateway.shore.workers import KEEPER, NOTIFIER

Worker = tuple[str, str, float, float]
"""Kind, name, at work since, last seen."""
AFTER_RETURN_S = 600.0
"""Ships are heard again within so long once keepers are back: until then none is called silent."""

_VESSELS = "SELECT vessel, heard_at, silences FROM vessel WHERE heard_at < ? ORDER BY vessel"
_GAPS = (
    "SELECT g.gateway, g.vessel, g.gap_since, g.top_seq - g.upto_seq - "
    "(SELECT count(*) FROM event e WHERE e.gateway = g.gateway AND e.seq > g.upto_seq) FROM gateway g "
    "WHERE g.upto_seq < g.top_seq AND g.gap_since < ? ORDER BY g.gateway"
)
_WORKERS = "SELECT kind, name, since_at, seen_at FROM worker ORDER BY kind, name"


def situations(db: Database, s: NoticeSettings, utc_s: float, name: str = "") -> list[Situation]:
    """All that stands by the shore's clock. `name`: of the notifier that asks, which is at work."""
    workers = [(str(k), str(n), _s(since), _s(seen)) for k, n, since, seen in db.run(_WORKERS)]
    found = [_alarm(row) for row in db.run(STANDING_ALARMS)]
    found += _silent(db, s, utc_s, workers)
    found += [_gap(row) for row in db.run(_GAPS, (rfc3339(utc_s - s.gap_after_min * 60),)) if int(row[3]) > 0]
    return found + _dead(workers, s, utc_s, name)


def _alarm(row: tuple[Any, ...]) -> Situation:
    vessel, engine, tag, priority, state, since, *_, text = (plain(v) for v in row)
    action = WORDS[tag].action if tag in WORDS else ""
    key = f"alarm:{vessel}/{engine}/{tag}"
    return Situation(key, vessel, engine, tag, priority, text, action, _shown(since), state)


def _silent(db: Database, s: NoticeSettings, utc_s: float, workers: list[Worker]) -> list[Situation]:
    """None while no keeper has been at work for a while: then it is the shore that does not hear."""
    alive_s = s.keeper_after_min * 60
    listening = [since for kind, _, since, seen in workers if kind == KEEPER and utc_s - seen < alive_s]
    least_s = s.silent_after_min * 60
    if not listening or utc_s - min(listening) < min(AFTER_RETURN_S, least_s):
        return []
    found = []
    for vessel, heard_at, silences in db.run(_VESSELS, (rfc3339(utc_s - least_s),)):
        heard, limit_s = str(plain(heard_at)), silent_after_s(json.loads(silences), least_s)
        if utc_s - utc_of(heard) >= limit_s:
            text = f"Nothing received from the ship for more than {limit_s / 3600:,.1f} h, longer than usual for it."
            action = "Ask the ship, and look at its link. Alarms aboard do not depend on it."
            found.append(
                Situation(f"silent:{vessel}", str(vessel), "", SHIP_SILENT, "warning", text, action, _shown(heard))
            )
    return found


def _gap(row: tuple[Any, ...]) -> Situation:
    gateway, vessel, since, missing = (plain(v) for v in row)
    # A gap that has grown tenfold is another situation, also to somebody who has seen the smaller one.
    size = len(str(missing))
    text = f"{missing} events of gateway {gateway} are missing ashore; the ship was asked to send them again."
    action = "Look at `camdrift status` aboard. If they will never come: `camdrift shore close-gap`."
    return Situation(f"gap:{gateway}:{size}", vessel, "", EVENTS_MISSING, "warning", text, action, _shown(since))


def _dead(workers: list[Worker], s: NoticeSettings, utc_s: float, me: str) -> list[Situation]:
    alive = {k: any(w[0] == k and utc_s - w[3] < s.keeper_after_min * 60 for w in workers) for k in (KEEPER, NOTIFIER)}
    found = []
    for kind, name, _, seen in workers:
        if utc_s - seen < s.keeper_after_min * 60 or (kind, name) == (NOTIFIER, me):
            continue
        if kind == KEEPER:
            rest = "another one keeps." if alive[KEEPER] else "no keeper works: nothing from any ship is kept."
            text, tag = f"Keeper {name} does not respond; {rest}", KEEPER_SILENT
            action = "Look at the keeper's service and log. If it is gone for good: `camdrift shore keep --drain`."
        else:
            text, tag = f"Notifier {name} does not respond; this one works.", NOTIFIER_SILENT
            gone = f"`camdrift shore notify --forget {name}`"
            action = f"Look at the notifier's service and log. If it is gone for good: {gone}."
        priority = "warning" if kind == NOTIFIER or alive[KEEPER] else "alarm"
        at = _shown(rfc3339(seen))
        found.append(Situation(f"{kind}:{name}:{priority}", "", "", tag, priority, text, action, at))
    return found


def _shown(at: Any) -> str:
    return f"{str(at)[:16].replace('T', ' ')} UTC" if at else ""


def _s(value: Any) -> float:
    return utc_of(str(plain(value)))
