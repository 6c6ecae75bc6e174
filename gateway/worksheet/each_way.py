"""One turn each way on the turning gear: the lost motion in port, for the sheets and for commissioning.

The lag ahead less the lag astern, each a mean over whole turns of both shafts, so that eccentric mounting cancels
(handbook sum 18). Common practice, no source; the engine's manual comes first.
"""

from gateway.model.settings import EngineSettings
from gateway.worksheet.cautions import GEAR, LOOSE, SECOND, TURNING, sense_words
from gateway.worksheet.sheet import Facts, Figure, Input, Sense, Step, Typed, age

NAME = "lost_motion_deg"
CAUTION = (
    f"{TURNING} {LOOSE} Keep the starting air shut off and vented. Open the indicator cocks where the manual requires "
    "it: a cylinder under compression can turn the engine back."
)


def applies(engine: EngineSettings) -> bool:
    """Does the lost motion of this drive mean anything? Not where a servo turns the camshaft astern."""
    return engine.lost_motion.applies


def whole_turn(engine: EngineSettings) -> str:
    """How far the crank is turned so that both shafts have gone round, in words."""
    return f"{'one whole turn' if engine.ratio == 1 else 'two whole turns'} and a little more"


def turn_step(engine: EngineSettings, key: str, phase: str, sense: Sense) -> Step:
    """The turn one way."""
    text = f"Turn {whole_turn(engine)} {sense_words(sense)}, without a stop. Stop. Lock off the control."
    return Step(text, GEAR, "whole turn read, locked off", key, phase, CAUTION, turns=True, sense=sense)


def take_step(phase: str) -> Step:
    """The figure is taken."""
    text = "Take “lost motion”, the lag ahead less the lag astern by these two turns. It is booked with the work."
    return Step(text, SECOND, "lost motion taken", "lost-motion", phase)


def figure(f: Facts) -> Figure:
    """As measured at this standstill, with the age of the first of the two turns."""
    since = f.turned_lost_from_utc_s
    old = "" if since is None or f.utc_s is None else f" The first of the two turns is {age(f.utc_s - since)}."
    words = f"Lag ahead less lag astern, by the last turn each way.{old}"
    return Figure(NAME, "Lost motion", f.turned_lost_deg, "° (crank)", words, 2)


def figure_input(f: Facts, typed: Typed, after_utc_s: float | None) -> Input:
    """`after_utc_s`: turns before it lie on the other side of the work; `None`: none may be taken yet."""
    since = f.turned_lost_from_utc_s
    fresh = after_utc_s is not None and since is not None and since > after_utc_s
    take = f.turned_lost_deg if fresh and f.standing and f.burst_age_s is None else None
    return Input(
        NAME,
        "Lost motion",
        "° (crank)",
        "After one turn each way on the turning gear, with the work done.",
        typed.text(NAME),
        None if take is None else round(take, 3),
        step="lost-motion",
    )
