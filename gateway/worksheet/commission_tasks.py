"""The tasks of a commissioning, in order, with the cautions of each.

Common practice, no source: the engine's manual, class, the safety management system and local rules come first.
"""

from functools import partial

from gateway.model.settings import EngineSettings, Settings
from gateway.worksheet import each_way
from gateway.worksheet.cautions import FITTER, GEAR, SCOPE, SECOND, SPRING, TURNING, isolating, restoring
from gateway.worksheet.commission import DONE, Question, Task, confirmed
from gateway.worksheet.commission_angles import (
    judge_dead_centre,
    judge_eccentricity,
    judge_fast,
    judge_lost_motion,
    judge_slow,
    judge_zero,
)
from gateway.worksheet.commission_length import POINTS, judge_locked, judge_point, judge_spring
from gateway.worksheet.commission_watch import judge_hours, judge_trial, outlets
from gateway.worksheet.commission_wiring import judge_head, judge_index, judge_plugs, judge_sense
from gateway.worksheet.sheet import Step

PLUGS = (
    "A moving chain beside the plug: stop the turning gear and lock off its control before a hand reaches the encoder. "
    "Clear everybody before the engine is turned again."
)
GAUGE = "The gauge breaks, and hurts, when the shaft turns in it. Take it out before you turn."
RUNNING = (
    "The engine is running: keep clear of shafts, chain casing and couplings. Read from the page or the terminal only."
)
TRIAL_CAUTION = "Inform the bridge and the engine control room first: a trial alarm must not hide a real one."


def tasks(settings: Settings, engine: EngineSettings) -> tuple[Task, ...]:
    """All tasks for this engine, in the order in which they are done."""
    return (
        Task("head", "The head is heard", _head(), _plates(), judge_head),
        Task(
            "isolate",
            "Isolate the engine",
            (*isolating(engine), Step(SCOPE, SECOND, "read")),
            (DONE,),
            confirmed,
            safety=True,
        ),
        *_encoders(engine),
        *_zero(engine),
        *_lengths(engine),
        Task("restore", "Close and restore", restoring(), (DONE,), confirmed, safety=True),
        *_under_way(settings, engine),
    )


def _head() -> tuple[Step, ...]:
    return (
        Step("Switch on the head. Start the daemon: camdrift run CONFIG.", SECOND, "running"),
        Step("Read the lines per turn on the plate of each encoder, or count the teeth of its wheel.", SECOND, "read"),
    )


def _plates() -> tuple[Question, ...]:
    return tuple(
        Question(
            f"{w}_lines",
            f"Lines per turn on the {w} encoder's plate, or teeth of its wheel (empty: not read)",
            needed=False,
        )
        for w in ("crank", "cam")
    )


def _turn(key: str, text: str, confirm: str) -> Step:
    return Step(text, GEAR, confirm, key, caution=TURNING, turns=True, sense="ahead")


def _encoders(engine: EngineSettings) -> tuple[Task, ...]:
    mark = Step("Note where the mark of the turning wheel stands.", GEAR, "noted")
    count = Question("turns", "Whole turns of the turning wheel, ahead")
    found = [
        Task("sense", "Sense, ratio and counts of each encoder",
             (mark, _turn("turn", "Turn the engine two whole turns AHEAD, to the same mark. Stop.", "at the mark")),
             (count,), judge_sense, spans=True, restarts=True),
    ]  # fmt: skip
    if engine.ratio == 1:
        pull = Step("Pull the plug of the CAM encoder.", FITTER, "pulled", "pull", caution=PLUGS)
        turn = _turn("turn", "Turn the engine half a turn AHEAD. Stop.", "stopped")
        found.append(Task("plugs", "Which encoder is which", (pull, turn), (), judge_plugs, spans=True, restarts=True))
    plug = Step("Check that both encoders are plugged in and their plugs secured.", FITTER, "secured", caution=PLUGS)
    turn = _turn("turn", f"Turn the engine {2 * engine.ratio + 1} whole turns AHEAD. Stop.", "stopped")
    found.append(Task("index", "Index of each encoder", (plug, turn), (), judge_index, spans=True, restarts=True))
    return tuple(found)


