"""The fleet by urgency, a ship, an engine's years, sisters side by side, planning; the same as CSV."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from starlette.responses import Response

from gateway.alarm.wording import WORDS
from gateway.encode.event_words import DATA
from gateway.encode.outlook import outlook
from gateway.encode.shapes import Range, TrendMessage
from gateway.model.csv_text import csv_text
from gateway.model.errors import Refused
from gateway.model.shore_settings import EngineGroup, ShoreSettings
from gateway.report.markup import Child, Markup, tag
from gateway.shore import fleet as listing
from gateway.shore.fleet import STALE_H, FleetRow, Standing
from gateway.shore.page.drawing import over_time, side_by_side
from gateway.shore.page.frame import form, input_of, page, table
from gateway.shore.page.read import Course, Reader
from gateway.shore.plan import Stay, Work, in_stays, plan
from gateway.shore.sisters import Sister, forecast, since_new

if TYPE_CHECKING:
    from gateway.shore.page.app import Asked, Handler

YEAR_S = 365.25 * 86_400
YEARS = (1, 2, 5, 11)
REPORTS = {"31": "31 days", "92": "92 days", "366": "1 year", "1827": "5 years"}
HTML = "text/html; charset=utf-8"
SURVEYS = {
    "survey": ("Survey file", "survey-html", "survey.html", HTML),
    "tables": ("Survey file and its tables (CSV)", "survey-tables", "survey.zip", "application/zip"),
}
"""Text of the link, kind, the file's name behind the vessel's, media type."""
STANDING_MAX = 200
LIMITS = {
    "lag-near": "Camshaft lag, warning limit",
    "lag-limit": "Camshaft lag, limit",
    "tension-low": "Chain slack",
    "elongation-near": "Chain elongation, warning limit",
    "elongation-limit": "Chain elongation, limit",
    "retighten-due": "Retightening due",
}
"""What a forecast counts towards; an alarm's title would read as if it were reached."""


