"""Every bound of a booking from both sides, in whole sentences; the export's cells."""

from typing import Any

import pytest
from drive_engines import tern

from gateway.wear import bookings as b
from gateway.wear.booking_check import read_entry
from gateway.wear.logbook import Datum, check, rebase

T0 = 1_750_000_000.0
PRESENT_H = 24_000.0
PITCH_MM = 114.3


def entry(kind: str, hours: float = 22_000.0, **figures: Any) -> b.Entry:
    data = {"id": f"{kind}-{hours:g}", "utc_s": T0, "hours": hours, "person": "2/E"}
    return read_entry({"kind": kind, **data, **figures})


def told(e: b.Entry, log: list[b.Entry] | None = None, now_hours: float | None = PRESENT_H, **engine: Any) -> list[str]:
    return check(e, rebase(tern(**engine), log or []), T0, now_hours)


def retightened(free: float = 203.0, after: float = 180.0, **more: Any) -> b.Entry:
    return entry("retightened", free_length_mm=free, spring_after_mm=after, **more)


def cylinder(**more: Any) -> b.Entry:
    return entry("pressures", taken="after", cylinders=[{"cylinder": 4, "max_bar": 140.0} | more])


def never(what: str, value: str, low: str, high: str, unit: str) -> str:
    """The sentence that is given for a figure out of its bounds."""
    return f"{what} {value} {unit} cannot be; give {low} to {high} {unit}"


BOUNDS: list[Any] = [
    # makes the entry from the figure; lowest and highest that stand; one too low, one too high; name and unit
    (lambda v: retightened(elongation_percent=v), -0.5, 5.0, -0.51, 5.1, "elongation", "%"),
    (lambda v: retightened(elongation_se_percent=v), 0, 5, -0.1, 5.1, "uncertainty of the elongation", "%"),
    (lambda v: retightened(200.0, v), 60, 200, 59.9, 200.1, "spring length after", "mm"),
    (lambda v: retightened(200.0, 180.0, spring_before_mm=v), 60, 200, 59.9, 200.1, "spring length before", "mm"),
    (lambda v: entry("camshaft-set", raw_deg=v), -1440, 1440, -1441, 1441, "raw crank − cam", "°"),
    (lambda v: entry("camshaft-set", raw_deg=1, gauge_mm=v), -50, 50, -51, 51, "pin gauge", "mm"),
    (lambda v: entry("camshaft-set", raw_deg=1, elongation_percent=v), -0.5, 5, -0.6, 5.1, "elongation", "%"),
    (lambda v: retightened(lost_motion_deg=v), -1, 30, -1.1, 30.1, "lost motion", "°"),
    (lambda v: entry("camshaft-set", raw_deg=1, lost_motion_deg=v), -1, 30, -1.1, 30.1, "lost motion", "°"),
    (lambda v: entry("camshaft-set", raw_deg=1, elongation_se_percent=v), 0, 5, -0.1, 5.1,
     "uncertainty of the elongation", "%"),
    (lambda v: entry("pumps-compensated", after_deg=[1.0, v, -2.0]), -10, 10, -11, 11, "advance at a pump", "°"),
    (lambda v: entry("pumps-compensated", before_deg=[v], after_deg=[1.0]), -10, 10, -11, 11, "advance at a pump", "°"),
    (lambda v: entry("chain-renewed", lag_after_deg=v), -1440, 1440, -1441, 1441, "lag after", "°"),
    (lambda v: entry("links-renewed", renewed=int(v)), 1, 150, 0, 151, "renewed links", ""),
    (lambda v: entry("links-renewed", renewed=2, lag_after_deg=v), -1440, 1440, -1441, 1441, "lag after", "°"),
    (lambda v: entry("links-measured", links=int(v), length_mm=max(v, 1) * PITCH_MM), 1, 150, 0, 151,
     "count of links", ""),
    (lambda v: entry("spring-renewed", free_length_mm=v), 102, 306, 101, 307, "free length", "mm"),
    (lambda v: entry("spring-renewed", free_length_mm=200, spring_after_mm=v), 60, 200, 59, 201,
     "spring length after", "mm"),
    (lambda v: entry("hand-play", play_links=v), 0, 5, -0.1, 5.1, "play", "links"),
    (lambda v: entry("hand-play", play_mm=v), 0, 571.5, -0.1, 572, "play", "mm"),
    (lambda v: entry("pressures", taken="after", rpm=v, cylinders=[{"cylinder": 1, "max_bar": 140}]), 0, 1500, -1,
     1501, "rpm", "rpm"),
    (lambda v: entry("pressures", taken="after", load=v, cylinders=[{"cylinder": 1, "max_bar": 140}]), 0, 1.2, -0.1,
     1.3, "load", ""),
    (lambda v: cylinder(max_bar=v), 1, 400, 0.9, 401, "cylinder 4: maximum pressure", "bar"),
    (lambda v: cylinder(mean_indicated_bar=v), 0, 60, -0.1, 61, "cylinder 4: mean indicated pressure", "bar"),
    (lambda v: cylinder(compression_bar=v, max_bar=400.0), 1, 400, 0.9, 401, "cylinder 4: compression pressure", "bar"),
    (lambda v: entry("pressures", taken="after", scavenge_bar=v, cylinders=[{"cylinder": 1, "max_bar": 140}]), 0, 10,
     -0.1, 10.5, "scavenge pressure", "bar"),
]  # fmt: skip


