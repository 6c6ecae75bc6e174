"""Events in words: what the log shows for each move of an alarm, each work and the gateway's own."""

from typing import Any

import pytest

from gateway.encode.event_words import details_of, figures_in_words, title_of
from gateway.encode.shapes import AdjustmentBody
from gateway.model.enums import AlarmState

SLACK: dict[str, Any] = {"kind": "alarm", "tag": "tension-low", "priority": "alarm", "by": None, "why": None,
                         "action": "Retighten the chain at the next stop.",
                         "text": "Chain slack: spring compressed 20.4 mm, limit 20.5 mm"}  # fmt: skip


@pytest.mark.parametrize(
    ("came_from", "to", "title"),
    [
        ("normal", "unacknowledged", "Alarm: chain slack"),
        ("unacknowledged", "unacknowledged", "Still not acknowledged: chain slack"),
        ("unacknowledged", "acknowledged", "Acknowledged: chain slack"),
        ("unacknowledged", "returned", "Cleared, not yet acknowledged: chain slack"),
        ("acknowledged", "normal", "Cleared: chain slack"),
        ("returned", "normal", "Acknowledged after it cleared: chain slack"),
        ("acknowledged", "shelved", "Shelved: chain slack"),
        ("shelved", "unacknowledged", "Unshelved: chain slack"),
        ("shelved", "normal", "Unshelved: chain slack"),
        ("normal", "suppressed", "Suppressed: chain slack"),
        ("suppressed", "normal", "No longer suppressed: chain slack"),
        ("normal", "out-of-service", "Out of service: chain slack"),
        ("out-of-service", "out-of-service", "Still out of service: chain slack"),
        ("out-of-service", "normal", "Back in service: chain slack"),
    ],
)
def test_each_move_of_an_alarm_has_its_words(came_from: str, to: str, title: str) -> None:
    """The alarm's title, never its tag, behind what happened to it."""
    assert title_of(SLACK | {"from": came_from, "to": to}) == title


def test_every_pair_of_states_gives_words() -> None:
    """No move leaves a raw state or an empty title."""
    for came_from in AlarmState:
        for to in AlarmState:
            title = title_of(SLACK | {"from": came_from.value, "to": to.value})
            assert title[0].isupper() and title.endswith(": chain slack")


def test_details_name_figures_reason_person_and_what_to_do() -> None:
    """In sentences; of a cleared alarm only the figures, since the title says the rest."""
    raised = details_of(SLACK | {"from": "normal", "to": "unacknowledged"})
    assert raised == f"{SLACK['text']}. Retighten the chain at the next stop."
    shelved = SLACK | {"from": "acknowledged", "to": "shelved", "why": "spare on order", "by": "chief", "action": None}
    assert details_of(shelved).endswith("Reason: spare on order. By: chief.")
    cleared = {"to": "normal", "from": "acknowledged", "text": "Cleared: chain slack (21.4 mm, limit 20.5 mm)"}
    assert details_of(SLACK | cleared | {"action": None}) == "21.4 mm, limit 20.5 mm."
    old = {key: x for key, x in SLACK.items() if key not in ("why", "action")} | {
        "from": "acknowledged",
        "to": "normal",
    }
    assert details_of(old) == ""


def test_work_and_the_gateways_own_events() -> None:
    """Kinds in words; figures with the unit that their key ends in; every kind of adjustment has its name."""
    work = {"kind": "adjustment", "what": "retightened", "by": "second", "before": {"spring_mm": 182.804},
            "after": {"spring_mm": 179.8, "free_length_mm": 202.9, "rate_n_per_mm": 310.0, "utc": None}}  # fmt: skip
    assert title_of(work) == "Chain retightened"
    after = "After: spring 179.8 mm, free length 202.9 mm, rate 310 N/mm. By: second."
    assert details_of(work) == f"Before: spring 182.8 mm. {after}"
    assert title_of({"kind": "gateway", "what": "started"}) == "Gateway started"
    assert title_of({"kind": "gateway", "what": "events-dropped"}) == "Events dropped"
    assert figures_in_words({"raw_deg": 17.35, "set_utc": "2031-02-03T04:05:06.000Z"}) == (
        "raw 17.35°, set 2031-02-03 04:05 UTC"
    )
    kinds = AdjustmentBody.__annotations__["what"]
    assert all(title_of(work | {"what": kind})[0].isupper() for kind in kinds.__args__)
