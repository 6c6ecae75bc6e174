"""A ship with work, pressures, acts of people, priority alarms, restarts and daily trends, for signed reports."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import report_rig as rig

from gateway.encode.messages import dump, gateway_event_body
from gateway.encode.shapes import Decision
from gateway.encode.times import rfc3339
from gateway.model.enums import Priority
from gateway.model.output import NewSheetAct
from gateway.model.settings_file import fingerprint, load_settings
from gateway.store.history import History
from gateway.wear.bookings import CamshaftSet, CylinderPressures, Entry, Pressures, Retightened

FROM, TO = rig.utc(2027, 3, 15), rig.utc(2027, 5, 20)
SPAN = ("--from", "2027-03-15T00:00:00Z", "--to", "2027-05-20T00:00:00Z")
DONE_S = rig.BEGIN_S + 60 * rig.DAY_S
BEFORE_BAR, AFTER_BAR = (130.1, 131.2, 129.8, 130.5, 130.0, 130.9), (138.2, 138.9, 137.7, 138.4, 138.0, 138.6)


def pressures(name: str, utc_s: float, hours: float, taken: str, bars: tuple[float, ...]) -> Pressures:
    """Pressures of six cylinders at like load."""
    cylinders = [
        CylinderPressures(cylinder=n, max_bar=bar, mean_indicated_bar=15.1, compression_bar=110.0 + n)
        for n, bar in enumerate(bars, 1)
    ]
    return Pressures(
        id=name,
        utc_s=utc_s,
        hours=hours,
        person="Chief",
        taken=taken,
        rpm=90.0,
        load=0.75,
        cylinders=cylinders,
        scavenge_bar=2.1,
    )  # type: ignore[arg-type]


def work(voyage: rig.Voyage) -> list[Entry]:
    """Pressures, the camshaft set, the chain retightened, pressures again."""
    h = voyage.hours_then(DONE_S)
    return [
        pressures("p-1", DONE_S - 86_400, h - 20, "before", BEFORE_BAR),
        CamshaftSet(
            id="c-1", utc_s=DONE_S, hours=h, person="Second", raw_deg=17.9, gauge_mm=0.14, lag_before_deg=1.4,
            lost_motion_deg=0.62
        ),
        Retightened(
            id="r-1", utc_s=DONE_S + 600, hours=h, person="Second", free_length_mm=203.0, spring_before_mm=181.4,
            spring_after_mm=180.2, note="New locking plates",
        ),
        pressures("p-2", DONE_S + 2 * 86_400, h + 20, "after", AFTER_BAR),
    ]  # fmt: skip


def events(first: str, second: str) -> list[tuple[str | None, dict[str, Any]]]:
    """Starts with two settings, an alarm that is acknowledged and clears, one that stands, a shelving."""

    def start(utc_s: float, settings: str, version: str) -> tuple[None, dict[str, Any]]:
        text = f"the gateway has started with settings {settings}"
        return None, gateway_event_body("started", utc_s, version=version, text=text)

    by = {"by": "second.engineer"}
    day = rig.DAY_S
    return [
        start(rig.BEGIN_S, first, "0.0.9"),
        start(FROM + day, first, "0.0.9"),
        start(FROM + 2 * day, second, "0.1.0"),
        rig.alarm(FROM + 3 * day, "main", "lag-step", rig.N, rig.U, Priority.ALARM, text="Lag stepped by 0.60 deg"),
        ("main", rig.alarm(FROM + 3 * day + 60, "main", "lag-step", rig.U, rig.A, Priority.ALARM)[1] | by),
        rig.alarm(FROM + 3 * day + 7_200, "main", "lag-step", rig.A, rig.N, Priority.ALARM),
        ("main", rig.alarm(FROM + 9 * day, "main", "slap-high", rig.N, rig.U)[1]),
        ("main", rig.alarm(FROM + 9 * day + 90, "main", "slap-high", rig.U, rig.A)[1] | by),
        rig.alarm(FROM + 9 * day + 900, "main", "slap-high", rig.A, rig.N),
        rig.alarm(TO - 2 * day, "main", "tension-low", rig.N, rig.U, Priority.ALARM, text="=Chain slack"),
        rig.alarm(TO + day, "main", "lag-limit", rig.N, rig.U, Priority.ALARM, text="after the period"),
    ]


def at_the_sheet() -> list[NewSheetAct]:
    """The retightening's sheet: two ticks, one countersigned, a figure changed with a reason, booked and closed."""

    def act(after_s: float, what: str, by: str, **more: str) -> NewSheetAct:
        utc_s = DONE_S - 7_200 + after_s
        data = {"what": what, "by": by, "utc_s": utc_s, **more}
        return NewSheetAct("main", "retighten", rfc3339(utc_s), json.dumps(data))

    return [
        act(0, "open", "second.engineer"),
        act(60, "tick", "second.engineer", key="permit"),
        act(90, "countersign", "chief.engineer", key="permit"),
        act(120, "figure", "second.engineer", key="before_mm", value="181.9"),
        act(150, "tick", "fitter", key="unlock"),
        act(180, "unlock", "second.engineer", key="before_mm", reason="read wrongly"),
        act(200, "figure", "second.engineer", key="before_mm", value="181.4"),
        act(7_800, "booked", "second.engineer", key="r-1", reason="the rest was ticked on paper"),
        act(7_900, "close", "second.engineer"),
    ]


def signed_ship(folder: Path, config: str = "tern-passage.toml", **voyage: Any) -> Path:
    """Its settings file, with the store beside it."""
    path = rig.settings_file(folder, config)
    settings, sailed = load_settings(path), rig.Voyage(**voyage)
    rig.write(
        settings,
        {"main": sailed},
        events=events("0123456789ab", fingerprint(settings)),
        bookings=[("main", entry) for entry in work(sailed)],
        sheet_acts=at_the_sheet(),
        trends={"main": rig.trend(rig.utc(2027, 5, 30), sailed.hours_then(rig.utc(2027, 5, 30)))},
    )
    history = History(settings.gateway.data_dir, settings.gateway.history_mb)
    for n in range(80):
        at_s = rig.BEGIN_S + n * rig.DAY_S + 23 * 3_600.0
        then = rig.trend(at_s, sailed.hours_then(at_s))
        history.add_trend("main", at_s, dump(replace(then, decision=Decision(do="nothing", why=f"day {n}"))))
    history.close()
    return path


def kept(path: Path) -> list[dict[str, Any]]:
    """All alarm events of a store, by plain SQL."""
    rows = rig.sql(load_settings(path), "state.db", "SELECT payload FROM event WHERE kind='alarm' ORDER BY seq")
    return [json.loads(payload) for (payload,) in rows]
