"""Decisions: which comes first, what is booked at the pumps, and words that never sound like a permit."""

from dataclasses import replace
from itertools import product

import pytest
from drive_engines import tern

from gateway.wear.agreement import Agreement
from gateway.wear.datum import Datum, from_settings
from gateway.wear.decision import Decision, Standing, decide

AGREE, PART, UNKNOWN = Agreement("agree"), Agreement("part", ("tightener nut backed off",)), Agreement("unknown")
FINE = Standing(0.4, 0.2, 23.0, 21_400, AGREE)


def said(datum: Datum | None = None, **figures: object) -> Decision:
    return decide(tern(), datum or from_settings(tern()), replace(FINE, **figures))  # type: ignore[arg-type]


def pumps(*degrees: float) -> Datum:
    return replace(from_settings(tern()), compensation_deg=degrees, compensated_at_h=21_000)


def test_within_all_limits_nothing_is_asked() -> None:
    """And the reason shows the figures it rests on."""
    d = said()
    assert d.do == "nothing" and d.also == ()
    assert "0.40° late of 2°" in d.why and "0.20 of 1 %" in d.why and "23.0 mm" in d.why


ORDER = ["find-fault", "renew-chain", "re-time", "retighten", "compensate"]


@pytest.mark.parametrize(("fault", "worn", "lag", "due"), [*product([0, 1], [0, 1], [0.4, 1.7, 2.1], [0, 1])])
def test_the_first_that_holds_is_said_and_the_others_follow(fault: int, worn: int, lag: float, due: int) -> None:
    """Fault before renewal before re-timing before retightening before compensating, in every mixture."""
    d = said(
        lag_deg=lag, elongation_percent=1.1 if worn else 0.2, hours=23_900 if due else 21_400,
        agreement=PART if fault else AGREE,
    )  # fmt: skip
    holds = {
        "find-fault": fault, "renew-chain": worn, "re-time": lag >= 2, "retighten": due, "compensate": 1.5 <= lag < 2
    }  # fmt: skip
    wanted = [do for do in ORDER if holds[do]] or ["nothing"]
    assert d.do == wanted[0]
    assert len(d.also) >= len(wanted) - 1


def test_compensation_is_the_lag_itself_to_a_tenth() -> None:
    """1.72° late is 1.7° at the pumps, in all."""
    d = said(lag_deg=1.72)
    assert d.do == "compensate" and d.compensate_deg == pytest.approx(1.7) and "plan" in d.why


def test_what_is_booked_at_the_pumps_is_not_advised_again() -> None:
    """With 1.7° booked nothing more is asked, but the exhaust valves are still late."""
    d = said(pumps(1.7, 1.7, 1.6, 1.8), lag_deg=1.72)
    assert d.do == "nothing"
    assert any("exhaust valves are still 1.72° late" in text for text in d.also)


def test_more_lag_asks_for_more_compensation_in_all() -> None:
    """1.5° booked and 1.9° late: 1.9° in all, the booked figure named."""
    d = said(pumps(1.5), lag_deg=1.9)
    assert d.do == "compensate" and d.compensate_deg == pytest.approx(1.9) and "1.5° are booked" in d.why


def test_the_lag_limit_counts_from_the_camshaft_whatever_the_pumps_have() -> None:
    """2.1° late with 1.9° compensated is still past the limit."""
    d = said(pumps(1.9), lag_deg=2.1)
    assert d.do == "re-time" and "leave the exhaust valves" in d.why


def test_compensation_left_in_after_re_timing_is_told() -> None:
    """The camshaft is right again but 1.8° are still booked: injection would be early."""
    d = said(pumps(1.8), lag_deg=0.05)
    assert d.do == "nothing" and any("injection would be early" in text for text in d.also)


def test_an_early_camshaft_is_a_fault_not_wear() -> None:
    """Wear only makes it late; unless it was set early, the zero or an encoder has moved."""
    assert said(lag_deg=-1.6).do == "find-fault"
    set_early = replace(from_settings(tern()), lag_at_set_deg=-1.6)
    assert said(set_early, lag_deg=-1.6).do == "nothing"


