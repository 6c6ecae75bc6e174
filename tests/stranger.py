"""The simulated head as a stranger aboard: one sailing of it through the pipeline, what came of it, how true it is.

The head knows nothing of the gateway's sums; its drive's truth comes from wheels, links, shafts and wires.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from firmware_sim_voyages import START_UTC_S, tern_settings

from firmware_sim import Head, Scenario, Truth, parse_scenario
from gateway.measure.timeline import Now
from gateway.model.enums import Quality
from gateway.model.records import Reading, Transition
from gateway.pipeline import AlarmChanged, EnginePipeline, Output, ReadingDue

HEAD = "[head]\nrate_hz = 100\nsamples = 50\n"
BURSTS = "[head]\nrate_hz = 100\nsamples = 50\nburst_s = 6\nevery_s = 600\n"
PIECE = 1 << 17


@dataclass
class Sailed:
    """What came out. Times in s since the scenario's start."""

    scenario: Scenario
    pipeline: EnginePipeline
    outputs: list[Output]

    def readings(self, begin_s: float = 0.0, end_s: float = float("inf")) -> list[tuple[float, Reading]]:
        """Readings in a time."""
        found = [(o.utc_s - START_UTC_S, o.reading) for o in self.outputs if isinstance(o, ReadingDue)]
        return [(t, r) for t, r in found if begin_s <= t < end_s]

    def raised(self) -> list[tuple[float, Transition]]:
        """Alarms that were raised, without repeats."""
        changes = [(o.utc_s - START_UTC_S, o.transition) for o in self.outputs if isinstance(o, AlarmChanged)]
        return [(t, x) for t, x in changes if x.to == "unacknowledged" != x.came_from]

    def tags(self) -> set[str]:
        """Which alarms were raised at all."""
        return {x.tag for _, x in self.raised()}

    def first(self, *tags: str) -> tuple[float, Transition]:
        """The first of these alarms; infinity where none came."""
        found = [(t, x) for t, x in self.raised() if x.tag in tags]
        assert found, f"none of {tags} was raised; raised: {sorted(self.tags()) or 'nothing'}"
        return found[0]

    def wrong_lag(self, begin_s: float, end_s: float = float("inf"), off_deg: float = 0.02) -> list[str]:
        """Readings called good whose lag is off by more."""
        truth = Truth(self.scenario)
        out = []
        for t, r in self.readings(begin_s, end_s):
            if r.lag.quality is Quality.GOOD and r.lag.value is not None:
                error = r.lag.value - float(truth.lag_deg(t))
                out += [f"{t:.0f} s: {error:+.3f} deg"] if abs(error) > off_deg else []
        return out

    def wrong_length(self, begin_s: float, end_s: float = float("inf"), off_mm: float = 0.2) -> list[str]:
        """Readings called good whose spring length is off by more."""
        truth = Truth(self.scenario)
        out = []
        for t, r in self.readings(begin_s, end_s):
            if r.spring.quality is Quality.GOOD and r.spring.value is not None:
                error = r.spring.value - float(truth.spring_mm(t))
                out += [f"{t:.0f} s: {error:+.2f} mm"] if abs(error) > off_mm else []
        return out


@cache
def sail(text: str, duration_s: float, pause_s: float = 0.0) -> Sailed:
    """Play a scenario into a fresh pipeline. `pause_s`: the burst pause in the settings, 0 = not given."""
    scenario = parse_scenario(text, "sailing")
    head = {"burst_pause_s": pause_s} if pause_s else None
    pipeline = EnginePipeline(tern_settings(head=head), "main", START_UTC_S)
    outputs: list[Output] = []
    for piece in pieces(scenario, duration_s):
        outputs += pipeline.feed(piece, Now(0.0, START_UTC_S))
    return Sailed(scenario, pipeline, outputs)


def pieces(scenario: Scenario, duration_s: float) -> Iterator[bytes]:
    """The head's bytes as a capture file would be read."""
    held = bytearray()
    for data, _ in Head(scenario).frames(duration_s):
        held += data
        if len(held) > PIECE:
            yield bytes(held)
            held.clear()
    yield bytes(held)


def event(kind: str, at_s: float, **keys: float | bool) -> str:
    """One event of a scenario, as TOML."""
    fields = "".join(f"{k} = {str(v).lower()}\n" for k, v in keys.items())
    return f'[[event]]\nkind = "{kind}"\nat_s = {at_s}\n{fields}'
