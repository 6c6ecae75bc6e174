"""The log book: what each booking moves and leaves, corrections, refusals, and the export."""

import csv
import io
import random
from dataclasses import fields, replace
from typing import Any

import pytest
from drive_engines import four_stroke, tern

from gateway.model.errors import Refused
from gateway.wear import bookings as b
from gateway.wear.booking_check import read_entry
from gateway.wear.logbook import Datum, check, from_settings, rebase

T0 = 1_750_000_000.0
PRESENT_H = 24_000.0


def entry(kind: str, hours: float = 22_000.0, **figures: Any) -> b.Entry:
    data = {"id": f"{kind}-{hours:g}", "utc_s": T0 + (hours - 22_000) * 4_000, "hours": hours, "person": "2/E"}
    return read_entry({"kind": kind, **data, **figures})


RETIGHTENED = entry("retightened", free_length_mm=202.9, spring_before_mm=183.0, spring_after_mm=179.9)
SET = entry("camshaft-set", raw_deg=18.9, lag_before_deg=1.6, elongation_percent=0.44, elongation_se_percent=0.02)
CHAIN = entry("chain-renewed")
SPRING = entry("spring-renewed", free_length_mm=204.4, rate_n_per_mm=312.0, spring_after_mm=181.4)
PUMPS = entry("pumps-compensated", after_deg=[1.6] * 6)
LINKS = entry("links-measured", links=10, length_mm=1147.0)


def moved(before: Datum, after: Datum) -> set[str]:
    """Names of the datum's figures that differ, the bookkeeping left out."""
    keep = {f.name for f in fields(Datum)} - {"last_h", "known", "marks", "faults", "engine"}
    return {name for name in keep if getattr(before, name) != getattr(after, name)}


@pytest.mark.parametrize(
    ("booked", "touched"),
    [
        (RETIGHTENED, {"free_length_mm", "spring_at_datum_mm", "retightened_at_h", "spring_changed_at_h", "due_h"}),
        (SET, {"zero_deg", "camshaft_set_at_h", "lag_start", "lag_start_at_h"}),
        (PUMPS, {"compensation_deg", "compensated_at_h"}),
        (
            SPRING,
            {"free_length_mm", "free_length_new_mm", "rate_n_per_mm", "spring_at_datum_mm", "spring_changed_at_h"},
        ),
        (LINKS, {"links", "links_at_h"}),
        (entry("hand-play", play_links=0.7), set()),
        (entry("loading", condition="laden"), set()),
        (entry("note", note="jets cleaned"), set()),
        (entry("pressures", taken="after", cylinders=[{"cylinder": 1, "max_bar": 142.0}]), set()),
        (
            CHAIN,
            {
                "lag_start",
                "lag_start_at_h",
                "lag_at_set_deg",
                "retightened_at_h",
                "spring_changed_at_h",
                "chain_new_at_h",
                "due_h",
            },
        ),
        (entry("links-renewed", renewed=4), {"lag_start", "lag_start_at_h", "lag_at_set_deg", "spring_changed_at_h"}),
    ],
    ids=lambda x: getattr(x, "kind", ""),
)
def test_each_booking_moves_exactly_what_it_touches(booked: b.Entry, touched: set[str]) -> None:
    """Retightening leaves the lag, camshaft setting leaves the spring, play and pressures leave everything."""
    assert moved(from_settings(tern()), rebase(tern(), [booked])) == touched


def test_the_datum_of_the_settings_alone() -> None:
    """The invented vessel before any booking; the spring's length at its last retightening was never told."""
    d = from_settings(tern())
    assert (d.zero_deg, d.camshaft_set_at_h, d.due_h) == (17.35, 9_800, 23_800)
    assert d.spring_at_datum_mm is None and d.spring_start is None
    assert d.hours_since(21_400) == {"retightened": 1_600, "camshaft_set": 11_600}
    assert d.common_since_h == 19_800 and d.target_length_mm == pytest.approx(180.2)


def test_a_zero_never_taken_is_not_known() -> None:
    """No zero in the settings and none booked: none, not 0; booking one makes it known."""
    engine = tern(lag={"zero_deg": None})
    assert rebase(engine, [RETIGHTENED]).zero_deg is None
    assert rebase(engine, [SET]).zero_deg == 18.9


