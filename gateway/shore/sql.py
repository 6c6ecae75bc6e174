"""Every statement that writes. `?` marks a value; PostgreSQL's `%s` is put in its place when the store is opened."""

EVENT_TEXT = "said"
"""The column of an event's and an alarm's text."""
NEWER = "WHERE excluded.{at} >= {table}.{at} OR {table}.{at} > ?"


def _insert(table: str, columns: str, tail: str) -> str:
    marks = ", ".join("?" * len(columns.split(",")))
    return f"INSERT INTO {table} ({columns}) VALUES ({marks}) {tail}"


def _set(columns: str) -> str:
    return "DO UPDATE SET " + ", ".join(f"{c} = excluded.{c}" for c in columns.replace(" ", "").split(","))


_NOTHING = "ON CONFLICT DO NOTHING"
_EVENT = (
    "gateway, seq, vessel, engine, event_at, kept_at, kind, subject, priority, came_from, went_to, hours, value, "
    "limit_value, unit, said, actor, message"
)
_ALARM = "alarm_at, state, priority, since_at, value, limit_value, unit, said, message"
_TREND = (
    "vessel, engine, trend_at, hours, lag_deg_p05, lag_deg, lag_deg_p95, lag_deg_per_1000h, elongation_percent, "
    "elongation_percent_per_1000h, decision, message, spring_mm, lost_motion_deg"
)
_ENGINE = (
    "trend_at, hours, lag_deg, lag_deg_per_1000h, elongation_percent, elongation_percent_per_1000h, next_limit, "
    "hours_to_p05, hours_to_p50, date_p05, date_p50, decision, why, message"
)
_READING = (
    "vessel, engine, reading_at, running, hours, rpm, spring_mm, compression_mm, slap_mm, lag_deg, casing_c, "
    "spring_quality, lag_quality"
)

