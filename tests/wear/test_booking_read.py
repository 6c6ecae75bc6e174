"""Bookings read back from the store: the rows as they have always been, and those that are broken."""

import json
from typing import Any

import pytest

from gateway.model.errors import Refused
from gateway.wear.booking_check import entry_json, read_entry
from gateway.wear.bookings import KINDS, Correction, Note, as_data

WHO = '{"id":"a-1","utc_s":1750000000.25,"hours":22000.0,"person":"2/E",'
ROWS = [
    r'"note":"Öl, \"warm\"\n","kind":"retightened","free_length_mm":202.9,"spring_before_mm":null,'
    r'"spring_after_mm":179.9,"elongation_percent":null,"elongation_se_percent":0.00003,"lost_motion_deg":null}',
    r'"note":"","kind":"camshaft-set","raw_deg":18.9,"gauge_mm":0.0,"lag_before_deg":null,"elongation_percent":null,"elongation_se_percent":null,"lost_motion_deg":1.25}',
    r'"note":"","kind":"pumps-compensated","before_deg":[],"after_deg":[1.5,2.0]}',
    r'"note":"","links":20,"length_mm":2288.0,"kind":"chain-renewed","spring_after_mm":null,"lag_after_deg":null}',
    r'"note":"","links":null,"length_mm":null,"kind":"links-renewed","renewed":4,"spring_after_mm":null,"lag_after_deg":null}',
    r'"note":"","kind":"spring-renewed","free_length_mm":204.4,"rate_n_per_mm":null,"spring_after_mm":null}',
    r'"note":"","kind":"links-measured","links":10,"length_mm":1147.0}',
    r'"note":"","kind":"hand-play","play_links":0.7,"play_mm":null}',
    r'"note":"","kind":"pressures","taken":"after","rpm":null,"load":null,"cylinders":[{"cylinder":1,"max_bar":142.0,"mean_indicated_bar":null,"compression_bar":null}],"scavenge_bar":null}',
    r'"note":"","kind":"correction","replaces":"b","entry":{"id":"a-1","utc_s":1750000000.25,"hours":22000.0,"person":"2/E","note":"","kind":"hand-play","play_links":null,"play_mm":57.0}}',
    r'"note":"","kind":"correction","replaces":"b","entry":null}',
    r'"note":"","kind":"loading","condition":"laden","draught_m":null}',
    r'"note":"","kind":"loading","condition":null,"draught_m":11.4}',
    r'"note":"jets cleaned","kind":"note","photos":["00112233445566778899aabbccddeeff.jpg"]}',
]  # fmt: skip
"""A row of each kind as the store has kept it from the first version on, after what all have."""


def row(kind: str, /, **changes: Any) -> dict[str, Any]:
    """The first row of a kind, changed; a figure changed to `...` is left out."""
    found = next(r for r in map(json.loads, (WHO + r for r in ROWS)) if r["kind"] == kind) | changes
    return {k: v for k, v in found.items() if v is not ...}


def test_there_is_a_row_of_each_kind() -> None:
    """Nothing that may lie in the store is missing from the rows here."""
    assert {json.loads(WHO + r)["kind"] for r in ROWS} == set(KINDS)


@pytest.mark.parametrize("text", ROWS)
def test_a_row_is_read_back_and_written_as_it_was(text: str) -> None:
    """Each kind is read to its own class, and its text comes out to the byte."""
    entry = read_entry(json.loads(WHO + text))
    assert type(entry) is KINDS[entry.kind]
    assert entry_json(entry) == WHO + text
    assert json.dumps(as_data(entry)) == json.dumps(json.loads(WHO + text))


def test_a_note_from_before_photos_is_read() -> None:
    """Pins that a note without the key has none."""
    note = read_entry(row("note", photos=...))
    assert isinstance(note, Note) and note.photos == []