@pytest.mark.parametrize(("engine", "crank_deg"), [(tern(), 0.3), (four_stroke(), 0.6)])
def test_the_new_zero_is_raw_less_what_the_pin_gauge_reads(engine: Any, crank_deg: float) -> None:
    """0.8378 mm on 160 mm is 0.3° of the camshaft: that much stays as lag, in crank degrees."""
    d = rebase(engine, [entry("camshaft-set", raw_deg=20.0, gauge_mm=0.83776)])
    assert d.zero_deg == pytest.approx(20.0 - crank_deg, abs=1e-4)
    assert d.lag_at_set_deg == pytest.approx(crank_deg, abs=1e-4)


def test_elongation_on_the_day_is_booked_measured_or_not_known() -> None:
    """A booked figure is taken; else links measured in the same stay; else it is not known."""
    plain = entry("camshaft-set", raw_deg=18.9)
    start = rebase(tern(), [SET]).lag_start
    assert start is not None and (start.percent, start.se_percent) == (0.44, 0.02)
    measured = rebase(tern(), [LINKS, plain]).lag_start
    assert measured is not None and measured.percent == pytest.approx((1147 / 1143 - 1) * 100)
    assert rebase(tern(), [plain]).lag_start is None


def test_a_new_chain_starts_at_what_is_measured_else_at_nothing_grown() -> None:
    """With the setting and tightening of the same stay, in any order of typing."""
    stay = [replace(SET, elongation_percent=None), RETIGHTENED, CHAIN]
    d = rebase(tern(), stay)
    assert d.lag_start is not None and d.lag_start.percent == 0.0 and d.lag_start.se_percent > 0
    assert d.spring_start == d.lag_start
    measured = entry("chain-renewed", links=20, length_mm=2288.0)
    d = rebase(tern(), [*stay[:2], measured])
    assert d.lag_start is not None and d.lag_start.percent == pytest.approx((2288 / 2286 - 1) * 100)


def test_bedding_in_checks_come_sooner_until_the_interval_takes_over() -> None:
    """50, 500, 1,500 h after the new chain, then every 4,000 h; a check a little early counts."""
    log: list[b.Entry] = [CHAIN]
    due = [rebase(tern(), log).due_h]
    for after in (45, 500, 1_600):
        log.append(entry("retightened", 22_000 + after, free_length_mm=203.0, spring_after_mm=180.0))
        due.append(rebase(tern(), log).due_h)
    assert due == [22_050, 22_500, 23_500, 27_600]


def test_the_order_of_typing_does_not_matter() -> None:
    """The same bookings shuffled make the same datum."""
    log = [CHAIN, RETIGHTENED, SET, PUMPS, LINKS, entry("hand-play", play_mm=60.0)]
    log += [entry("retightened", 22_600, free_length_mm=202.8, spring_after_mm=179.8)]
    whole = rebase(tern(), log)
    for seed in range(20):
        random.Random(seed).shuffle(log)
        assert moved(whole, rebase(tern(), log)) == set()


def correction(replaces: str, new: b.Entry | None, n: int = 1) -> b.Entry:
    data = {"id": f"fix-{n}", "utc_s": T0 + 10 * n, "hours": 22_100, "person": "C/E", "replaces": replaces}
    return read_entry({"kind": "correction", **data, "entry": None if new is None else b.as_data(new)})


def test_a_correction_replaces_and_nothing_is_lost() -> None:
    """The corrected figure counts from the original's place, a second correction wins, striking out takes it back."""
    right = replace(RETIGHTENED, spring_after_mm=180.5)
    again = replace(RETIGHTENED, spring_after_mm=180.1)
    log = [RETIGHTENED, correction(RETIGHTENED.id, right)]
    assert rebase(tern(), log).spring_at_datum_mm == 180.5
    assert rebase(tern(), [*log, correction("fix-1", again, 2)]).spring_at_datum_mm == 180.1
    assert moved(rebase(tern(), [*log, correction(RETIGHTENED.id, None, 3)]), from_settings(tern())) == set()
    rows = list(csv.DictReader(io.StringIO(b.entries_csv(log))))
    assert [r["spring_after_mm"] for r in rows] == ["179.9", ""] and rows[0]["replaced_by"] == "fix-1"


def test_a_log_that_contradicts_itself_is_told_and_left_out() -> None:
    """A spring longer than new, an id twice, a correction of nothing: said in words, the rest still counts."""
    grown = entry("retightened", 22_500, free_length_mm=210.0, spring_after_mm=187.0)
    d = rebase(tern(), [RETIGHTENED, RETIGHTENED, grown, correction("nobody", None)])
    assert d.free_length_mm == 202.9
    told = "\n".join(d.faults)
    assert "longer than new" in told and "booked before" in told and "no booking nobody" in told