EVENT = _insert("event", _EVENT, _NOTHING)
TREND = _insert("trend", _TREND, _NOTHING)
READING = _insert("reading", _READING, _NOTHING)
PRESENCE = _insert(
    "vessel",
    "vessel, state, presence_at, version, heard_at, state_since",
    f"ON CONFLICT (vessel) {_set('state, presence_at, version')}, state_since = "
    "CASE WHEN coalesce(vessel.state, '') <> excluded.state THEN excluded.state_since ELSE vessel.state_since END "
    "WHERE vessel.presence_at IS NULL OR ? >= vessel.presence_at OR vessel.presence_at > ?",
)
ALARM = _insert(
    "alarm",
    "vessel, engine, tag, " + _ALARM,
    f"ON CONFLICT (vessel, engine, tag) {_set(_ALARM)} {NEWER.format(table='alarm', at='alarm_at')}",
)
ENGINE = _insert(
    "engine_now",
    "vessel, engine, " + _ENGINE,
    f"ON CONFLICT (vessel, engine) {_set(_ENGINE)} {NEWER.format(table='engine_now', at='trend_at')}",
)
REFUSED = _insert("refused", "kept_at, vessel, topic, reason, detail, size_bytes, beginning", "")
REFUSED_COUNT = _insert(
    "refused_count",
    "vessel, reason, messages, last_at",
    "ON CONFLICT (vessel, reason) DO UPDATE SET messages = refused_count.messages + excluded.messages, "
    "last_at = excluded.last_at",
)
REFUSED_BOUND = "DELETE FROM refused WHERE id <= (SELECT max(id) FROM refused) - ?"
HEARD = _insert(
    "vessel",
    "vessel, heard_at",
    "ON CONFLICT (vessel) DO UPDATE SET heard_at = excluded.heard_at, silent_since = NULL "
    "WHERE excluded.heard_at > vessel.heard_at",
)
SILENCES = "SELECT vessel, heard_at, silences FROM vessel WHERE vessel IN ({marks}) ORDER BY vessel"
SILENCE = "UPDATE vessel SET silences = ? WHERE vessel = ?"
GATEWAY = _insert("gateway", "gateway, vessel, first_seq, upto_seq, top_seq, seen_at", _NOTHING)
GATEWAY_MOVED = (
    "UPDATE gateway SET first_seq = ?, upto_seq = ?, top_seq = ?, gap_since = ?, gap_told = gap_told * ? "
    "WHERE gateway = ?"
)
GATEWAYS = (
    "SELECT gateway, first_seq, upto_seq, top_seq, gap_since FROM gateway WHERE gateway IN ({marks}) ORDER BY gateway"
)
FOLLOWING = (
    "SELECT e.gateway, e.seq FROM event e JOIN gateway g ON g.gateway = e.gateway WHERE g.gateway IN ({marks}) "
    "AND e.seq > g.upto_seq AND EXISTS (SELECT 1 FROM event n WHERE n.gateway = g.gateway AND n.seq = g.upto_seq + 1) "
    "ORDER BY e.gateway, e.seq LIMIT ?"
)
CLOSED = "SELECT gateway, from_seq, to_seq FROM gap_closed WHERE gateway IN ({marks}) ORDER BY gateway, from_seq"
BEHIND = (
    "SELECT gateway, lo, hi FROM (SELECT g.gateway, g.first_seq, g.upto_seq, g.top_seq, "
    "(SELECT min(e.seq) FROM event e WHERE e.gateway = g.gateway) AS lo, "
    "(SELECT max(e.seq) FROM event e WHERE e.gateway = g.gateway) AS hi FROM gateway g) AS s "
    "WHERE lo < first_seq OR hi > top_seq "
    "OR EXISTS (SELECT 1 FROM event n WHERE n.gateway = s.gateway AND n.seq = s.upto_seq + 1) "
    "OR EXISTS (SELECT 1 FROM gap_closed c WHERE c.gateway = s.gateway AND c.from_seq <= s.upto_seq + 1 "
    "AND c.to_seq > s.upto_seq)"
)
RECEIPTS_DUE = (
    "SELECT gateway, vessel, first_seq, upto_seq, asked, asks, ask_at, CASE WHEN {gap} THEN 1 ELSE 0 END, "
    "CASE WHEN {before} AND ask_at < ? THEN 1 ELSE 0 END, "
    "CASE WHEN gap_since IS NULL AND NOT {before} THEN 0 ELSE 1 END FROM gateway WHERE seen_at < ? AND ({gap} "
    "OR ({before} AND ask_at < ?) OR ((gap_since IS NULL OR gap_since >= ?) AND CASE WHEN receipt_seq < 0 "
    "THEN receipt_at < ? ELSE receipt_seq < upto_seq END)) ORDER BY gateway LIMIT ?"
).format(gap="(gap_since < ? AND ask_at < ?)", before="(first_seq > 1 AND seen_at > ?)")
"""What may be asked for now, and what has risen; the last three columns: a gap, what was before the first, either."""
RECEIPT_PUBLISHED = (
    "UPDATE gateway SET receipt_seq = ?, receipt_at = ?, asked = ?, asks = ?, ask_at = ? WHERE gateway = ?"
)
RECEIPTS_AGAIN = "UPDATE gateway SET receipt_seq = -1, ask_at = CASE WHEN ask_at > ? THEN ? ELSE ask_at END"
HOLES = (
    "SELECT after, before FROM (SELECT seq AS after, lead(seq) OVER (ORDER BY seq) AS before FROM event "
    "WHERE gateway = ? AND seq > ?) AS s WHERE before > after + 1 ORDER BY after LIMIT ?"
)
LOWEST_ABOVE = "SELECT min(seq) FROM event WHERE gateway = ? AND seq > ?"
NEWLY_SILENT = (
    "UPDATE vessel SET silent_since = heard_at WHERE silent_since IS NULL AND heard_at < ? RETURNING vessel, heard_at"
)
GAPS_DUE = (
    "UPDATE gateway SET gap_told = 1 WHERE gap_told = 0 AND gap_since < ? RETURNING gateway, vessel, upto_seq, top_seq"
)
