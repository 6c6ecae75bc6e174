"""Work that is booked hours or days late: its level begins where it was done, and what it explains ends."""

from dataclasses import replace

import numpy as np
import pytest
from drive_engines import tern
from firmware_sim_voyages import START_UTC_S, pipeline

from gateway.alarm.machine import Finding
from gateway.model.records import Median
from gateway.pipeline import AlarmChanged
from gateway.wear.agreement import StepSeen
from gateway.wear.booking_check import read_entry
from gateway.wear.datum import from_settings
from gateway.wear.segments import Segments
from gateway.wear.trend import EngineWear

H0, PER_H, TURNED_MM = 20_000.0, 1e-3, -0.3
DONE_H = 200.0


def medians(hours: float) -> list[Median]:
    """One an hour, as bursts give; a nut turned by little at `DONE_H`, in a stay of two days, below any step sought."""
    rng = np.random.default_rng(4)
    noise = 0.02 * rng.standard_normal(round(hours))
    out = []
    for k, off in enumerate(noise):
        done = k >= DONE_H
        spring = 180.0 + PER_H * k + float(off) + TURNED_MM * done
        utc_s = 1.75e9 + 3_600.0 * k + 172_800.0 * done
        out.append(Median(utc_s, H0 + k + 8.0 * done, 50, 0.5, 0.01, spring, 0.02, 88.0, 45.0, 40.0, 0.6))
    return out


@pytest.mark.parametrize(("late_h", "kept"), [(40, 1.0), (400, 0.9)])
def test_a_late_booking_splits_the_level_where_the_work_was_done(late_h: int, kept: float) -> None:
    """Pins that what ran between the work and its booking is no wear, is not thrown away, and stays so in the store;
    more than two days of running back as well."""
    told, blind = Segments("spring", 0.5), Segments("spring", 0.5)
    rows = medians(DONE_H + late_h)
    for m in rows:
        told.fit.add(m)
        blind.fit.add(m)
    told.rebase(keep_slope=True, since_h=H0 + DONE_H)
    blind.rebase(keep_slope=True)
    again = Segments("spring", 0.5)
    again.load(told.state())
    last = replace(rows[-1], hours=rows[-1].hours + 1, utc_s=rows[-1].utc_s + 3_600)
    for series in (told, again):
        series.fit.add(last)
        drift = series.drift()
        assert abs(drift.b - PER_H) < 0.25 * PER_H
        assert drift.levels == 2
        assert drift.n >= kept * (len(rows) + 1)
    blind.fit.add(last)
    assert abs(blind.drift().b - PER_H) > 0.25 * PER_H or blind.drift().levels != 2


def test_a_booking_of_now_begins_a_level_with_the_next_median() -> None:
    """Pins that medians up to the booked hours are of before the work, and so is one within an hour after them: hours
    are read off another counter."""
    wear = EngineWear(tern(), from_settings(tern()))
    rows = medians(DONE_H)
    for m in rows:
        wear.spring.fit.add(m)
    datum = replace(wear.datum, spring_changed_at_h=rows[-1].hours - 0.4)
    wear.rebase(datum, lag_restart=False, spring="level")
    assert not wear.spring.fit.drift().enough
    assert wear.spring.fit.medians == len(rows)


def test_a_step_after_the_work_is_not_explained_by_it() -> None:
    """Pins that a camshaft booked late takes away the step of its own work alone, not the slip of two days after."""
    wear = EngineWear(tern(), from_settings(tern()))
    own, slip = StepSeen("lag", -1.8, 0.02, H0 + 9.0, True), StepSeen("lag", 0.4, 0.02, H0 + 50.0, False)
    wear.steps.extend((own, slip))
    datum = replace(wear.datum, zero_deg=17.0, camshaft_set_at_h=H0, lag_start_at_h=H0)
    wear.rebase(datum, lag_restart=True, spring="keep")
    assert list(wear.steps) == [slip]


def test_a_disagreement_ends_with_the_booking_that_explains_it() -> None:
    """Pins that it does not stand for days after the camshaft was booked, until there is a new trend to compare."""
    p = pipeline()
    alarm = p.alarms["wear-disagree"]
    for t_us in (0, 10**11):
        alarm.judge(t_us, Finding(True, None, None, "parted", ("crank or cam encoder shifted",)))
    assert alarm.facts.active
    who = {"id": "1", "utc_s": START_UTC_S, "hours": p.hours, "person": "2/E"}
    note = read_entry({"kind": "note", "note": "looked at", **who})
    assert not [o for o in p.book(note, [note]) if isinstance(o, AlarmChanged)]
    entry = read_entry({"kind": "camshaft-set", **who, "id": "2", "raw_deg": 18.0, "elongation_percent": 0.4})
    (changed,) = [o for o in p.book(entry, [entry]) if isinstance(o, AlarmChanged)]
    assert (changed.transition.tag, changed.transition.to) == ("wear-disagree", "returned")
