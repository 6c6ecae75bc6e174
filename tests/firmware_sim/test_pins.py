"""The pins' events against a decoder of their own: Gray code, direction, index, times."""

import itertools

import numpy as np
import pytest

from firmware_sim import load_scenario
from firmware_sim.head import engine_of
from firmware_sim.pins import ANALOG, EVENT, LOOP, NOTHING, PINS, Events, encoder, pins

GRAY = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}
"""A leads B when the shaft turns ahead."""
COUNTS = 400


def decoded(events: Events, a: int, b: int, start: int) -> list[tuple[int, int]]:
    """(time in ns, count) after each edge; a jump over two states fails."""
    state = start % 4
    levels = next([x, y] for (x, y), n in GRAY.items() if n == state)
    count, found = start, []
    for t, what, value in events.tolist():
        if what not in (a, b):
            continue
        levels[what == b] = value
        step = (GRAY[levels[0], levels[1]] - state + 1) % 4 - 1
        assert abs(step) == 1, "an edge that moves nothing, or two steps at once"
        state, count = (state + step) % 4, count + step
        found.append((t, count))
    return found


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_edges_are_where_the_shaft_crosses_a_line(sense: float) -> None:
    """Each whole count is crossed once, in Gray code, at the time at which the shaft is there within 1 ns of travel."""
    t = np.linspace(0.0, 2.0, 2_001)
    at = sense * COUNTS * (0.3 + 1.2 * t + 0.01 * np.sin(9 * t))
    events = np.sort(encoder(t, at / COUNTS, COUNTS, PINS["crank"]), order="t", kind="stable")
    found = decoded(events, *PINS["crank"][:2], start=int(np.floor(at[0])))
    assert found[-1][1] == np.floor(at[-1]) and len(found) == abs(int(np.floor(at[-1]) - np.floor(at[0])))
    line = [count if sense > 0 else count + 1 for _, count in found]
    assert np.interp([ns * 1e-9 for ns, _ in found], t, at) == pytest.approx(line, abs=1e-5)
    rises = [e for e in events.tolist() if e[1] == PINS["crank"][2] and e[2] == 1]
    turned = np.floor(at / COUNTS)
    assert len(rises) in (abs(int(turned[-1] - turned[0])), abs(int(turned[-1] - turned[0])) + 1)


def test_a_shaft_that_goes_to_and_fro_ends_where_it_began() -> None:
    """Reversals within one line too."""
    t = np.linspace(0.0, 1.0, 4_001)
    at = 100.2 + 7.7 * np.sin(2 * np.pi * 3 * t)
    events = np.sort(encoder(t, at / COUNTS, COUNTS, PINS["cam"]), order="t", kind="stable")
    assert decoded(events, *PINS["cam"][:2], start=100)[-1][1] == 100
    assert len(encoder(t, np.full(4_001, 5.5 / COUNTS), COUNTS, PINS["cam"])) == 0


def test_a_scenario_goes_on_from_chunk_to_chunk() -> None:
    """Both shafts turn as far as the truth has it, no edge is lost between chunks, and each chunk marks its end."""
    scenario = load_scenario("steady")
    chunks = list(itertools.islice(pins(scenario), 6))
    events = np.concatenate(chunks)
    assert events.dtype == EVENT and all((c["what"] == NOTHING).sum() == 1 for c in chunks)
    stands = engine_of(scenario, scenario.run.seed)[0].angle(np.array([0.0, 3.0]))
    for which in ("crank", "cam"):
        edges = np.isin(events["what"], PINS[which][:2])
        assert edges.sum() == pytest.approx(np.diff(stands)[0] * 14_400, abs=40)
        # Each edge changes its pin: none is there twice, none is missing where two chunks meet.
        for pin in PINS[which][:2]:
            assert (np.abs(np.diff(events["value"][events["what"] == pin].astype(int))) == 1).all()
    assert (np.diff(events["t"].astype(np.int64)) > -20_000).all()
    assert (events["what"] == LOOP).sum() == 6 * 10


def test_an_engine_that_stands_still_has_time() -> None:
    """Without an edge the emulator gets the loop's and thermistors' values and the end of each chunk."""
    still = load_scenario("steady").changed(engine={"speed": [(0.0, 0.0)]})
    (first,) = itertools.islice(pins(still), 1)
    assert set(first["what"].tolist()) == {LOOP, ANALOG, NOTHING} and first["t"][-1] == 499_800_000