@pytest.mark.parametrize("compression", [20.4, 25.6])
def test_compression_outside_its_band_asks_for_retightening(compression: float) -> None:
    """Slack or over-tight, the figures of the band are in the reason."""
    d = said(compression_mm=compression)
    assert d.do == "retighten" and "20.5–25.5 mm" in d.why


def test_a_locked_tighteners_compression_is_not_judged() -> None:
    """It is a gauge only while tightening."""
    engine = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    assert decide(engine, from_settings(engine), replace(FINE, compression_mm=5.0)).do == "nothing"


def test_what_is_not_known_is_never_a_figure() -> None:
    """Nothing known: no limit is judged, and no number stands in the sentence."""
    d = said(lag_deg=None, elongation_percent=None, compression_mm=None, hours=None, agreement=UNKNOWN)
    assert d.do == "nothing" and not any(c.isdigit() for c in d.why)
    assert any("second estimate" in text for text in d.also)


def test_the_chain_is_ordered_in_time() -> None:
    """Near the limit, or the limit within the planning horizon, ordering is said beside."""
    assert any("ordered" in text for text in said(elongation_percent=0.85).also)
    assert any("900 h" in text for text in said(order_h=900).also)
    assert not any("ordered" in text for text in said(order_h=1_500).also)


@pytest.mark.parametrize(
    "decision",
    [said(agreement=PART), said(elongation_percent=1.2), said(lag_deg=2.4), said(compression_mm=15), said(lag_deg=1.7)],
    ids=lambda d: d.do,
)
def test_every_call_for_work_defers_to_the_manual(decision: Decision) -> None:
    """One sentence, ending at the manual, with no word of opening, and planning instead of ordering about."""
    assert decision.why.endswith("as the engine's manual sets out.")
    assert decision.why.count(". ") == 0
    assert "open" not in decision.why and ("plan" in decision.why or "find it" in decision.why)


def test_nothing_to_do_tells_what_is_known_and_what_is_not() -> None:
    """Whole sentences, with each figure alone, with none, and with all."""
    none = {"lag_deg": None, "elongation_percent": None, "compression_mm": None}
    blind = "Neither lag nor elongation nor compression is known, so no limit can be judged."
    assert said(**none).why == blind
    assert said(**none | {"lag_deg": -0.25}).why == "No limit asks for work: lag 0.25° early of 2°."
    unknown = "; the lag is not known."
    assert said(**none | {"elongation_percent": 0.2}).why == f"No limit asks for work: elongation 0.20 of 1 %{unknown}"
    assert said(**none | {"compression_mm": 23.0}).why == f"No limit asks for work: compression 23.0 mm{unknown}"
    assert said().why == "No limit asks for work: lag 0.40° late of 2°, elongation 0.20 of 1 %, compression 23.0 mm."


@pytest.mark.parametrize(
    ("booked", "lag", "early"),
    [(0.5, -1.0, False), (0.6, -1.0, True), (0.6, 0.05, True), (0.9, 0.4, False), (0.95, 0.4, True)],
)  # fmt: skip
def test_pumps_ahead_of_the_lag_are_told_beyond_half_a_degree(booked: float, lag: float, early: bool) -> None:
    """An early camshaft counts as nought: the pumps' advance stands against what is late."""
    also = said(pumps(booked), lag_deg=lag).also
    side = "late" if lag >= 0 else "early"
    text = (
        f"{booked:.1f}° are booked at the pumps but the camshaft is {abs(lag):.2f}° {side}: injection would be early."
    )
    assert (text in also) is early
    assert len(also) == early


def test_the_horizon_itself_is_within_it() -> None:
    """An order is due at the planning horizon's hour, and not an hour before its time."""
    at = "The elongation limit may be reached in 1,000 h: have a chain or links ordered."
    assert said(order_h=1_000.0).also == (at,)
    assert said(order_h=1_001.0).also == ()
    near = "Elongation 0.80 % is near its limit: have a chain or links ordered."
    assert said(order_h=1_000.0, elongation_percent=0.8).also == (near,)


def test_an_unchecked_wear_is_said_in_words() -> None:
    """Word for word, since it stands in the trend."""
    assert said(agreement=UNKNOWN).also == ("Wear could not be checked against a second estimate.",)