class Views:
    """Every page that only reads, and the planner's stays."""

    def __init__(
        self,
        reader: Reader,
        url: str,
        settings: ShoreSettings,
        utc: Callable[[], float],
        report: Callable[[str, int | str], bytes] | None = None,
    ) -> None:
        self._reader, self._url, self._settings, self._utc, self._report = reader, url, settings, utc, report
        self._known = {s.vessel for s in settings.ship} if report else set()

    def pages(self) -> "list[tuple[str, Handler]]":
        """To read."""
        return [
            ("/", self.fleet),
            ("/fleet.csv", self.fleet_csv),
            ("/ship/{vessel}", self.ship),
            ("/report/{vessel}", self.report),
            ("/engine/{vessel}/{engine}.csv", self.engine_csv),
            ("/engine/{vessel}/{engine}", self.engine),
            ("/sisters", self.groups),
            ("/sisters/{number:int}", self.sisters),
            ("/plan", self.plan),
            ("/plan.csv", self.plan_csv),
        ]

    def acts(self) -> "list[tuple[str, Handler]]":
        """A planner's."""
        return [("/plan/stay", self.add_stay), ("/plan/remove", self.remove_stay)]

    def fleet(self, asked: "Asked") -> Response:
        """What stands first, then every engine, the most urgent first."""
        rows = listing.fleet(self._url, self._utc())
        standing = _standing(rows)
        calls = [_alarm(row, a) for row, a in standing[:STANDING_MAX] if a.priority != "caution"]
        return page(
            "Fleet by urgency", "/", asked.visitor,
            _stale(rows),
            calls or tag("p", "No alarm or warning stands.", class_="words"),
            tag("h3", f"Engines: {len(rows)}"),
            _engines(rows),
            tag("p", tag("a", "As CSV", href="/fleet.csv")),
        )  # fmt: skip

    def fleet_csv(self, _asked: "Asked") -> Response:
        """The same as a file."""
        return _csv("fleet.csv", listing.as_csv(listing.fleet(self._url, self._utc())))

    def ship(self, asked: "Asked") -> Response:
        """One ship: its engines, what stands, its last events."""
        vessel = asked.path["vessel"]
        rows = [r for r in listing.fleet(self._url, self._utc()) if r.vessel == vessel]
        if not rows:
            raise Refused(f"No ship called {vessel} has ever been heard.")
        r = rows[0]
        heads = ("Time, UTC", "Engine", "What", "Text", "By")
        events = [
            (at, engine, f"{tag_} {to}".strip() if kind == "alarm" else tag_, text.partition(DATA)[0], actor)
            for at, engine, kind, tag_, _, to, text, actor in self._reader.events(vessel)
        ]
        missing = f"{r.missing_events} events are missing ashore." if r.missing_events else ""
        return page(
            f"Ship {vessel}", "/", asked.visitor,
            tag("p", f"Link {r.state or 'unknown'}; last heard {_hours(r.silence_h)} ago. {missing}"),
            [_alarm(row, a) for row, a in _standing(rows)] or tag("p", "Nothing stands.", class_="words"),
            tag("h3", "Engines"), _engines(rows),
            tag("h3", "Report"), self._reports(vessel),
            tag("h3", "Last events"), table("Last events", heads, events),
        )  # fmt: skip

    def _reports(self, vessel: str) -> Markup:
        if vessel not in self._known:
            words = "None is made here: a copy of the ship's settings must be kept ashore and named in a [[ship]]."
            return tag("p", words, class_="words")
        links: list[Child] = []
        for days, name in REPORTS.items():
            links += [tag("a", name, href=f"/report/{vessel}?days={days}", class_="button"), " "]
        for days, (name, *_) in SURVEYS.items():
            links += [tag("a", name, href=f"/report/{vessel}?days={days}", class_="button"), " "]
        return tag("p", links, class_="row", role="group", aria_label="Report")

    def report(self, asked: "Asked") -> Response:
        """A vessel's report, or its survey file, as a file to save, print and sign."""
        vessel, days = asked.path["vessel"], asked.query.get("days", "")
        if vessel not in self._known or self._report is None:
            raise Refused(f"No settings of {vessel[:40]} are kept ashore; name a copy of them in a [[ship]].")
        if days in SURVEYS:
            _, kind, file, media_type = SURVEYS[days]
            made = self._report(vessel, kind)
        elif days in REPORTS:
            file, media_type = "report.html", HTML
            made = self._report(vessel, int(days))
        else:
            raise Refused("Of which time? Choose on the ship's page.")
        headers = {"content-disposition": f'attachment; filename="{vessel}-{file}"', "cache-control": "no-store"}
        return Response(made, media_type=media_type, headers=headers)

    def engine(self, asked: "Asked") -> Response:
        """An engine over the years, with its work and alarms."""
        vessel, engine = asked.path["vessel"], asked.path["engine"]
        years = _years(asked.query)
        course = self._reader.course(vessel, engine, self._utc() - years * YEAR_S)
        trend = self._reader.trend(vessel, engine)
        if trend is None and not course.rows:
            raise Refused(f"Nothing is kept of {vessel}/{engine}.")
        spans: list[Child] = []
        for y in YEARS:
            name = f"{y} year{'s' if y > 1 else ''}"
            here = f"/engine/{vessel}/{engine}?years={y}"
            spans += [tag("a", name, href=here, aria_current="true" if y == years else None, class_="button"), " "]
        return page(
            f"Engine {vessel}/{engine}", "/", asked.visitor,
            tag("p", tag("a", f"Ship {vessel}", href=f"/ship/{vessel}")),
            _present(trend), self._with_sisters(vessel, engine, trend),
            tag("p", spans, class_="row", role="group", aria_label="Time shown"),
            _pictures(course),
            tag("h3", "Work"),
            table("Work", ("No.", "Time, UTC", "What", "Running hours", "Text"),
                  [(str(i), _minute(at), what, _number(h, ",.0f"), text)
                   for i, (at, what, h, text) in enumerate(course.work, 1)], numbers=(3,)),
            tag("h3", "Alarms raised"),
            table("Alarms raised", ("Time, UTC", "Alarm", "Priority", "Text"),
                  [(at, WORDS[t].title if t in WORDS else t, p, text) for at, t, p, text in course.alarms]),
            tag("p", tag("a", "The trend as CSV", href=f"/engine/{vessel}/{engine}.csv?years={years}")),
        )  # fmt: skip

    def engine_csv(self, asked: "Asked") -> Response:
        """The trend, every row that is kept."""
        vessel, engine = asked.path["vessel"], asked.path["engine"]
        course = self._reader.course(vessel, engine, self._utc() - _years(asked.query) * YEAR_S, 1_000_000)
        heads = ("time_utc", "hours", "lag_deg_p05", "lag_deg", "lag_deg_p95", "elongation_percent",
                 "elongation_percent_per_1000h", "spring_mm", "lost_motion_deg")  # fmt: skip
        rows = [(_minute(at), *values) for at, *values in course.rows]
        return _csv(f"{vessel}-{engine}.csv", csv_text([heads, *rows]))

    def groups(self, asked: "Asked") -> Response:
        """The groups of the settings."""
        items = [
            tag("li", tag("a", g.name, href=f"/sisters/{i}"), f": {len(g.engines)} engines")
            for i, g in enumerate(self._settings.group)
        ]
        none = tag("p", "The settings name no [[group]] of sister engines.", class_="words")
        return page("Sister engines", "/sisters", asked.visitor, tag("ul", items) if items else none)

    def sisters(self, asked: "Asked") -> Response:
        """A group side by side."""
        number = int(asked.path["number"])
        if number >= len(self._settings.group):
            raise Refused("There is no such group in the settings.")
        group = self._settings.group[number]
        members = self._members(group)
        lines, rows = [], []
        for i, (name, course, trend) in enumerate(members, 1):
            vessel, engine = name.split("/")
            new_h = since_new(course.work)
            points = [(row[1] - new_h, row[5]) for row in course.rows if row[1] is not None and row[1] >= new_h]
            lines.append((name, points))
            rate = trend.elongation_percent_per_1000h if trend else None
            rows.append(
                (str(i), tag("a", name, href=f"/engine/{vessel}/{engine}"),
                 _number(points[-1][0] if points else None, ",.0f"),
                 _range(trend.elongation_percent if trend else None, ".3f"), _range(rate, ".3f"),
                 _ahead(trend, "elongation-limit"), self._sister_words(group, name, members))
            )  # fmt: skip
        heads = ("No.", "Engine", "Hours of its chain", "Elongation, % (5 to 95 %)", "Wear, % per 1,000 h",
                 "Elongation limit, by the ship", "With its sisters")  # fmt: skip
        words = f"Elongation against the hours of the chain, {len(members)} engines; the table below names them."
        return page(
            f"Sister engines: {group.name}", "/sisters", asked.visitor,
            side_by_side("sisters", "Elongation, % over the running hours since the chain was new", words, lines,
                         group.elongation_limit_percent),
            table("Sister engines", heads, rows, numbers=(2,)),
        )  # fmt: skip

    def _members(self, group: EngineGroup) -> list[tuple[str, Course, TrendMessage | None]]:
        since_s = self._utc() - 11 * YEAR_S
        pairs = [tuple(name.split("/")) for name in group.engines]
        trends = self._reader.trends([(v, e) for v, e in pairs])
        return [(f"{v}/{e}", self._reader.course(v, e, since_s, 200), trends.get((v, e))) for v, e in pairs]

    def _with_sisters(self, vessel: str, engine: str, trend: TrendMessage | None) -> Markup | None:
        name = f"{vessel}/{engine}"
        group = next((g for g in self._settings.group if name in g.engines), None)
        if group is None or trend is None:
            return None
        words = self._sister_words(group, name, self._members(group))
        return tag("p", tag("strong", "Elongation limit with its sisters: "), words)

    def _sister_words(
        self, group: EngineGroup, name: str, members: Sequence[tuple[str, Course, TrendMessage | None]]
    ) -> str:
        trend = next((t for n, _, t in members if n == name), None)
        if trend is None or group.elongation_limit_percent is None:
            return "not known: no trend, or no elongation_limit_percent of the group"
        others = [
            Sister(n, trend_.elongation_percent_per_1000h, (trend_.hours or 0.0) - since_new(course.work))
            for n, course, trend_ in members
            if n != name and trend_ is not None
        ]
        found = forecast(
            trend.elongation_percent, trend.elongation_percent_per_1000h, group.elongation_limit_percent, others
        )
        return found.words

    def plan(self, asked: "Asked") -> Response:
        """Which work falls into which stay, and what must be ordered by when."""
        works, stays = self._works()
        grouped = in_stays(works)
        parts: list[Child] = []
        if grouped.get(0):
            parts += [tag("h3", "Without a port stay in time"), _works(grouped[0])]
        for stay in stays:
            parts.append(tag("h3", f"{stay.vessel}: {stay.port}, {stay.from_day} to {stay.to_day}"))
            parts.append(_works(grouped.get(stay.id, [])))
            if asked.visitor is not None and asked.visitor.plans:
                number = tag("input", type="hidden", name="id", value=str(stay.id))
                words = f"Remove this stay of {stay.vessel} in {stay.port}"
                parts.append(
                    form("/plan/remove", asked.visitor, number, tag("button", words, type="submit", class_="quiet"))
                )
        orders = sorted((w for w in works if w.part), key=lambda w: w.order_by)
        return page(
            "Planning", "/plan", asked.visitor,
            tag("p", f"Works within {self._settings.planning.horizon_days} days. The day is the earliest: in 1 of 20 "
                "cases the limit is reached before it. Running hours become days by the ship's own use.",
                class_="words"),
            parts or tag("p", "Nothing to plan."),
            tag("h3", "Parts to order"),
            table("Parts to order", ("Order by", "Part", "For", "Work", "Note"),
                  [(w.order_by, w.part, _where(w), w.what, w.note) for w in orders]),
            _stay_form(asked) if asked.visitor is not None and asked.visitor.plans
            else tag("p", "Port stays are typed in by a planner.", class_="words"),
            tag("p", tag("a", "As CSV", href="/plan.csv")),
        )  # fmt: skip

    def plan_csv(self, _asked: "Asked") -> Response:
        """The same as a file."""
        works, _ = self._works()
        heads = ("vessel", "engine", "work", "why", "earliest_day", "forecast", "port", "from", "to", "part",
                 "order_by", "note")  # fmt: skip
        rows = [
            (w.vessel, w.engine, w.what, w.why, w.due_day, w.forecast,
             *((w.stay.port, w.stay.from_day, w.stay.to_day) if w.stay else ("", "", "")), w.part, w.order_by, w.note)
            for w in works
        ]  # fmt: skip
        return _csv("plan.csv", csv_text([heads, *rows]))

    def _works(self) -> tuple[list[Work], list[Stay]]:
        now_s = self._utc()
        today = _day(now_s)
        rows = listing.fleet(self._url, now_s)
        trends = self._reader.trends([(r.vessel, r.engine) for r in rows if r.engine])
        stays = self._reader.stays(today)
        return plan(trends, stays, self._settings.planning, today), stays

    def add_stay(self, asked: "Asked") -> Response:
        """A stay that a planner has typed."""
        assert asked.visitor is not None
        t = asked.typed
        vessel, port = t.get("vessel", "").strip(), t.get("port", "").strip()
        known = {r.vessel for r in listing.fleet(self._url, self._utc())}
        if vessel not in known:
            raise Refused(f"No ship called {vessel[:40]} has ever been heard; give its short name.")
        if not 1 <= len(port) <= 64 or not port.isprintable():
            raise Refused("Give the port's name, 1 to 64 characters.")
        try:
            first, last = date.fromisoformat(t.get("from", "")), date.fromisoformat(t.get("to", ""))
        except ValueError:
            raise Refused("Give both days as YYYY-MM-DD, such as 2027-03-01.") from None
        if not first <= last or (last - first).days > 366 or last.isoformat() < _day(self._utc()):
            raise Refused(
                "The last day must not lie before the first one, nor in the past; a year is the longest stay."
            )
        stay = Stay(0, vessel, port, first.isoformat(), last.isoformat(), asked.visitor.session.user)
        self._reader.add_stay(stay, self._utc())
        return self.plan(asked)

    def remove_stay(self, asked: "Asked") -> Response:
        """It will not be."""
        number = asked.typed.get("id", "")
        if not number.isdecimal() or len(number) > 18:
            raise Refused("Which port stay? Load the page again.")
        self._reader.remove_stay(int(number))
        return self.plan(asked)


