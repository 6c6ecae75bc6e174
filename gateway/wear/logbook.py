"""What comes of the settings and the log book together: the datum from which lag and spring are counted.

The log is folded in order of running hours; each booking moves exactly what it touches. A correction stands in for the
booking it names. A booking that contradicts the ones before it is left out and named, never bent to fit.
"""

from collections.abc import Iterable
from dataclasses import replace
from types import MappingProxyType

from gateway.model.settings import EngineSettings
from gateway.wear import bookings as b
from gateway.wear.datum import (
    NEW_CHAIN_SE_PERCENT,
    SETTINGS_SE_PERCENT,
    Datum,
    from_settings,
    gauge_lag_deg,
    links_by_hand,
    next_due_h,
)
from gateway.wear.elongation import Estimate, Source
from gateway.wear.refusals import check, refusals

__all__ = ["Datum", "check", "from_settings", "rebase", "standing"]

_FIRST = ("chain-renewed", "links-renewed", "spring-renewed")
"""In one port stay the parts come first, whatever the order of typing: tightening and setting count from them."""


def rebase(engine: EngineSettings, entries: Iterable[b.Entry]) -> Datum:
    """The datum after all bookings, in whatever order. Never raises for what a booking holds; see `faults`."""
    datum = from_settings(engine)
    stands, known, faults = _standing(list(entries))
    for entry in stands:
        found = refusals(entry, datum)
        if found:
            faults += [f"{entry.kind} {entry.id}: {text}" for text in found]
            continue
        datum = _noted(_apply(entry, datum), entry)
    return replace(datum, known=MappingProxyType(known), faults=tuple(faults))


def standing(entries: Iterable[b.Entry]) -> list[b.Entry]:
    """The bookings that stand, each as it was corrected last, in order of the work."""
    return _standing(list(entries))[0]


def _standing(entries: list[b.Entry]) -> tuple[list[b.Entry], dict[str, str], list[str]]:
    """The bookings that stand, corrected, in order of the work; the kind behind every id; the corrections in vain."""
    stands: dict[str, b.Entry] = {}
    root: dict[str, str] = {}
    kinds: dict[str, str] = {}
    faults: list[str] = []
    for e in entries:
        if e.id in root:
            faults.append(f"{e.kind} {e.id}: this id was booked before; the earlier one stands")
        elif not isinstance(e, b.Correction):
            root[e.id], kinds[e.id], stands[e.id] = e.id, e.kind, e
        elif e.replaces not in root:
            faults.append(f"correction {e.id}: there is no booking {e.replaces} to correct")
        else:
            root[e.id] = first = root[e.replaces]
            kinds[e.id] = kinds[first]
            stands.pop(first, None)
            if e.entry is not None:
                stands[first] = e.entry
    ordered = sorted(stands.values(), key=lambda e: (e.hours, e.kind not in _FIRST, e.utc_s))
    return ordered, kinds, faults


def _noted(datum: Datum, e: b.Entry) -> Datum:
    return replace(
        datum,
        last_h=MappingProxyType({**datum.last_h, e.kind: e.hours}),
        marks=(*datum.marks, (e.utc_s, e.hours)),
    )


def _apply(e: b.Entry, d: Datum) -> Datum:
    match e:
        case b.Retightened():
            return _retightened(e, d)
        case b.CamshaftSet():
            return _camshaft_set(e, d)
        case b.PumpsCompensated():
            return replace(d, compensation_deg=tuple(e.after_deg), compensated_at_h=e.hours)
        case b.ChainRenewed() | b.LinksRenewed():
            return _chain(e, d)
        case b.SpringRenewed():
            return _spring_renewed(e, d)
        case b.LinksMeasured():
            return replace(d, links=(e.links, e.length_mm), links_at_h=e.hours)
        case _:
            return d


def _retightened(e: b.Retightened, d: Datum) -> Datum:
    return replace(
        d,
        free_length_mm=e.free_length_mm,
        spring_at_datum_mm=e.spring_after_mm,
        spring_start=_elongation_then(e, d),
        retightened_at_h=e.hours,
        spring_changed_at_h=e.hours,
        locked_at_mm=e.spring_after_mm if d.engine.tightener.kind == "locked" else d.locked_at_mm,
        due_h=next_due_h(d.engine, d.chain_new_at_h, e.hours),
    )


def _camshaft_set(e: b.CamshaftSet, d: Datum) -> Datum:
    late_deg = gauge_lag_deg(d.engine, e.gauge_mm)
    assert late_deg is not None
    return replace(
        d,
        zero_deg=e.raw_deg - late_deg,
        lag_at_set_deg=late_deg,
        camshaft_set_at_h=e.hours,
        lag_start=_elongation_then(e, d),
        lag_start_at_h=e.hours,
    )


def _chain(e: b.ChainRenewed | b.LinksRenewed, d: Datum) -> Datum:
    """Other links: what the chain had grown is void; the camshaft's zero and the spring's free length stay."""
    start: Estimate | None = None
    if e.links is not None and e.length_mm is not None:
        start = links_by_hand(d.engine, e.links, e.length_mm)
    elif isinstance(e, b.ChainRenewed):
        start = Estimate(0.0, NEW_CHAIN_SE_PERCENT, Source.SETTINGS)
    new_at_h = e.hours if isinstance(e, b.ChainRenewed) else d.chain_new_at_h
    measured = e.links is not None and e.length_mm is not None
    return replace(
        d,
        lag_start=None if e.lag_after_deg is None else start,
        lag_start_at_h=e.hours,
        lag_at_set_deg=e.lag_after_deg,
        spring_at_datum_mm=e.spring_after_mm,
        spring_start=None if e.spring_after_mm is None else start,
        spring_changed_at_h=e.hours,
        chain_new_at_h=new_at_h,
        due_h=next_due_h(d.engine, new_at_h, e.hours if isinstance(e, b.ChainRenewed) else d.retightened_at_h),
        retightened_at_h=e.hours if isinstance(e, b.ChainRenewed) else d.retightened_at_h,
        links=(e.links, e.length_mm) if measured and e.links and e.length_mm else None,
        links_at_h=e.hours if measured else None,
    )


def _spring_renewed(e: b.SpringRenewed, d: Datum) -> Datum:
    return replace(
        d,
        free_length_new_mm=e.free_length_mm,
        free_length_mm=e.free_length_mm,
        rate_n_per_mm=e.rate_n_per_mm or d.rate_n_per_mm,
        spring_at_datum_mm=e.spring_after_mm,
        spring_start=None,
        spring_changed_at_h=e.hours,
    )


def _elongation_then(e: b.Retightened | b.CamshaftSet, d: Datum) -> Estimate | None:
    """The elongation on the day: as booked; else as measured by hand in the same stay; else a chain new that day."""
    if e.elongation_percent is not None:
        return Estimate(e.elongation_percent, e.elongation_se_percent or SETTINGS_SE_PERCENT, Source.LAG)
    if d.links is not None and d.links_at_h == e.hours:
        return d.links_estimate()
    if d.chain_new_at_h == e.hours:
        return Estimate(0.0, NEW_CHAIN_SE_PERCENT, Source.SETTINGS)
    return None
