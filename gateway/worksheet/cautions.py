"""What every work sheet opens with, the waits, and the steps that open and close all work on the drive."""

from gateway.model.settings import EngineSettings
from gateway.worksheet.sheet import Facts, Step, Wait

CAUTIONS: tuple[str, ...] = (
    "The gateway is a monitoring aid. It is not a safety device, stops and starts nothing, and never replaces the "
    "engine maker's manual, class rules, the ship's safety management system, a permit to work, or a licensed "
    "engineer's judgement. Where this sheet differs from them, they hold.",
    "Before any work on the drive: engine stopped; starting air shut off; starting gear blocked; turning gear engaged; "
    "lubricating oil shut off.",
    "At least 20 minutes after stopping before a crankcase or chain-casing door is opened, longer where the manual "
    "says so or an oil-mist alarm was active: hot spots and oil mist can explode when air enters.",
    "Nobody in the casing while the turning gear moves.",
)
COUPLING_CAUTION = (
    "After re-timing with oil pressure in the shrink-fitted couplings, at least 15 minutes for the oil to drain and "
    "the grip to return before plugs are refitted."
)
NO_LEAVE = "The manual and the permit to work decide; this is no leave to open."
NO_PLUGS = "The manual and the permit to work decide; this is no leave to refit."
SECOND, CHIEF = "Second engineer", "Chief engineer"


def opening_wait(facts: Facts) -> Wait:
    """Time since stopping as the gateway has seen it, never more than it was, beside the least time."""
    since_s = facts.rest_s if facts.standing else 0.0 if facts.running != "unknown" else None
    return Wait("Time since stopping", since_s, facts.engine.service.open_after_min * 60, NO_LEAVE)


def plugs_wait(engine: EngineSettings, utc_s: float | None, off_utc_s: float | None) -> Wait:
    """Time since the oil pressure was taken off the couplings, beside the least time."""
    since_s = None if utc_s is None or off_utc_s is None else max(0.0, utc_s - off_utc_s)
    return Wait("Time since oil pressure off", since_s, engine.service.plugs_after_min * 60, NO_PLUGS)


def before_opening(engine: EngineSettings) -> tuple[Step, ...]:
    """The steps up to the open casing."""
    least = engine.service.open_after_min
    return (
        Step("Permit to work issued; the manual's own instruction for this work at hand.", CHIEF, "permit in force"),
        Step(
            "Engine stopped, bridge told; starting air shut off, starting gear blocked.",
            SECOND,
            "air shut, gear blocked, signs up",
        ),
        Step("Turning gear engaged; lubricating oil shut off.", SECOND, "turning gear in, oil off"),
        Step(
            f"Open the casing only when the manual's and the permit's waiting time has passed: {least:g} minutes at "
            "the very least, longer after an oil-mist alarm.",
            SECOND,
            "waited; casing aired",
        ),
    )


def after_closing() -> tuple[Step, ...]:
    """The steps from the finished work to the running engine."""
    return (
        Step("Tools and rags counted; locking of every nut looked at by a second pair of eyes.", SECOND, "all locked"),
        Step("Nobody in the casing; casing closed; oil on, turning gear out, air and gear restored.", SECOND, "closed"),
        Step("Permit closed. Book the work below.", CHIEF, "permit closed"),
    )
