"""Which work falls into which port stay, and what is to be ordered by when."""

import json

import pytest
from shore_rig import trend

from gateway.encode.checked import parse_trend
from gateway.encode.shapes import TrendMessage
from gateway.model.shore_settings import Planning
from gateway.shore.plan import Stay, in_stays, plan

TODAY = "2027-01-10"


def ahead(limit: str, p05: str | None, p50: str | None, **more: object) -> TrendMessage:
    hours = {"p05": 100.0 if p05 else None, "p50": 200.0 if p50 else None, "p95": None}
    limits = [{"limit": limit, "hours_to": hours, "date": {"p05": p05, "p50": p50, "p95": None}}]
    return parse_trend(trend("a", limits=limits, **more)[1])


def stay(number: int, first: str, vessel: str = "a") -> Stay:
    return Stay(number, vessel, f"port {number}", first, first)


@pytest.mark.parametrize(
    ("stays", "chosen", "order"),
    [
        ([], None, "2027-03-05"),
        ([stay(1, "2027-02-01"), stay(2, "2027-08-01"), stay(3, "2027-10-01")], 2, "2027-02-02"),
        ([stay(1, "2027-10-01")], None, "2027-03-05"),
        ([stay(1, "2027-02-01", "other")], None, "2027-03-05"),
    ],
)
def test_a_chain_is_renewed_in_the_last_stay_before_the_earliest_day(
    stays: list[Stay], chosen: int | None, order: str
) -> None:
    """Ordered 180 days before the stay, or before the day where there is none in time."""
    (work,) = plan({("a", "main"): ahead("elongation-limit", "2027-09-01", "2027-12-01")}, stays, Planning(), TODAY)
    assert (work.stay.id if work.stay else None, work.part, work.order_by) == (chosen, "chain", order)
    assert ("comes after it" in work.note) == (stays == [stay(1, "2027-10-01")])


def test_what_is_late_to_order_is_said_so_and_what_is_advised_now_is_due_today() -> None:
    """Over a part whose day has passed, a decision of the ship, the horizon, and a limit that is reached."""
    late = ahead("elongation-limit", "2027-03-01", "2027-04-01")
    (work,) = plan({("a", "main"): late}, [], Planning(), TODAY)
    assert "order it now" in work.note
    decided = ahead("lag-limit", "2040-01-01", "2041-01-01", decision={"do": "re-time", "why": "Lag comes near."})
    (now,) = plan({("a", "main"): decided}, [stay(1, TODAY)], Planning(), TODAY)
    assert (now.what, now.due_day, now.stay) == ("Re-time the camshaft", TODAY, stay(1, TODAY))
    assert plan({("a", "main"): ahead("lag-limit", "2040-01-01", None)}, [], Planning(), TODAY) == []
    assert in_stays([now, work]) == {1: [now], 0: [work]}


def test_the_message_of_the_rig_is_one_that_ships_send() -> None:
    """Pins that the trend used here passes the interface's own check."""
    assert json.loads(trend("a")[1])["limits"][1]["limit"] == "lag-limit"