def _zero(engine: EngineSettings) -> tuple[Task, ...]:
    cylinder = engine.lag.reference_cylinder
    approach = _turn(
        "approach",
        f"Turn cylinder {cylinder} to its dead centre by the mark, AHEAD from at least 30° before. After an overshoot "
        "go back 30° and come again. Stop. Lock off.",
        "at dead centre, locked off",
    )
    fit = Step("Fit the pin gauge. Read the gap on the arc; 0 where it fits.", SECOND, "read", "gauge", caution=GAUGE)
    out = Step("Take the gauge out.", SECOND, "out, nobody in the casing", "gauge-out", caution=GAUGE)
    more = "Turn the engine a whole turn and a quarter AHEAD, without a stop. Stop."
    more = more if engine.ratio == 1 else "Turn the engine two whole turns and a quarter AHEAD, without a stop. Stop."
    gauge = Question("gauge_mm", "Gap at the pin gauge of the encoder's section in mm, late is +, 0 where it fits")
    return (
        Task(
            "dead-centre",
            "Dead centre and pin gauge",
            (approach, fit),
            (gauge,),
            judge_dead_centre,
            spans=True,
            restarts=True,
        ),
        Task("zero", "Zero over a whole turn", (out, _turn("turn", more, "stopped")), (), judge_zero, spans=True),
        Task("eccentricity", "Eccentric mounting", (), (), judge_eccentricity),
    )


def _lengths(engine: EngineSettings) -> tuple[Task, ...]:
    found = []
    rule = Question("rule_mm", "Length by the rule in mm")
    for n in range(1, POINTS + 1):
        place = ("as it stands", "10 mm longer or more", "20 mm longer or more")[n - 1]
        step = Step(f"Set the spring's length: {place}. Lay the rule parallel to the rod. Read.", FITTER, "read",
                    f"rule-{n}", caution=SPRING)  # fmt: skip
        found.append(Task(f"transducer-{n}", f"Transducer against a rule, point {n}", (step,), (rule,),
                          partial(judge_point, n=n)))  # fmt: skip
    free = Step("Release the spring's nut, then the opposite one, until the rod moves freely. Measure on two sides.",
                FITTER, "measured", "free", caution=SPRING)  # fmt: skip
    sides = tuple(Question(f"side_{n}_mm", f"Free length, side {n}, in mm") for n in (1, 2))
    found.append(Task("spring", "Free length of the spring", (free,), sides, judge_spring))
    tighten = "Tighten by the sheet: camdrift sheet retighten CONFIG --live."
    if engine.tightener.kind == "locked":
        lock = Step(f"{tighten} Lock it. Measure the locked length.", FITTER, "locked", "locked", caution=SPRING)
        found.append(Task("locked", "Locked length", (lock,), (rule,), judge_locked))
    else:
        step = Step(tighten, FITTER, "at the target, nuts locked", "tighten", caution=SPRING)
        found.append(Task("tighten", "Tighten to the target", (step,), (DONE,), confirmed))
    if each_way.applies(engine):
        turns = (each_way.turn_step(engine, "astern", "", "astern"), each_way.turn_step(engine, "ahead", "", "ahead"))
        found.append(Task("lost-motion", "Lost motion by a turn each way", turns, (), judge_lost_motion, spans=True))
    return tuple(found)


def _under_way(settings: Settings, engine: EngineSettings) -> tuple[Task, ...]:
    slow = Step("Wait for a steady low speed, ten minutes or more.", SECOND, "steady", caution=RUNNING)
    fast = Step("Wait for a steady high speed, ten minutes or more.", SECOND, "steady", caution=RUNNING)
    trial = Step("Raise the trial alarm: camdrift try-alarm CONFIG. It ends by itself. Look at each outlet.", SECOND,
                 "looked at", "trial", caution=TRIAL_CAUTION)  # fmt: skip
    hours = Step("Run for two hours or more.", SECOND, "run", caution=RUNNING)
    return (
        Task("trial", "Trial alarm", (trial,), outlets(settings, engine.slug), judge_trial, spans=True),
        Task("skew-slow", "Skew, first speed", (slow,), (), judge_slow),
        Task("skew-fast", "Skew, second speed", (fast,), (), judge_fast),
        Task("first-hours", "First hours under way", (hours,), (), judge_hours, spans=True),
    )