def refused(e: b.Entry, log: list[b.Entry] | None = None, engine: Any = None) -> str:
    return "\n".join(check(e, rebase(engine or tern(), log or []), T0 + 9e6, PRESENT_H))


@pytest.mark.parametrize("e", [RETIGHTENED, SET, CHAIN, SPRING, PUMPS, LINKS], ids=lambda e: e.kind)
def test_a_sound_booking_stands(e: b.Entry) -> None:
    """No reason to refuse any of the plain ones."""
    assert refused(e) == ""


REFUSED = [
    (entry("retightened", free_length_mm=204.5, spring_after_mm=181.0), "longer than new (204.0 mm)"),
    (entry("retightened", free_length_mm=204.0, spring_after_mm=205.0), "spring length after 205 mm cannot be"),
    (entry("retightened", free_length_mm=100.0, spring_after_mm=80.0), "free length 100 mm cannot be"),
    (entry("retightened", 18_000, free_length_mm=203.0, spring_after_mm=180.0), "before the settings' last one"),
    (entry("retightened", -5.0, free_length_mm=203.0, spring_after_mm=180.0), "give 0 or more"),
    (entry("hand-play", 24_500.0, play_mm=50.0), "beyond the present 24,000.0 h"),
    (entry("hand-play", play_mm=50.0, utc_s=T0 + 9.1e6), "in the future"),
    (entry("hand-play", play_mm=50.0, person="  "), "no person"),
    (entry("hand-play"), "give play_links or play_mm"),
    (entry("hand-play", play_links=40), "play 40 links cannot be"),
    (entry("camshaft-set", raw_deg=20_000.0), "raw crank − cam 20000 ° cannot be"),
    (entry("camshaft-set", raw_deg=18.0, gauge_mm=900.0), "pin gauge 900 mm cannot be"),
    (entry("pumps-compensated", after_deg=[1.5, 15.0]), "advance at a pump 15 ° cannot be"),
    (entry("links-measured", links=0, length_mm=1.0), "count of links 0"),
    (entry("links-measured", links=151, length_mm=17_300.0), "count of links 151"),
    (entry("links-measured", links=9, length_mm=1147.0), "count again"),
    (entry("chain-renewed", links=10), "go together"),
    (entry("links-renewed", renewed=0), "renewed links 0"),
    (entry("spring-renewed", free_length_mm=20.4), "free length 20.4 mm cannot be"),
    (entry("spring-renewed", free_length_mm=204.0, rate_n_per_mm=31.0), "spring rate 31 N/mm cannot be"),
    (
        entry("pressures", taken="before", cylinders=[{"cylinder": 1, "max_bar": 18, "mean_indicated_bar": 140}]),
        "are they swapped",
    ),
    (entry("pressures", taken="after", cylinders=[{"cylinder": 2, "max_bar": 140}] * 2), "given twice"),
]


@pytest.mark.parametrize(("e", "words"), REFUSED, ids=[w for _, w in REFUSED])
def test_an_impossible_booking_is_refused_with_its_reason(e: b.Entry, words: str) -> None:
    """Each mistake is met with the sentence that names it."""
    assert words in refused(e)


def test_a_booking_is_held_against_those_before_it() -> None:
    """A spring that grew, hours before the last of its kind or running backwards, an id taken, no gauge radius."""
    grown = entry("retightened", 23_000, free_length_mm=203.98, spring_after_mm=181.0)
    assert "does not grow: measure again" in refused(grown, [RETIGHTENED])
    early = entry("retightened", 21_900, free_length_mm=202.9, spring_after_mm=180.0)
    assert "before the last retightened" in refused(early, [RETIGHTENED])
    backwards = entry("hand-play", 21_000, play_mm=50.0, utc_s=T0 + 500_000)
    assert "run backwards" in refused(backwards, [RETIGHTENED])
    assert "booked before; take a new one" in refused(RETIGHTENED, [RETIGHTENED])
    bare = tern(lag={"pin_gauge_radius_mm": None})
    assert "needs its radius" in refused(entry("camshaft-set", raw_deg=18.0, gauge_mm=0.5), engine=bare)
    assert refused(entry("camshaft-set", raw_deg=18.0), engine=bare) == ""


def test_a_new_spring_may_be_longer_than_the_old() -> None:
    """After spring-renewed the new one's free length is the measure."""
    log = [entry("spring-renewed", 22_000, free_length_mm=205.0)]
    assert refused(entry("retightened", 22_500, free_length_mm=204.8, spring_after_mm=181.8), log) == ""


