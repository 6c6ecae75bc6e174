"""The steps of retightening, in order, for a sprung and for a locked tightener.

Common practice, no source; the engine's manual comes first. The slack is on the tightener's strand before anything is
released: with a loose tightener on a tight strand the chain can jump a tooth.
"""

from gateway.model.settings import EngineSettings
from gateway.wear.geometry import loop_turns
from gateway.worksheet import each_way
from gateway.worksheet.cautions import (
    GEAR,
    LOOSE,
    SECOND,
    SPRING,
    TURNING,
    isolating,
    restoring,
    sense_words,
    slack_sense,
    turning,
)
from gateway.worksheet.sheet import Step

BEFORE, RELEASE, TIGHTEN, LOCK, CHECK = "Before", "Release", "To target", "Hold and lock", "Check"
FITTER = "Fitter"
NO_TOOTH = "A loose chain can jump a tooth, and the camshaft then stands wrong by a whole tooth. Never reverse."


def steps(engine: EngineSettings) -> tuple[Step, ...]:
    """All steps, from the permit to the starting air."""
    return (
        *isolating(engine),
        *_before(engine),
        *_release(engine),
        *_tighten(engine),
        *_lock(engine),
        *_check(engine),
        *restoring(),
    )


def _before(engine: EngineSettings) -> tuple[Step, ...]:
    to_tightener = slack_sense(engine, to_tightener=True)
    return (
        Step("Take “spring length before” while no nut has been touched.", SECOND, "taken", "before", BEFORE),
        turning(
            "slack-to-tightener",
            BEFORE,
            f"With the tightener still held, turn {sense_words(to_tightener)} until the slack is on the tightener's "
            "strand. Stop. Lock off the control.",
            "slack at the tightener, locked off",
            to_tightener,
        ),
    )


def _release(engine: EngineSettings) -> tuple[Step, ...]:
    return (
        Step("Unlock the nuts.", FITTER, "unlocked", "unlock", RELEASE, SPRING),
        Step(
            "Release the spring's nut first, then the opposite nut, until the rod moves freely. "
            "Release the spring fully.",
            FITTER,
            "rod free, spring released",
            "release",
            RELEASE,
            f"{SPRING} {NO_TOOTH}",
        ),
        Step(
            "Measure the free length on two sides. Type it.",
            SECOND,
            "free length typed and not refused by this sheet",
            "free-length",
            RELEASE,
        ),
    )


def _tighten(engine: EngineSettings) -> tuple[Step, ...]:
    sense = slack_sense(engine, to_tightener=True)
    way = sense_words(sense)
    return (
        Step(
            "Tighten the nut by one step. Take hands and spanner out of the casing. Call “clear”.",
            FITTER,
            "hands and spanner out",
            "tighten",
            TIGHTEN,
            LOOSE,
        ),
        turning(
            "turn-a-little",
            TIGHTEN,
            f"Turn a few degrees {way}, the same sense each time. Never reverse while the tightener is loose. Stop.",
            "stopped, locked off",
            sense,
            loose=True,
        ),
        Step(
            "Read the length. Repeat the last two steps until the length is at the target. Press TARGET REACHED.",
            FITTER,
            "target reached",
            "target",
            TIGHTEN,
            "If the manual wants turning while tightening: only with a spanner worked from outside "
            "the casing, and with "
            f"a second person at the stop. {TURNING}",
        ),
    )


def _lock(engine: EngineSettings) -> tuple[Step, ...]:
    t = engine.tightener
    seat = Step(
        "Seat the opposite nut. If the length falls, back it off: the chain is losing tension. Lock "
        "it. Press LENGTH HELD.",
        FITTER,
        "length held, locked",
        "hold",
        LOCK,
    )
    plates = Step(
        "Fit new locking plates. A second person inspects them.", "Second person", "inspected", "plates", LOCK
    )
    if t.kind == "sprung":
        free = Step(
            "Lock the nuts with the spring free to work. The length stays at the target.",
            FITTER,
            "locked, spring free to work",
            "lock",
            LOCK,
        )
        return (seat, free, plates)
    turn = (
        "the locking turn of the manual"
        if t.locking_turn_deg is None
        else f"the locking turn of {t.locking_turn_deg:g}°"
    )
    return (
        seat,
        Step(
            "Tighten the spring's nut on until its plate seats on the distance tube. The length "
            "falls below the target, "
            "and that is right. Press SEATED.",
            FITTER,
            "plate seated",
            "seat",
            LOCK,
        ),
        Step(f"Make {turn}. Lock the nut.", FITTER, "turned, locked", "lock", LOCK),
        plates,
    )


def _check(engine: EngineSettings) -> tuple[Step, ...]:
    to_tightener, to_free = slack_sense(engine, to_tightener=True), slack_sense(engine, to_tightener=False)
    turns = loop_turns(engine)
    return (
        turning(
            "round",
            CHECK,
            f"Turn at least the whole loop of the chain round ({turns:.2f} crank turns) "
            f"{sense_words(to_tightener)}, so "
            "that you end with the slack on the tightener. Stop. Lock off the control.",
            "length holds; “length after turning round” taken",
            to_tightener,
        ),
        Step(
            f"Turn {each_way.whole_turn(engine)} {sense_words(to_free)}. The slack is then on the longest free strand. "
            "Stop. Lock off the control.",
            GEAR,
            "slack at the free strand, locked off",
            "slack-to-free",
            CHECK,
            each_way.CAUTION,
            turns=True,
            sense=to_free,
        ),
        *((each_way.take_step(CHECK),) if each_way.applies(engine) else ()),
        Step(
            "Measure the hand play at mid-span as a cross-check. Type it.",
            SECOND,
            "play as the manual has it",
            "play",
            CHECK,
            "Never put fingers between chain and wheel or guide.",
        ),
    )
