"""The simulated sensor head: engine motion, drive wear, sensors, faults, and the writer of the link's frames.

It knows the link's page and nothing of the gateway, so that an error in one cannot hide in the other.

    from firmware_sim import Head, Truth, load_scenario

    scenario = load_scenario("steady")
    data = Head(scenario, seed=7).capture(duration_s=60.0)
    lag_deg = Truth(scenario, seed=7).lag_deg(30.0)
"""

from firmware_sim.head import Head
from firmware_sim.load import load_scenario, parse_scenario
from firmware_sim.scenario import Scenario, ScenarioError
from firmware_sim.truth import Truth
from firmware_sim.voyage import Voyage, draw_voyage

__all__ = ["Head", "Scenario", "ScenarioError", "Truth", "Voyage", "draw_voyage", "load_scenario", "parse_scenario"]
