"""The shore's settings: the fleet's page, people and their duty, which of them a notice reaches, sister engines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from gateway.model.fields import Finite, Integer, Line, Percent, Section, Slug, in_words, schema_default
from gateway.model.page_settings import FilePath, HostName, PageSettings, PageUser
from gateway.model.settings import DAY, calendar_day

CLOCK = in_words(r"^([01]\d|2[0-3]):[0-5]\d$|^24:00$", "a time of day such as 07:30")
NAME = in_words(r"^[A-Za-z0-9._-]{1,32}$", "1 to 32 letters, digits, points, _ and -")
PATTERN = in_words(r"^[a-z0-9*?-]{1,40}$", "a short name, where * stands for any letters and ? for one")
ENGINE = in_words(r"^[a-z0-9-]{1,32}/[a-z0-9-]{1,32}$", "VESSEL/ENGINE by their short names")
ADDRESS = in_words(r"^https?://[^\s\x00-\x1f\x7f]{1,250}$", "an address such as https://fleet.example")

Clock = Annotated[str, Field(pattern=CLOCK)]
Name = Annotated[str, Field(pattern=NAME)]
Pattern = Annotated[str, Field(pattern=PATTERN)]
EngineName = Annotated[str, Field(pattern=ENGINE)]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: list[Weekday] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Urgency = Literal["emergency-alarm", "alarm", "warning", "caution"]
PRESSING: list[Urgency] = ["emergency-alarm", "alarm", "warning"]
Minutes = Annotated[Finite, Field(ge=0.01, le=10_080)]


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{text} is no known time zone, such as Europe/Athens or UTC") from None
    return text


@dataclass(frozen=True, kw_only=True, slots=True)
class ShoreUser(PageUser):
    """Somebody who may log in: a viewer reads and marks notices seen, a planner keeps port stays besides."""

    role: Literal["viewer", "planner"] = "viewer"


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetPageSettings(Section):
    """The fleet's page. Nobody sees anything without a log-in; of `users` there are none at first."""

    listen: Line = "127.0.0.1"
    """Behind a reverse proxy leave it so; with `cert_file` and `key_file` it serves TLS itself."""
    port: Annotated[Integer, Field(ge=0, le=65_535)] = 8485
    names: Annotated[list[HostName], Field(max_length=16)] = field(default_factory=list, metadata=schema_default([]))
    """Names under which browsers may ask for it; others are refused."""
    cert_file: FilePath | None = None
    key_file: FilePath | None = None
    users: Annotated[list[ShoreUser], Field(max_length=256)] = field(default_factory=list, metadata=schema_default([]))
    session_minutes: Annotated[Finite, Field(ge=1, le=1_440)] = 60.0
    failures_max: Annotated[Integer, Field(ge=1, le=20)] = 5
    locked_minutes: Annotated[Finite, Field(ge=1, le=1_440)] = 15.0
    viewers_max: Annotated[Integer, Field(ge=1, le=256)] = 64

    def __post_init__(self) -> None:
        self.as_page()

    def as_page(self) -> PageSettings:
        """For the parts that ship and shore share: listening, places, log-in."""
        return PageSettings(
            listen=self.listen,
            port=self.port,
            names=self.names,
            cert_file=self.cert_file,
            key_file=self.key_file,
            view_without_login=False,
            users=[
                PageUser(name=u.name, password_hash=u.password_hash, password_hash_file=u.password_hash_file)
                for u in self.users
            ],
            session_minutes=self.session_minutes,
            failures_max=self.failures_max,
            locked_minutes=self.locked_minutes,
            viewers_max=self.viewers_max,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Person(Section):
    """Whom notices reach. An address is a URL as the library apprise takes it: mailtos://…, json://…, and so on.

    An address often holds a password: then write it into `addresses_file`, one a line, that its owner alone may read.
    """

    name: Name
    addresses: Annotated[list[Line], Field(max_length=8)] = field(default_factory=list, metadata=schema_default([]))
    addresses_file: FilePath | None = None

    def __post_init__(self) -> None:
        if not self.addresses and self.addresses_file is None:
            raise ValueError(f"{self.name}: give addresses or addresses_file; nobody is reached without one")


@dataclass(frozen=True, kw_only=True, slots=True)
class Duty(Section):
    """A rota: `people` take turns of `days_each`, the first of them from `first_day` at `hand_over`."""

    name: Name
    people: Annotated[list[Name], Field(min_length=1, max_length=64)]
    first_day: Annotated[str, Field(pattern=DAY), AfterValidator(calendar_day)]
    days_each: Annotated[Integer, Field(ge=1, le=366)] = 7
    hand_over: Clock = "08:00"


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule(Section):
    """Who is notified of what, when. The first rule that fits counts. From `since` to `until`, over midnight where
    `until` is the earlier; on a day that `days` names, by the day on which the span began."""

    notify: Annotated[list[Name], Field(min_length=1, max_length=32)]
    """People or duties, in the order of escalation."""
    vessels: Annotated[list[Pattern], Field(min_length=1, max_length=256)] = field(
        default_factory=lambda: ["*"], metadata=schema_default(["*"])
    )
    engines: Annotated[list[Pattern], Field(min_length=1, max_length=64)] = field(
        default_factory=lambda: ["*"], metadata=schema_default(["*"])
    )
    tags: Annotated[list[Pattern], Field(min_length=1, max_length=64)] = field(
        default_factory=lambda: ["*"], metadata=schema_default(["*"])
    )
    """Of alarms; besides `ship-silent`, `events-missing`, `keeper-silent`, `notifier-silent`."""
    priorities: Annotated[list[Urgency], Field(min_length=1, max_length=4)] = field(
        default_factory=lambda: list(PRESSING), metadata=schema_default(list(PRESSING))
    )
    since: Clock = "00:00"
    until: Clock = "24:00"
    days: Annotated[list[Weekday], Field(min_length=1, max_length=7)] = field(
        default_factory=lambda: list(WEEKDAYS), metadata=schema_default(list(WEEKDAYS))
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class NoticeSettings(Section):
    """How people are reached."""

    address: Annotated[str, Field(pattern=ADDRESS)] | None = None
    """Where people reach the fleet's page; without it notices have no link, and nobody can mark them seen by it."""
    timezone: Annotated[str, Field(max_length=64), AfterValidator(_zone)] = "UTC"
    """Of all times of day here."""
    gather_s: Annotated[Finite, Field(ge=0, le=600)] = 10.0
    """What begins within so long goes out as one notice."""
    repeat_min: Minutes = 15.0
    """Until somebody marks it seen; each full round of all people takes twice as long as the one before, up to 4 h."""
    times_each: Annotated[Integer, Field(ge=1, le=20)] = 2
    """To the same person, before the next one is notified."""
    settle_min: Minutes = 10.0
    """A situation that is back within so long is the same one."""
    spacing_s: Annotated[Finite, Field(ge=0, le=3_600)] = 20.0
    """Between two notices to one person; what is due in between is combined."""
    per_hour_max: Annotated[Integer, Field(ge=1, le=1_000)] = 20
    """To one person; beyond it they come evenly spaced, combined."""
    link_hours: Annotated[Finite, Field(ge=1, le=720)] = 72.0
    silent_after_min: Minutes = 180.0
    """A ship is silent after so long, and after longer than its own habit."""
    gap_after_min: Minutes = 15.0
    keeper_after_min: Minutes = 5.0
    digest_at: Clock = "07:00"
    digest_days: Annotated[list[Weekday], Field(max_length=7)] = field(
        default_factory=lambda: ["mon"], metadata=schema_default(["mon"])
    )
    digest_to: Annotated[list[Name], Field(max_length=64)] = field(default_factory=list, metadata=schema_default([]))


@dataclass(frozen=True, kw_only=True, slots=True)
class EngineGroup(Section):
    """Sister engines: the same drive, so that their wear can be compared. Limits as aboard."""

    name: Annotated[Line, Field(max_length=64)]
    engines: Annotated[list[EngineName], Field(min_length=1, max_length=512)]
    elongation_limit_percent: Percent | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Ship(Section):
    """A copy of a ship's settings, for its report ashore: limits, names of engines, how the drive is built."""

    vessel: Slug
    settings_file: FilePath


@dataclass(frozen=True, kw_only=True, slots=True)
class Planning(Section):
    """For the planning view. Lead times: from the order until the part is aboard, with transport."""

    horizon_days: Annotated[Integer, Field(ge=1, le=3_660)] = 730
    chain_lead_days: Annotated[Integer, Field(ge=0, le=1_830)] = 180
    spring_lead_days: Annotated[Integer, Field(ge=0, le=1_830)] = 90


@dataclass(frozen=True, kw_only=True, slots=True)
class ShoreSettings(Section):
    """All of it; each part may be left out."""

    page: FleetPageSettings = FleetPageSettings()
    notices: NoticeSettings = NoticeSettings()
    planning: Planning = Planning()
    person: Annotated[list[Person], Field(max_length=256)] = field(default_factory=list, metadata=schema_default([]))
    duty: Annotated[list[Duty], Field(max_length=64)] = field(default_factory=list, metadata=schema_default([]))
    rule: Annotated[list[Rule], Field(max_length=256)] = field(default_factory=list, metadata=schema_default([]))
    ship: Annotated[list[Ship], Field(max_length=4_096)] = field(default_factory=list, metadata=schema_default([]))
    group: Annotated[list[EngineGroup], Field(max_length=256)] = field(
        default_factory=list, metadata=schema_default([])
    )

    def __post_init__(self) -> None:
        people, duties = [p.name for p in self.person], [d.name for d in self.duty]
        names = people + duties
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"named twice among person and duty: {', '.join(twice)}")
        asked = [n for d in self.duty for n in d.people if n not in people]
        asked += [n for r in self.rule for n in r.notify if n not in names]
        asked += [n for n in self.notices.digest_to if n not in names]
        if asked:
            raise ValueError(f"nobody is called {', '.join(sorted(set(asked)))}; add a [[person]] or [[duty]]")
        ships = [s.vessel for s in self.ship]
        twice = sorted({v for v in ships if ships.count(v) > 1})
        if twice:
            raise ValueError(f"two [[ship]] of one vessel: {', '.join(twice)}")
        grouped = [e for g in self.group for e in g.engines]
        more = sorted({e for e in grouped if grouped.count(e) > 1})
        if more:
            raise ValueError(f"in two groups: {', '.join(more)}; an engine has one group of sisters")