@pytest.mark.parametrize("bound", BOUNDS, ids=lambda x: f"{x[5]} {x[6]}")
def test_both_ends_stand_and_what_is_beyond_is_refused(bound: Any) -> None:
    """At the bound it may be booked; beyond, the one sentence names figure, bounds and unit."""
    made, low, high, too_low, too_high, what, unit = bound
    assert told(made(low)) == []
    assert told(made(high)) == []
    for value in (too_low, too_high):
        assert told(made(value)) == [never(what, f"{value:g}", f"{low:g}", f"{high:g}", unit)]


def test_a_chain_s_spring_is_held_against_the_free_length_last_measured() -> None:
    """203.2 mm in the settings: from three tenths of it to the whole."""
    sentence = never("spring length after", "203.3", "60.96", "203.2", "mm")
    assert told(entry("chain-renewed", spring_after_mm=203.3)) == [sentence]
    assert told(entry("chain-renewed", spring_after_mm=203.2)) == []
    low = never("spring length after", "60.9", "60.96", "203.2", "mm")
    assert told(entry("links-renewed", renewed=2, spring_after_mm=60.9)) == [low]


def test_a_spring_s_rate_is_within_three_times() -> None:
    """310 N/mm of the settings: a third of it to three times."""
    for rate in (310 / 3, 930.0):
        assert told(entry("spring-renewed", free_length_mm=204.0, rate_n_per_mm=rate)) == []
    for rate in (103.0, 931.0):
        sentence = never("spring rate", f"{rate:g}", "103.333", "930", "N/mm")
        assert told(entry("spring-renewed", free_length_mm=204.0, rate_n_per_mm=rate)) == [sentence]


def test_a_spring_that_grew_or_lost_all_it_has() -> None:
    """Longer than new; longer than last measured by more than a rule's error; shorter than two compressions less."""
    new = "free length 204.1 mm is longer than new (204.0 mm); a spring does not grow"
    assert told(retightened(204.1)) == [new]
    last = (
        "free length 201.2 mm is longer than last measured (200.0 mm); a spring does not grow: measure again, "
        "or book spring-renewed"
    )
    before = entry("retightened", 21_500, free_length_mm=200.0, spring_after_mm=180.0, utc_s=T0 - 1_800_000)
    assert told(retightened(201.2), [before]) == [last]
    assert told(retightened(201.0), [before]) == []
    assert told(retightened(157.9, 140.0)) == [never("free length", "157.9", "158", "204", "mm")]
    assert told(retightened(158.0, 140.0)) == []