def _standing(rows: Sequence[FleetRow]) -> list[tuple[FleetRow, Standing]]:
    """Worst first; the gateway's own alarm once, though it stands on each engine of its ship."""
    found = {(r.vessel, a.tag, a.text): (r, a) for r in rows for a in r.standing}
    rank = listing.PRIORITY_RANK
    order = {"unacknowledged": 0}
    return sorted(
        found.values(), key=lambda p: (-rank.get(p[1].priority, 0), order.get(p[1].state, 1), p[1].since or "")
    )


def _alarm(row: FleetRow, a: Standing) -> Markup:
    where = f"{row.vessel}/{row.engine}" if row.engine else row.vessel
    href = f"/engine/{row.vessel}/{row.engine}" if row.engine else f"/ship/{row.vessel}"
    since = f"since {a.since[:16].replace('T', ' ')} UTC, " if a.since else ""
    aboard = "not acknowledged aboard" if a.state == "unacknowledged" else "acknowledged aboard"
    heard = "" if row.state == "online" else f"; link {row.state or 'unknown'}, heard {_hours(row.silence_h)} ago"
    return tag(
        "article",
        tag("p", tag("strong", a.priority.upper()), " ", tag("a", where, href=href), f" {since}{aboard}{heard}"),
        tag("p", a.text, class_="text"),
        tag("p", f"What to do: {a.action}") if a.action else None,
        class_="alarm plain", data_priority=a.priority,
    )  # fmt: skip