def test_corrections_are_checked_too() -> None:
    """Nothing to correct, another kind, a future date, an impossible figure."""
    future = replace(RETIGHTENED, utc_s=T0 + 9.5e6)
    long = replace(RETIGHTENED, free_length_mm=206.0)
    assert "no booking ghost" in refused(correction("ghost", None), [RETIGHTENED])
    assert "strike it out" in refused(correction(RETIGHTENED.id, PUMPS), [RETIGHTENED])
    assert "in the future" in refused(correction(RETIGHTENED.id, future), [RETIGHTENED])
    assert "longer than new" in refused(correction(RETIGHTENED.id, long), [RETIGHTENED])
    assert refused(correction(RETIGHTENED.id, RETIGHTENED), [RETIGHTENED]) == ""
    assert refused(correction(RETIGHTENED.id, None), [RETIGHTENED]) == ""


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"kind": "repainted"}, "one of 'retightened'"),
        ({}, "kind: must be given"),
        ({"kind": "hand-play", "id": "a", "utc_s": T0, "hours": 1, "person": "x", "colour": 1}, "colour: unknown key"),
        (
            {"kind": "links-measured", "id": "a", "utc_s": T0, "hours": 1, "person": "x", "links": 2},
            "length_mm: must be",
        ),
        ({"kind": "hand-play", "id": "a", "utc_s": 5, "hours": 1, "person": "x", "play_mm": 1}, "utc_s: "),
        ({"kind": "hand-play", "id": "a", "utc_s": T0, "hours": float("nan"), "person": "x"}, "hours: "),
    ],
)
def test_data_that_is_no_booking_is_refused_line_by_line(data: dict[str, Any], words: str) -> None:
    """Unknown kinds, strange keys, missing figures, mistyped dates and no-numbers."""
    with pytest.raises(Refused) as told:
        read_entry(data)
    assert words in str(told.value)


def test_before_and_after_for_the_event() -> None:
    """What stood before and what was left, as flat figures under one name."""
    assert b.before_after(RETIGHTENED) == ({"spring_mm": 183.0}, {"free_length_mm": 202.9, "spring_mm": 179.9})
    assert b.before_after(PUMPS) == ({}, {"pumps_deg": "[1.6,1.6,1.6,1.6,1.6,1.6]"})


def test_the_export_reads_back_and_runs_nothing() -> None:
    """One row per booking under fixed headings; a cell that would be a formula is made text."""
    note = entry("hand-play", play_mm=57.0, note="=HYPERLINK(1)", person="A, B")
    rows = list(csv.DictReader(io.StringIO(b.entries_csv([SET, note]))))
    assert [r["kind"] for r in rows] == ["camshaft-set", "hand-play"]
    assert rows[0]["raw_deg"] == "18.9" and rows[0]["utc"].endswith("Z") and rows[0]["play_mm"] == ""
    assert rows[1]["note"] == "'=HYPERLINK(1)" and rows[1]["person"] == "A, B"


def test_a_chain_s_renewal_sets_each_figure_or_unknows_it() -> None:
    """New chain and new links, with and without what was read and measured: start, lag, spring, count, hours, due."""
    counted = {"links": 20, "length_mm": 2_288.0}
    read = {"spring_after_mm": 180.3, "lag_after_deg": 0.2}
    grown = (2_288 / 2_286 - 1) * 100
    for kind, more in (("chain-renewed", {}), ("links-renewed", {"renewed": 4})):
        new = kind == "chain-renewed"
        d = rebase(tern(), [entry(kind, **more, **read)])
        assert (d.lag_start.percent if d.lag_start else None) == (0.0 if new else None)
        assert d.spring_start == d.lag_start
        assert (d.lag_at_set_deg, d.spring_at_datum_mm) == (0.2, 180.3)
        assert (d.links, d.links_at_h) == (None, None)
        assert (d.chain_new_at_h, d.retightened_at_h) == ((22_000, 22_000) if new else (None, 19_800))
        d = rebase(tern(), [entry(kind, **more, **read, **counted)])
        assert d.lag_start is not None and d.lag_start.percent == pytest.approx(grown)
        assert (d.links, d.links_at_h) == ((20, 2_288.0), 22_000)
        d = rebase(tern(), [entry(kind, **more, **counted)])
        assert (d.lag_start, d.spring_start, d.lag_at_set_deg, d.spring_at_datum_mm) == (None, None, None, None)


def test_a_count_of_another_day_is_not_of_this_stay() -> None:
    """Links measured at other running hours tell nothing of the elongation on the day of the setting."""
    d = rebase(tern(), [LINKS, entry("camshaft-set", 22_500.0, raw_deg=18.9)])
    assert d.links is not None and d.lag_start is None