def test_counts_of_links_by_their_growth() -> None:
    """Ten links from half a per cent short to five per cent long; beyond, the sum is laid open."""
    for length in (10 * PITCH_MM * 0.9951, 10 * PITCH_MM * 1.0499):
        assert told(entry("links-measured", links=10, length_mm=length)) == []
        assert told(entry("chain-renewed", links=10, length_mm=length)) == []
    sentence = "1250.0 mm over 10 links would be 9.4 % of growth (new: 1143.0 mm); count again"
    assert told(entry("links-measured", links=10, length_mm=1250.0)) == [sentence]
    assert told(entry("links-renewed", renewed=2, links=10, length_mm=1250.0)) == [sentence]
    short = "1130.0 mm over 10 links would be -1.1 % of growth (new: 1143.0 mm); count again"
    assert told(entry("chain-renewed", links=10, length_mm=1130.0)) == [short]
    alone = "links and their length go together; give both or neither"
    assert told(entry("chain-renewed", links=10)) == told(entry("chain-renewed", length_mm=1143.0)) == [alone]


def test_pressures_that_were_swapped_or_given_twice() -> None:
    """The mean is below the maximum; a cylinder stands once."""
    assert told(cylinder(max_bar=20.0, mean_indicated_bar=20.0)) == [
        "cylinder 4: mean indicated pressure is not below its maximum; are they swapped"
    ]
    assert told(cylinder(max_bar=20.0, mean_indicated_bar=19.9)) == []
    twice = entry("pressures", taken="after", cylinders=[{"cylinder": 2, "max_bar": 140}] * 2)
    assert told(twice) == ["a cylinder is given twice"]


def test_the_whole_of_what_any_booking_is_held_against() -> None:
    """Person, id, date, hours: all told at once, each in its sentence."""
    first = entry("hand-play", play_links=0.5, utc_s=T0 - 100)
    wrong = entry("hand-play", 24_001.1, id=first.id, utc_s=T0 + 61, person=" ", play_links=0.5)
    assert told(wrong, [first]) == [
        "no person; give who did the work",
        f"the id {first.id} was booked before; take a new one",
        "its date is in the future; give when the work was done",
        "24,001.1 running hours are beyond the present 24,000.0 h",
    ]
    assert told(entry("hand-play", 24_001.0, utc_s=T0 + 60, play_links=0.5)) == []
    assert told(entry("hand-play", 99_000.0, play_links=0.5), now_hours=None) == []
    assert told(entry("hand-play", -0.1, play_links=0.5)) == ["-0.1 running hours; give 0 or more"]
    assert told(entry("hand-play", 0.0, play_links=0.5)) == []
    assert told(entry("hand-play")) == ["no play; give play_links or play_mm"]


@pytest.mark.parametrize(
    ("made", "settings_h"), [(lambda h: entry("retightened", h, free_length_mm=203, spring_after_mm=180), 19_800.0),
                             (lambda h: entry("camshaft-set", h, raw_deg=1.0), 9_800.0)]
)  # fmt: skip
def test_work_before_the_settings_own(made: Any, settings_h: float) -> None:
    """At the settings' hour it may stand; an hour before it cannot."""
    assert told(made(settings_h)) == []
    before = f"{settings_h - 1:,.1f} running hours are before the settings' last one at {settings_h:,.1f} h"
    assert told(made(settings_h - 1)) == [before]


def test_order_against_those_before() -> None:
    """Hours before the last of its kind; hours that run backwards against another kind by more than an hour."""
    last = entry("hand-play", 22_000, play_links=0.5, utc_s=T0 - 5_000)
    earlier = entry("hand-play", 21_999.5, play_links=0.5)
    assert told(earlier, [last]) == [
        "21,999.5 running hours are before the last hand-play at 22,000.0 h; correct that one instead"
    ]
    other = entry("links-measured", 21_998.9, links=10, length_mm=1_145.0)
    assert told(other, [last]) == [
        "running hours would run backwards against the booking at 22,000.0 h; check date and hours"
    ]
    assert told(entry("links-measured", 21_999.0, links=10, length_mm=1_145.0), [last]) == []
    assert told(entry("links-measured", 22_000.0, links=10, length_mm=1_145.0), [last]) == []


def test_a_gauge_without_its_radius() -> None:
    """A reading of nought needs none."""
    sentence = "a reading of the pin gauge needs its radius; set lag.pin_gauge_radius_mm, or book it when it fits"
    bare = {"lag": {"pin_gauge_radius_mm": None}}
    assert told(entry("camshaft-set", raw_deg=1.0, gauge_mm=0.5), **bare) == [sentence]
    assert told(entry("camshaft-set", raw_deg=1.0), **bare) == []


