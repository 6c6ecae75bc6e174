"""The running daemon has no room in its memory for pydantic: what it does with messages goes without."""

import subprocess
import sys

import pytest

WORK = """
import sys

from gateway.encode import inbound, messages as m, shapes as s
from gateway.model.errors import Refused
from gateway.model.records import Measured, Reading, Transition
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.report.alarms import stored_move

gateway, ts = "3f0c1d2e-0000-4000-8000-00000000abcd", m.rfc3339(1.75e9)
reading = Reading(
    t_us=0, hours=1.0, running=Running.AHEAD, rpm=92.0, spring=Measured(180.0, Quality.GOOD), compression_mm=23.0,
    tension_n=1_264.4, slap_mm=0.5, lag=Measured(1.2, Quality.GOOD), lag_p2p_deg=0.1, casing_c=51.0,
)
moved = Transition(
    t_us=0, engine="main", tag="lag-near", priority=Priority.WARNING, came_from=AlarmState.NORMAL,
    to=AlarmState.UNACKNOWLEDGED, value=1.5, limit=1.5, unit="deg", text="late", causes=("chain wear",),
)
unknown, hours, dates = (c(p05=None, p50=None, p95=None) for c in (s.Range, s.HoursRange, s.DateRange))
trend = s.TrendMessage(
    ts=ts, hours=1.0, lag_deg=unknown, lag_deg_per_1000h=unknown, elongation_percent=unknown,
    elongation_percent_per_1000h=unknown, limits=(s.TrendLimit(limit="lag-near", hours_to=hours, date=dates),),
    hours_since=s.HoursSince(retightened=1.0, camshaft_set=1.0), agreement="unknown", causes=(),
    decision=s.Decision(do="nothing", why="No limit is near."),
)
bodies = [
    m.alarm_event_body(moved, 1.75e9, 1.0),
    m.adjustment_event_body("pressures", 1.75e9, 1.0, by="chief", before={}, after={"b": 1.00004, "a": "x"}),
    m.gateway_event_body("started", 1.75e9, version="0"),
]
events = [m.event_payload(gateway, seq, body) for seq, body in enumerate(bodies, start=1)]
said = [
    m.presence_payload("online", 1.75e9, "0"), m.dump(m.reading_message(reading, 1.75e9)), m.dump(trend),
    m.dump(m.alarm_message(moved, 1, 1.75e9, 1.0, None)), *events,
]
request = m.DoMessage(v=1, id="a", do="shelve", alarm="lag-near", minutes=30.0, by="chief")
receipt = m.ReceivedMessage(v=1, gateway=gateway, seq=3, ts=ts)
assert inbound.read_request(m.dump(request)) == request and inbound.read_receipt(m.dump(receipt)) == receipt
assert stored_move(events[0], "main") and stored_move(b"{}", "main") is None
try:
    inbound.read_request(b"{}")
except Refused as e:
    said.append(m.dump(m.DoneMessage(id="unknown", ok=False, why=str(e))))
print(len(said), [name for name in sys.modules if name.startswith("pydantic")])
"""


@pytest.mark.parametrize("options", [(), ("-OO",)])
def test_all_messages_are_made_and_read_without_pydantic(options: tuple[str, ...]) -> None:
    """Pins that a fresh interpreter says and hears everything of the daemon's and never brings pydantic in."""
    asked = [sys.executable, *options, "-c", WORK]
    done = subprocess.run(asked, capture_output=True, text=True, timeout=180, check=True)
    assert done.stdout == "8 []\n"