def _engines(rows: Sequence[FleetRow]) -> Markup:
    heads = ("Ship, engine", "State", "To do", "Next limit", "Lag, °", "Elongation, %", "Alarms", "Link")
    cells = []
    for r in rows:
        engine: Child = tag("a", f"{r.vessel}/{r.engine}", href=f"/engine/{r.vessel}/{r.engine}")
        ship = tag("a", r.vessel, href=f"/ship/{r.vessel}")
        limit = (
            f"{LIMITS.get(r.next_limit, r.next_limit)}: {r.forecast or 'not known yet'}"
            if r.next_limit
            else r.forecast or "not known yet"
        )
        todo = "" if r.decision in (None, "nothing") else r.why or r.decision or ""
        heard = r.state or "unknown"
        link = heard if r.silence_h < STALE_H else f"{heard}, heard {_hours(r.silence_h)} ago"
        state = tag("strong", r.shown.word) if r.engine else ""
        cells.append((engine if r.engine else ship, state, todo, limit, _number(r.lag_deg, ".2f"),
                      _number(r.elongation_percent, ".3f"), ", ".join(_title(t) for t in r.alarms), link))  # fmt: skip
    return table("Engines, the most urgent first", heads, cells, numbers=(4, 5))


def _stale(rows: Sequence[FleetRow]) -> Markup | None:
    silence_h = min((r.silence_h for r in rows), default=0.0)
    if silence_h > STALE_H:
        words = f"Nothing from any ship for {_hours(silence_h)}: look at the keepers. All figures are old."
        return tag("p", words, class_="notice refused", role="alert")
    return None


