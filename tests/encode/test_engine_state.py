"""The state tile: what a person at three metres is to read, by snapshot."""

import re
from dataclasses import replace
from importlib.resources import files
from typing import Any

import page_rig as rig
import pytest
from panel_boards import alarm

from gateway.alarm.wording import WORDS
from gateway.encode.engine_state import State, alarms_state, engine_state, present_figure, state_of
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.model.records import Measured
from gateway.model.snapshot import EngineView

NOW_S = 1_790_000_000.0
TAGS = ("lag-limit", "tension-low", "slap-high", "retighten-due")


def view(*alarms: Any, lag: Measured | None = None, spring: Measured | None = None, **changes: Any) -> EngineView:
    """An engine running ahead with all figures good."""
    detail = rig.detail(NOW_S)
    detail = replace(detail, lag=lag or detail.lag, spring=spring or detail.spring, rest_s=changes.pop("rest_s", 0.0))
    return replace(rig.present(NOW_S, *alarms).engines[0], **{"detail": detail, **changes})


def slack(state: AlarmState = AlarmState.UNACKNOWLEDGED, **changes: Any) -> Any:
    """Chain slack, of priority alarm, raised 90 s ago."""
    return alarm(3, state, tag="tension-low", changed_utc_s=NOW_S - 5, since_utc_s=NOW_S - 90, **changes)


def due(state: AlarmState = AlarmState.ACKNOWLEDGED) -> Any:
    """Retightening due: a caution."""
    return alarm(12, state, tag="retighten-due", priority=Priority.CAUTION)


def test_all_well_is_normal() -> None:
    """Pins that only an engine that runs ahead with good figures and no alert is normal."""
    shown = engine_state(view(), fresh=True)
    assert (shown.state, shown.what, shown.action) == (State.NORMAL, "", "")


@pytest.mark.parametrize("state", [AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED])
def test_the_gravest_alert_counts_acknowledged_or_not(state: AlarmState) -> None:
    """Pins that an acknowledged alarm goes before an unacknowledged caution, with the time it was raised."""
    shown = engine_state(view(due(AlarmState.UNACKNOWLEDGED), slack(state)), fresh=True)
    assert shown.state is State.ALARM and shown.alert is not None and shown.alert.tag == "tension-low"
    assert shown.what.startswith("Chain slack") and shown.action == WORDS["tension-low"].action
    returned = state is AlarmState.RETURNED
    assert ("returned to normal" in shown.what) is returned
    assert shown.since_utc_s == NOW_S - (5 if returned else 90)


@pytest.mark.parametrize(("priority", "state"), [(p, p.value) for p in Priority])
def test_each_priority_has_its_state(priority: Priority, state: str) -> None:
    """Pins the words of the priorities."""
    assert alarms_state([slack(priority=priority)]).state == state


@pytest.mark.parametrize("running", [r for r in Running if r is not Running.AHEAD])
def test_an_engine_that_does_not_run_ahead_is_not_judged(running: Running) -> None:
    """Pins that nobody reads "normal" where limits are not judged; an alert that stands still goes first."""
    shown = engine_state(view(running=running, rest_s=600.0), fresh=True)
    assert shown.state is State.NOT_JUDGED and shown.what and shown.action
    standing = running in (Running.STOPPED, Running.TURNING)
    assert shown.since_utc_s == (NOW_S - 600 if standing else None)
    assert engine_state(view(due(), running=running), fresh=True).state is State.CAUTION


@pytest.mark.parametrize("which", ["lag", "spring"])
@pytest.mark.parametrize(
    "figure", [Measured(None, Quality.BAD, "loop current 2.1 mA"), Measured(1.0, Quality.UNCERTAIN, "noise")]
)
def test_a_figure_that_is_not_good_is_not_judged(which: str, figure: Measured) -> None:
    """Pins that a sick sensor is named with its reason, also where its own alarm is shelved."""
    shelved = alarm(13, AlarmState.SHELVED, tag="transducer-fault")
    shown = engine_state(view(shelved, **{which: figure}), fresh=True)
    assert shown.state is State.NOT_JUDGED and figure.reason in shown.what
    assert [a.tag for a in shown.away] == ["transducer-fault"]


def test_no_data_goes_before_everything_and_keeps_the_last_alert() -> None:
    """Pins that a head that is not heard, its port gone, and a gateway that does not respond are NO DATA since when."""
    for shown in (
        engine_state(view(slack(), head_heard=False), fresh=True),
        engine_state(view(slack()), fresh=False),
    ):
        assert shown.state is State.NO_DATA and shown.since_utc_s == NOW_S and shown.action
        assert shown.alert is not None and shown.alert.tag == "tension-low"
    assert engine_state(view(detail=None), fresh=True).since_utc_s is None


def test_a_wrong_head_has_its_own_action() -> None:
    """Pins that a head that is not the configured one is not answered with "check the cable"."""
    wrong = alarm(22, tag="head-timing", priority=Priority.WARNING)
    shown = engine_state(view(wrong, head_heard=False), fresh=True)
    assert shown.action == WORDS["head-timing"].action


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED])
def test_what_is_away_is_named_beside_normal(state: AlarmState) -> None:
    """Pins that an alarm that is shelved, out of service or suppressed is no alert, and not forgotten."""
    shown = engine_state(view(slack(state)), fresh=True)
    assert shown.state is State.NORMAL and [a.tag for a in shown.away] == ["tension-low"]


def test_the_figure_of_a_standing_alarm_is_the_present_one() -> None:
    """Pins figure, unit and side; where it is not known it is not made up."""
    v = view(lag=Measured(-2.31, Quality.GOOD), compression_mm=19.04, slap_mm=3.0)
    shown = [present_figure(tag, v, known=True, hours_since_retightened=4_010.2) for tag in TAGS]
    assert shown == ["2.31° early", "19.0 mm compressed", "3.0 mm", "4,010 h"]
    assert present_figure("storage-fault", v, known=True) == ""
    assert present_figure("tension-low", v, known=False) == "not known now"
    assert present_figure("elongation-limit", replace(v, elongation_percent=None), known=True) == "not known now"


def test_the_page_shows_the_same_words() -> None:
    """Pins that the tile's words on the page are those of terminal and fleet."""
    shown = (files("gateway.outlets.page") / "static" / "js" / "words.js").read_text(encoding="utf-8")
    table = shown[shown.index("TILE = {") : shown.index("};", shown.index("TILE = {"))]
    assert dict(re.findall(r'"?([a-z-]+)"?: "([A-Z ]+)"', table)) == {s.value: s.word for s in State}


def test_ashore_the_state_is_found_by_the_same_order() -> None:
    """Pins no data before any alert, an alert before "not judged", and normal only where limits are judged."""
    assert state_of(data=False, alert=Priority.ALARM, judged=True) is State.NO_DATA
    assert state_of(data=True, alert=Priority.CAUTION, judged=False) is State.CAUTION
    assert state_of(data=True, alert=None, judged=False) is State.NOT_JUDGED
    assert state_of(data=True, alert=None, judged=True) is State.NORMAL