BROKEN = [
    ({}, "kind: must be given"),
    ([1], "entry: [1] is not allowed"),
    (row("hand-play", kind="repainted"), "kind: 'repainted' is not allowed, one of 'retightened', "),
    (row("hand-play", kind=["hand-play"]), "kind: "),
    (row("hand-play", colour=1), "colour: unknown key; remove it"),
    (row("links-measured", length_mm=...), "length_mm: must be given"),
    (row("links-measured", links=9.5), "links: 9.5 is not allowed"),
    (row("links-measured", links=True), "links: True is not allowed"),
    (row("links-measured", length_mm="1147"), "length_mm: '1147' is not allowed"),
    (row("links-measured", length_mm=10**400), "length_mm: 1000000"),
    (row("hand-play", hours=float("nan")), "hours: nan is not allowed"),
    (row("hand-play", play_mm=float("inf")), "play_mm: inf is not allowed"),
    (row("hand-play", utc_s=5.0), "utc_s: 5.0 is not allowed"),
    (row("hand-play", utc_s=4.2e9), "utc_s: 4200000000.0 is not allowed"),
    (row("hand-play", id="a b"), "id: 'a b' is not allowed"),
    (row("hand-play", id="a\n"), "id: 'a\\n' is not allowed"),
    (row("hand-play", person="x" * 65), "person: 'xxxxxxx"),
    (row("hand-play", person=None), "person: None is not allowed"),
    (row("pumps-compensated", after_deg=[]), "after_deg: [] is not allowed"),
    (row("pumps-compensated", after_deg=[1.0] * 33), "after_deg: [1.0, 1.0"),
    (row("pumps-compensated", after_deg=[1.0, None]), "after_deg.1: None is not allowed"),
    (row("pumps-compensated", after_deg=1.0), "after_deg: 1.0 is not allowed"),
    (row("pressures", taken="now"), "taken: 'now' is not allowed"),
    (row("pressures", cylinders=[5]), "cylinders.0: 5 is not allowed"),
    (row("pressures", cylinders=[{"cylinder": 33, "max_bar": 1.0}]), "cylinders.0.cylinder: 33 is not allowed"),
    (row("pressures", cylinders=[{"cylinder": 0, "max_bar": 1.0}]), "cylinders.0.cylinder: 0 is not allowed"),
    (row("pressures", cylinders=[{"cylinder": 1}]), "cylinders.0.max_bar: must be given"),
    (row("pressures", cylinders=[{"cylinder": 1, "max_bar": 1.0, "at": 2}]), "cylinders.0.at: unknown key"),
    (row("correction", entry=5), "entry: 5 is not allowed"),
    (
        row("correction", entry=row("correction", entry=None)),
        "entry.kind: 'correction' is not allowed, one of 'retightened', ",
    ),
    (row("correction", entry=row("hand-play", play_mm="57")), "entry.play_mm: '57' is not allowed"),
]


@pytest.mark.parametrize(("data", "words"), BROKEN, ids=[f"{n}-{w[:24]}" for n, (_, w) in enumerate(BROKEN)])
def test_a_broken_row_is_refused_with_what_is_wrong(data: object, words: str) -> None:
    """Whatever lies in a row, it is a booking or refused in a sentence; nothing half read gets into the log book."""
    with pytest.raises(Refused) as told:
        read_entry(data)
    assert str(told.value).startswith(words)


WRONG_SHAPES = [
    ([1], "entry: [1] is not allowed, a table is needed"),
    (row("pressures", cylinders=[5]), "cylinders.0: 5 is not allowed, a table is needed"),
    (row("pressures", cylinders=5), "cylinders: 5 is not allowed, a list is needed"),
    (row("correction", entry=5), "entry: 5 is not allowed, a table is needed"),
    (row("links-measured", links=9.5), "links: 9.5 is not allowed, a whole number is needed"),
    (row("links-measured", links="ten"), "links: 'ten' is not allowed, a whole number is needed"),
    (row("links-measured", links=None), "links: None is not allowed, a whole number is needed"),
    (row("links-measured", length_mm="long"), "length_mm: 'long' is not allowed, a number is needed"),
    (row("links-measured", length_mm=None), "length_mm: None is not allowed, a number is needed"),
    (row("links-measured", person=7), "person: 7 is not allowed, a text is needed"),
]


@pytest.mark.parametrize(("data", "words"), WRONG_SHAPES, ids=[words for _, words in WRONG_SHAPES])
def test_a_wrong_shape_is_refused_with_what_is_needed(data: object, words: str) -> None:
    """What is there, that it is not allowed, and what is needed; no library's words."""
    with pytest.raises(Refused) as refused:
        read_entry(data)
    assert str(refused.value) == words


def test_a_whole_number_is_a_figure_too() -> None:
    """JSON writes 22000 for 22000.0 where another hand has written it; the counter is a float all the same."""
    entry = read_entry(row("correction", hours=22_000, entry=row("hand-play", play_mm=57)))
    assert isinstance(entry, Correction) and entry.entry is not None
    assert json.dumps(as_data(entry)["hours"]) == "22000.0"
    assert json.dumps(as_data(entry)["entry"]["play_mm"]) == "57.0"