def _present(trend: TrendMessage | None) -> Markup | None:
    if trend is None:
        return tag("p", "No trend yet: it comes with the first hours under way.", class_="words")
    figures = (
        ("Camshaft lag, °", _range(trend.lag_deg, ".2f")),
        ("Chain elongation, %", _range(trend.elongation_percent, ".3f")),
        ("Wear, % per 1,000 h", _range(trend.elongation_percent_per_1000h, ".3f")),
        ("Spring length, mm", _range(trend.spring_mm, ".1f")),
        ("Lost motion, °", _range(trend.lost_motion_deg, ".2f")),
        ("Running hours", _number(trend.hours, ",.0f")),
    )
    items = [tag("div", tag("dt", name), tag("dd", value)) for name, value in figures]
    limits = [(LIMITS.get(x.limit, x.limit), outlook(x, trend)) for x in trend.limits]
    return tag(
        "section",
        tag("p", trend.decision.why, class_="next"),
        tag("dl", items, class_="figures"),
        table("Limits ahead, by the ship", ("Limit", "When"), limits),
        class_="engine",
    )


def _pictures(c: Course) -> list[Markup]:
    marks = [(at, str(i)) for i, (at, *_) in enumerate(c.work, 1)]

    def column(n: int) -> list[tuple[float, float | None]]:
        return [(row[0], row[n]) for row in c.rows]

    band = [(r[0], r[2], r[4]) for r in c.rows if r[2] is not None and r[4] is not None]
    span = f"{len(c.work)} works are marked by their numbers in the table below."
    return [
        over_time("lag", "Camshaft lag, ° (shaded: 5 to 95 %)", f"Camshaft lag over time. {span}", column(3), 0.2,
                  marks, band),
        over_time("elongation", "Chain elongation, %", f"Chain elongation over time. {span}", column(5), 0.1, marks),
        over_time("spring", "Spring length, mm", f"Spring length over time. {span}", column(7), 2.0, marks),
        over_time("lost", "Lost motion, °", f"Lost motion over time. {span}", column(8), 0.2, marks),
    ]  # fmt: skip


