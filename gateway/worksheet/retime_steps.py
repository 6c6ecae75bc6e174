"""The steps of re-timing, in order, for one or several camshaft sections.

Common practice, no source; the engine's manual comes first. Gauge and standing lag mean something only at the
reference cylinder's dead centre, approached ahead so that the taut strand is taut.
"""

from gateway.model.settings import EngineSettings
from gateway.worksheet import each_way
from gateway.worksheet.cautions import CHIEF, LOOSE, SECOND, SINCE_OIL, TURNING, isolating, restoring, turning
from gateway.worksheet.sheet import Facts, Sense, Step

RUNNING_ZERO_DEG = 0.6
"""Twist and warmth under way put the lag some 0.4° beside the standing zero; more is a fault (our judgement)."""
SET_DEG = 0.05
"""So near is set: the pin gauge's feelers show no less."""
LOAD, POSITION, BEFORE, RELEASE, TURN, AFTER, PUMPS, SEA = (
    "Under load", "Dead centre", "Before", "Release", "Turn", "After", "Fuel pumps", "Under way",
)  # fmt: skip
OIL = (
    "Oil under high pressure cuts through skin. Wear eye protection, keep the guards in place, and "
    "never feel for a leak "
    "by hand. A pinprick that does not hurt is an emergency. Release the pressure before anybody approaches."
)
TACKLE = (
    "A shaft that is released can turn by itself. Use rated and inspected tackle, keep it tight, hold the shaft both "
    "ways, and keep hands clear."
)


def coupling_caution(engine: EngineSettings) -> str:
    """The waiting time after oil pressure in the couplings, with this ship's minimum."""
    return (
        "After oil pressure in the shrink-fitted couplings, wait for a minimum of "
        f"{engine.service.plugs_after_min:g} min "
        "before plugs are refitted: the oil must drain and the grip return. Turn nothing in that "
        "time. The end of the "
        "time is not permission: the manual decides."
    )


def steps(f: Facts) -> tuple[Step, ...]:
    """All steps, from the pressures under load to the running zero."""
    return (
        Step(
            "Take the pressures of all cylinders at steady load before stopping, by the sheet “Pressures”. Book them.",
            SECOND,
            "pressures before booked",
            "pressures-before",
            LOAD,
            "The engine runs: use the cautions of that sheet.",
        ),
        *isolating(f.engine),
        *_position(f.engine),
        *_before(f.engine),
        *_release(),
        *_turn(f),
        *_after(f),
        *restoring(),
        *_under_way(),
    )


def _position(engine: EngineSettings) -> tuple[Step, ...]:
    cylinder = engine.lag.reference_cylinder
    second = " The gauge fits at every second turn of the crank." if engine.ratio == 2 else ""
    return (
        Step(
            "If the chain must be retightened too, do that first, by the sheet “Retighten”.",
            SECOND,
            "chain tight",
            "chain-first",
            POSITION,
        ),
        turning(
            "whole-turn",
            POSITION,
            f"Turn {each_way.whole_turn(engine)} AHEAD on the turning gear, so that the lag is free of the encoders' "
            "mounting.",
            "whole turn read",
            "ahead",
        ),
        turning(
            "dead-centre",
            POSITION,
            f"Turn AHEAD to the dead centre of cylinder {cylinder} by the mark on the turning wheel. "
            "Approach from at "
            f"least 30° before. After an overshoot go back 30° and come again.{second}",
            "mark in line, taut strand taut",
            "ahead",
        ),
        Step(
            "Lock off the turning gear. Keep it locked until every coupling grips again.",
            "Person at the turning gear",
            "locked off, tagged",
            "lock-gear",
            POSITION,
        ),
    )


def _before(engine: EngineSettings) -> tuple[Step, ...]:
    each = "each section" if engine.lag.camshaft_sections > 1 else "the camshaft"
    return (
        Step(
            f"Read the pin gauge of {each}, by two people. Type it. Take “lag before”.",
            SECOND,
            "gauge read by two people, lag before taken",
            "gauge-before",
            BEFORE,
        ),
        Step("Remove the guards and the plugs of the coupling.", SECOND, "guards off, plugs out", "guards-off", BEFORE),
    )


def _release() -> tuple[Step, ...]:
    return (
        Step(
            "Fit the turning tool and rated tackle. Tighten it, so that the shaft is held both ways. "
            "Mark the coupling.",
            SECOND,
            "shaft held both ways, coupling marked",
            "tackle",
            RELEASE,
            TACKLE,
        ),
        Step(
            "Raise the oil pressure slowly until oil shows at the joint. Keep it until the gauge fits.",
            SECOND,
            "oil at the joint, pressure held",
            "pressure-on",
            RELEASE,
            f"{OIL} {LOOSE}",
        ),
    )


