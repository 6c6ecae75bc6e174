"""Cautions, waiting times, and the steps that isolate, turn and restore: shared by all work sheets.

Common practice, no source: the engine's manual, class, the safety management system and local rules come first.
"""

from gateway.model.settings import EngineSettings
from gateway.worksheet.sheet import Facts, Sense, Step, Wait

SECOND, CHIEF, GEAR, FITTER = "Second engineer", "Chief engineer", "Person at the turning gear", "Fitter"

SCOPE = (
    "The gateway is a monitoring aid. It is not a safety device. It stops and starts nothing. It never replaces the "
    "engine maker's manual, class rules, the ship's safety management system, a permit to work or a licensed "
    "engineer's judgement. Where this sheet differs from them, they apply."
)
TURNING = (
    "Moving chain and wheels crush hands. Clear the casing of people, hands and tools. Call “clear” before you turn. "
    "Stop and lock off the control before a hand goes in."
)
LOOSE = (
    "The turning gear does not hold the camshaft. With a slack chain or a released coupling, roller "
    "and spring forces "
    "can turn it suddenly. Keep hands away from wheels, chain and cams."
)
DOOR = (
    "Hot spots and oil mist can explode when air enters. The end of the waiting time is not permission to open: the "
    "manual and the permit to work decide."
)
CASING = (
    "Hot oil, hot surfaces and slippery footing. No naked light. Keep a stand-by person outside. "
    "Where the ship's rules "
    "call the casing an enclosed space, test the atmosphere before you enter."
)
SPRING = (
    "The spring stores energy. Release it in small steps, stand to the side of the rod, and keep hands off spring and "
    "plate."
)
NOT_PERMISSION = "Not permission to open: the manual and the permit to work decide."
NOT_PERMISSION_PLUGS = "Not permission to refit: the manual and the permit to work decide."

SINCE_STOPPING, SINCE_OIL = "Time since stopping", "Time since oil pressure off"
ISOLATE, RESTORE = "Isolate and open", "Close and restore"


def stopped_cautions(engine: EngineSettings) -> tuple[str, ...]:
    """What stands above every sheet of work on a stopped engine, with this ship's waiting time."""
    return (
        SCOPE,
        "Before any work at the drive: engine stopped and bridge informed; starting air shut off and "
        "vented; starting "
        "gear blocked; remote start tagged; turning gear engaged, interlock proved, control held by "
        "the person at the "
        "casing; lubricating oil shut off.",
        f"Wait for a minimum of {engine.service.open_after_min:g} min after stopping before a "
        "crankcase or chain-casing "
        f"door is opened; longer where the manual requires it or after an oil-mist alarm. {DOOR}",
        CASING,
        "Nobody in the casing, and hands clear, whenever anything is turned.",
    )


def opening_wait(facts: Facts) -> Wait:
    """Time since stopping as the gateway has seen it, never more than it was, and the minimum."""
    since_s = facts.rest_s if facts.standing else 0.0 if facts.running != "unknown" else None
    return Wait(SINCE_STOPPING, since_s, facts.engine.service.open_after_min * 60, NOT_PERMISSION)


def plugs_wait(engine: EngineSettings, utc_s: float | None, off_utc_s: float | None) -> Wait:
    """Time since the oil pressure was released from the couplings, and the minimum."""
    since_s = None if utc_s is None or off_utc_s is None else max(0.0, utc_s - off_utc_s)
    return Wait(SINCE_OIL, since_s, engine.service.plugs_after_min * 60, NOT_PERMISSION_PLUGS)


def slack_sense(engine: EngineSettings, *, to_tightener: bool) -> Sense:
    """Which way to turn so that the slack comes to the tightener's strand, or to the longest free strand."""
    way = engine.tightener.slack_when_turning
    if way is None:
        return "see"
    if to_tightener:
        return way
    return "ahead" if way == "astern" else "astern"


def sense_words(sense: Sense) -> str:
    """The sense in the words of a step."""
    if sense == "see":
        return "in the right sense (not in the settings: look before you turn)"
    return sense.upper()


def isolating(engine: EngineSettings) -> tuple[Step, ...]:
    """The steps up to the open casing, one tick each."""
    least = engine.service.open_after_min

    def step(key: str, text: str, who: str, confirm: str, caution: str = "", wait: str = "") -> Step:
        return Step(text, who, confirm, key, ISOLATE, caution, live=False, wait=wait)

    return (
        step("immobilise", "Get permission to immobilise the engine from the master, and in port from the port.", CHIEF,
             "permission given"),
        step("permit", "Get the permit to work. Keep the manual's own instruction for this work at hand.", CHIEF,
             "permit in force"),
        step("stopped", "Stop the engine. Inform the bridge.", SECOND, "stopped, bridge informed"),
        step("air", "Shut off the starting air and vent it.", SECOND, "shut, vented",
             "Starting air can turn the engine without warning. Vent the line and check that it has no pressure."),
        step("gear-blocked", "Block the starting gear. Tag the remote start.", SECOND, "blocked, tagged"),
        step("turning-gear", "Engage the turning gear. Prove its interlock. Take its control to the casing.", GEAR,
             "engaged, interlock proved, control in hand"),
        step("propeller", "Check that the propeller is clear of divers, boats and ropes.", SECOND, "clear",
             "The propeller turns with the engine and can kill a diver. Get the clearance again before each turn."),
        step("oil", "Shut off the lubricating oil.", SECOND, "oil off"),
        step("open", f"Wait for a minimum of {least:g} min after stopping, longer after an oil-mist alarm. "
             "Then open the casing door and secure it.", SECOND, "waited, door secured", DOOR, SINCE_STOPPING),
        step("ventilate", "Ventilate the casing. Post a stand-by person. Test the atmosphere where required.",
             SECOND, "casing ventilated, stand-by posted", CASING),
    )  # fmt: skip


def turning(key: str, phase: str, text: str, confirm: str, sense: Sense = "", *, loose: bool = False) -> Step:
    """A step that turns the engine, with the caution that belongs to it."""
    caution = f"{TURNING} {LOOSE}" if loose else TURNING
    return Step(text, GEAR, confirm, key, phase, caution, turns=True, sense=sense)


def restoring() -> tuple[Step, ...]:
    """The steps from the finished work to the engine ready to start; starting air last."""

    def step(key: str, text: str, who: str, confirm: str, caution: str = "") -> Step:
        return Step(text, who, confirm, key, RESTORE, caution, live=False)

    return (
        step("inspect", "Inspect chain, guides, teeth and oil jets.", SECOND, "inspected"),
        step("tools", "Count tools and rags. Check that nobody is in the casing.", SECOND, "all out, all counted",
             "A tool left in the casing can break the chain. A person left in it can be killed."),
        step("door", "Close the casing door.", SECOND, "door closed"),
        step("oil-on", "Open the lubricating oil.", SECOND, "oil on"),
        step("gear-out", "Disengage the turning gear. Prove its interlock.", GEAR, "out, interlock proved"),
        step("unblock", "Unblock the starting gear. Remove the tags. Inform the bridge.", SECOND,
             "unblocked, tags off, bridge informed"),
        step("book", "Book the work below, before the engine is started.", CHIEF, "booked, permit closed"),
        step("air-on", "Open the starting air. This is the last step.", SECOND, "air on",
             "From here the engine can start. Keep everybody clear of shafts, wheels and open cocks."),
    )  # fmt: skip