def corrected(new: b.Entry | None, replaces: str = "first") -> b.Entry:
    data = {"id": "fix", "utc_s": T0, "hours": 22_100, "person": "C/E", "replaces": replaces}
    return read_entry({"kind": "correction", **data, "entry": None if new is None else b.as_data(new)})


def test_a_correction_is_held_against_the_same() -> None:
    """Kind, id, person, date, hours and figures of what it puts in place; striking out needs nothing."""
    first = entry("hand-play", id="first", play_links=0.5)
    other = entry("hand-play", 22_050, id="other", play_links=0.5)
    log = [first, other]
    assert told(corrected(None), log) == []
    assert told(corrected(None, "nobody"), log) == ["there is no booking nobody to correct"]
    assert told(corrected(first), log) == []
    kind = entry("links-measured", id="first", links=10, length_mm=1_145.0)
    assert told(corrected(kind), log) == ["booking first is hand-play; strike it out and book links-measured again"]
    wrong = entry("hand-play", 24_001.1, id="other", person="", utc_s=T0 + 61, play_links=9)
    assert told(corrected(wrong), log) == [
        "the id other belongs to another booking",
        "no person; give who did the work",
        "the corrected date is in the future; give when the work was done",
        "24,001.1 running hours are beyond the present 24,000.0 h",
        never("play", "9", "0", "5", "links"),
    ]
    edge = entry("hand-play", 24_001.0, id="first", utc_s=T0 + 60, play_links=5)
    assert told(corrected(edge), log) == []
    assert told(corrected(entry("hand-play", 30_000, id="first", play_links=1)), log, now_hours=None) == []


def test_a_correction_may_give_back_what_was_typed_too_short() -> None:
    """Held against new, not against the free length that it corrects."""
    first = entry("retightened", id="first", free_length_mm=190.0, spring_after_mm=180.0)
    longer = entry("retightened", id="first", free_length_mm=203.0, spring_after_mm=180.0)
    assert told(corrected(longer), [first]) == []


def test_the_export_has_a_column_for_every_figure_and_plain_cells() -> None:
    """Heading in the order of the kinds; lists as tight JSON with their own letters; what is not known is empty."""
    pumps = entry("pumps-compensated", after_deg=[1.5, -0.5], person="=1+1", note="März")
    link = entry("links-measured", links=10, length_mm=1_145.0)
    fix = corrected(entry("hand-play", id="first", play_links=0.5, note="Öl"))
    heading, *rows = b.entries_csv([pumps, link, fix]).split("\r\n")
    names = heading.split(",")
    assert names[:7] == ["id", "kind", "utc", "hours", "person", "note", "replaced_by"]
    assert names[7:] == [
        "free_length_mm", "spring_before_mm", "spring_after_mm", "elongation_percent", "elongation_se_percent",
        "lost_motion_deg", "raw_deg", "gauge_mm", "lag_before_deg", "before_deg", "after_deg", "links", "length_mm",
        "lag_after_deg", "renewed", "rate_n_per_mm", "play_links", "play_mm", "taken", "rpm", "load", "cylinders",
        "scavenge_bar",
        "replaces", "entry", "condition", "draught_m", "photos",
    ]  # fmt: skip
    assert rows[0].startswith("pumps-compensated-22000,pumps-compensated,2025-06-15T15:06:40.000Z,22000.0,'=1+1,März,,")
    assert '[],"[1.5,-0.5]",,' in rows[0]
    assert ",10,1145.0," in rows[1]
    assert '""note"":""Öl""' in rows[2] and ", " not in rows[2]


def test_locked_tighteners_take_their_length_from_the_retightening() -> None:
    """A locked one is locked where it was left; a sprung one keeps none."""
    booked = [retightened(203.0, 180.5)]
    locked = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    assert _datum(locked, booked).locked_at_mm == 180.5
    assert _datum(locked, []).locked_at_mm == 180.2
    assert _datum(tern(), booked).locked_at_mm is None


def _datum(engine: Any, log: list[b.Entry]) -> Datum:
    return rebase(engine, log)