def _sense(f: Facts, section: int) -> Sense:
    """Which way the section's camshaft must turn: by the live lag, which is of the first one; `see` at zero, or where
    it is not known."""
    lag = f.lag_deg if section == 1 and f.whole_turn else None
    return "see" if lag is None or abs(lag) <= SET_DEG else "ahead" if lag > 0 else "astern"


def _turn(f: Facts) -> tuple[Step, ...]:
    engine = f.engine
    first = Step(
        "Turn the camshaft with the tool until gauge and live lag agree at zero. If they differ, "
        "trust neither: stop and "
        "find out why.",
        SECOND,
        "gauge fits, lag at zero",
        "turn-camshaft",
        TURN,
        f"{TURNING} {LOOSE} {TACKLE} {OIL}",
        turns=True,
        sense=_sense(f, 1),
    )
    release = Step(
        "Release the pressure. Press PRESSURE OFF. Keep the tackle on for the time that the manual gives.",
        SECOND,
        "pressure off, tackle on",
        "pressure-off",
        TURN,
        OIL,
    )
    read = Step(
        "Read the gauge, the mark on the turning wheel and the taut strand again.",
        SECOND,
        "gauge fits, mark in line, strand taut",
        "read-again",
        TURN,
    )
    more = tuple(
        Step(
            f"Do the same at section {n}: tackle, pressure, turn, release. Press PRESSURE OFF again.",
            SECOND,
            f"section {n}: gauge fits, pressure off",
            f"section-{n}",
            TURN,
            f"{TURNING} {LOOSE} {TACKLE} {OIL}",
            turns=True,
            sense=_sense(f, n),
        )
        for n in range(2, engine.lag.camshaft_sections + 1)
    )
    all_read = Step("Read the gauges of all sections again.", SECOND, "all read", "read-all", TURN)
    return (first, release, read, *more, all_read) if more else (first, release, read)


def _after(f: Facts) -> tuple[Step, ...]:
    engine, advance = f.engine, f.datum.compensation_mean_deg()
    both = "the gauges of all sections" if engine.lag.camshaft_sections > 1 else "the gauge"
    pumps = (
        f"Take off the {advance:.1f}° that are set at the fuel pumps. Book it as pumps-compensated, 0°."
        if advance
        else "Check that nothing is set at the fuel pumps to compensate. If something is, take it off and book 0°."
    )
    return (
        Step(
            f"Wait for a minimum of {engine.service.plugs_after_min:g} min from the last pressure "
            "release. Turn nothing "
            "in that time. Then refit the plugs, and fit the guards.",
            SECOND,
            "waited, plugs in, guards on",
            "plugs",
            AFTER,
            coupling_caution(engine),
            live=False,
            wait=SINCE_OIL,
        ),
        *((each_way.turn_step(engine, "turn-astern", AFTER, "astern"),) if each_way.applies(engine) else ()),
        turning(
            "turn-after",
            AFTER,
            f"Turn {each_way.whole_turn(engine)} AHEAD, and come to the dead centre again as before.",
            "whole turn read, mark in line",
            "ahead",
        ),
        *((each_way.take_step(AFTER),) if each_way.applies(engine) else ()),
        Step(
            f"Read {both}, by two people. Type it. A section that is still out is booked as it is.",
            CHIEF,
            "gauge read by two people",
            "gauge-after",
            AFTER,
        ),
        Step(
            pumps,
            CHIEF,
            "compensation at the pumps is zero and booked",
            "pumps-off",
            PUMPS,
            "With the pumps still advanced, injection is early and maximum pressure too high: the "
            "engine can be damaged. "
            "Fuel must be shut off and its pressure released before a pump is touched.",
        ),
    )


def _under_way() -> tuple[Step, ...]:
    return (
        Step(
            "At the first steady load, wait until the lag is steady. Take it. Read whether the running zero holds.",
            SECOND,
            "lag taken, running zero holds or its fault is found",
            "running-zero",
            SEA,
        ),
        Step(
            "Take the pressures of all cylinders at the same load as before, by the sheet “Pressures”. Trim the pumps.",
            SECOND,
            "pressures after booked",
            "pressures-after",
            SEA,
            "The engine runs: use the cautions of that sheet.",
        ),
    )
