"""What a work sheet is made from: how old a burst's reading is."""

import pytest
from commands_rig import InStep, Outlets
from firmware_sim_voyages import pipeline

from gateway.engine.sheet_facts import LIVE_S, facts_of


@pytest.mark.parametrize(("age_s", "shown"), [(None, None), (1.0, None), (LIVE_S + 1, LIVE_S + 1), (420.0, 420.0)])
def test_a_burst_s_reading_is_shown_with_its_age(age_s: float | None, shown: float | None) -> None:
    """Without the wall clock (a head that sends continuously, or head time) nothing is made up; a fresh one is live."""
    made = pipeline()
    engine = InStep(made, Outlets())
    detail = engine.snapshot.view.detail
    assert detail is not None
    now_s = None if age_s is None else detail.utc_s + age_s
    found = facts_of(made.engine, engine.snapshot, now_s).burst_age_s
    assert found == (None if shown is None else pytest.approx(shown))