def _works(works: Sequence[Work]) -> Markup:
    heads = ("Ship, engine", "Work", "Why", "Earliest day", "Forecast", "Note")
    rows = [(_where(w), w.what, LIMITS.get(w.why, w.why), w.due_day, w.forecast, w.note) for w in works]
    return table("Works", heads, rows)


def _where(w: Work) -> Markup:
    return tag("a", f"{w.vessel}/{w.engine}", href=f"/engine/{w.vessel}/{w.engine}")


def _stay_form(asked: "Asked") -> Markup:
    return form(
        "/plan/stay", asked.visitor, tag("h3", "Add a port stay"),
        input_of("Ship (short name)", "vessel", maxlength="32"), input_of("Port", "port", maxlength="64"),
        input_of("First day", "from", "date"), input_of("Last day", "to", "date"),
        tag("p", tag("button", "Add this stay", type="submit"), class_="row"), class_="stay",
    )  # fmt: skip


def _years(query: dict[str, str]) -> int:
    return int(query["years"]) if query.get("years", "") in {str(y) for y in YEARS} else 5


def _ahead(trend: TrendMessage | None, limit: str) -> str:
    found = next((x for x in trend.limits if x.limit == limit), None) if trend else None
    return outlook(found, trend) if found and trend else "not known yet"


def _range(r: Range | None, spec: str) -> str:
    if r is None or r.p50 is None:
        return "not known"
    ends = "" if r.p05 is None or r.p95 is None else f" ({format(r.p05, spec)} to {format(r.p95, spec)})"
    return format(r.p50 + 0.0, spec) + ends


def _number(value: float | None, spec: str) -> str:
    return "-" if value is None else format(value + 0.0, spec)


def _hours(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 2 else f"{hours:,.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def _title(tag_: str | None) -> str:
    return WORDS[tag_].title if tag_ in WORDS else tag_ or ""


def _minute(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M")


def _day(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).date().isoformat()


def _csv(name: str, text: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"', "cache-control": "no-store"}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
