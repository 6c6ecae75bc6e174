"""Retighten: today's free length gives the target; then length, millimetres and nut turns to go, live."""

from gateway.model.settings import Tightener
from gateway.wear import geometry
from gateway.worksheet import sums
from gateway.worksheet.cautions import CAUTIONS, SECOND, after_closing, before_opening, opening_wait
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed, cannot_be, shown

NAME, TITLE = "retighten", "Retighten the chain"
THERE_MM = 0.1
"""So near to the target is there: no spanner does better, and the transducer shows no less."""
HOLD_MM = 0.2
"""So much may the length give while the upper nuts come down; more and the nut below has moved."""
SET_LARGE_MM = 0.5
"""A spring that has set by so much since last measured is worth a word."""


def retighten(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known and what has been typed."""
    t = facts.engine.tightener
    free = typed.number("free_mm", "Free length measured")
    before = typed.number("before_mm", "Length before")
    there = typed.number("there_mm", "Length when there")
    notices = [*typed.notices(), *_free_length(facts, free)]
    refused = any(n.level == "refused" for n in notices)
    target = None if free is None or refused else sums.target_length_mm(free, t.required_compression_mm)
    live = facts.spring_mm
    to_go = None if target is None or live is None else live - target
    notices += _live(facts, to_go, target)
    moved = None if there is None or live is None else live - there
    notices += _held(moved)
    booking = _booking(facts, free, before, target, typed) if target is not None else None
    wants = "the free length measured today" if target is None else "the present spring length"
    return Sheet(
        NAME,
        TITLE,
        CAUTIONS,
        _figures(facts, free, target, to_go, before, moved),
        _steps(facts.engine.slug, t, facts),
        (opening_wait(facts),),
        _inputs(facts, typed),
        tuple(notices),
        live=True,
        booking=booking,
        booking_wants="" if booking else wants,
    )


def _free_length(f: Facts, free: float | None) -> list[Notice]:
    """The free length against what a spring can be, by the same rule as the log book's."""
    if free is None:
        return [Notice("Measure the spring's free length with no load and type it: without it there is no target.")]
    found = cannot_be(f, kind="retightened", free_length_mm=free, spring_after_mm=max(free, 1.0) * 0.9)
    told = [Notice(x, "refused") for x in found if "free length" in x]
    gone = f.datum.free_length_mm - free
    if not told and gone >= SET_LARGE_MM:
        told.append(
            Notice(
                f"The spring has set by {gone:.1f} mm since it was last measured; measure once more, on two sides. If "
                "it repeats, the target follows it; a spring that goes on setting is to be renewed, as the manual says."
            )
        )
    return told


def _live(f: Facts, to_go: float | None, target: float | None) -> list[Notice]:
    told = []
    if f.running not in ("stopped", "turning", "unknown"):
        told.append(Notice("The engine is not stopped: nothing is done at the tightener while it runs."))
    if f.spring_mm is None:
        told.append(Notice(f"No live length: {f.spring.reason}. Measure by rule."))
    if to_go is None or target is None:
        return told
    pitch = f.engine.tightener.nut_pitch_mm
    if to_go < -THERE_MM:
        back = sums.turns_in_words(sums.nut_turns(to_go, pitch))
        told.append(Notice(f"Passed it by {-to_go:.2f} mm: ease the nut back by {back}, then come up to it again."))
    elif to_go <= THERE_MM:
        told.append(
            Notice(f"There: {target:.2f} mm. Say “there”, then bring the upper nuts down and watch it hold.", "good")
        )
    return told


def _held(moved: float | None) -> list[Notice]:
    if moved is None:
        return []
    if abs(moved) > HOLD_MM:
        return [Notice(f"It does not hold: moved by {moved:+.2f} mm since you said “there”. Set it anew.")]
    return [Notice(f"It holds: moved by {moved:+.2f} mm since you said “there”.", "good")]


def _figures(
    f: Facts, free: float | None, target: float | None, to_go: float | None, before: float | None, moved: float | None
) -> tuple[Figure, ...]:
    t, live = f.engine.tightener, f.spring_mm
    turns = None if to_go is None else sums.nut_turns(to_go, t.nut_pitch_mm)
    set_mm = None if free is None else f.datum.free_length_mm - free
    pitch = geometry.stages(f.engine)[f.engine.chain.tightener_stage - 1].pitch_mm
    compression = None if free is None or live is None else free - live
    found = [
        Figure(
            "spring_mm",
            "Spring length now",
            live,
            "mm",
            "As the transducer reads it, mean of the last second.",
            2,
            True,
        ),
        Figure("to_go_mm", "To go", to_go, "mm", "Length now less target. Below nought: passed it.", 2, True),
        Figure(
            "nut_turns",
            "Nut turns to go",
            turns,
            "turns",
            f"Length to go over the thread's pitch of {t.nut_pitch_mm:g} mm. Below nought: ease back.",
            2,
            True,
        ),
        Figure("target_mm", "Target length", target, "mm", "Free length measured today less required compression.", 2),
        Figure(
            "free_last_mm",
            "Free length as last measured",
            f.datum.free_length_mm,
            "mm",
            f"New it was {f.datum.free_length_new_mm:.1f} mm; it only ever gets shorter.",
            1,
        ),
        Figure("set_mm", "Set since then", set_mm, "mm", "What the spring has lost since it was last measured.", 1),
        Figure(
            "compression_mm",
            "Compressed now",
            compression,
            "mm",
            f"Free length less length now; {t.required_compression_mm:g} mm are asked for.",
            2,
        ),
        Figure("before_mm", "Length before", before, "mm", "As taken before the nuts were touched; it is booked.", 2),
        Figure(
            "moved_mm",
            "Moved since “there”",
            moved,
            "mm",
            f"While the upper nuts come down it should hold within {HOLD_MM:g} mm.",
            2,
        ),
        Figure(
            "play_mm",
            "Hand play at mid-span",
            f"{pitch / 2:.0f} to {pitch:.0f}",
            "mm",
            "Half a link to one link (common practice); the manual's figure comes first.",
        ),
    ]
    if t.kind == "locked":
        turn = "as the manual says" if t.locking_turn_deg is None else t.locking_turn_deg
        found.append(
            Figure(
                "locking_deg",
                "Locking turn",
                turn,
                "" if isinstance(turn, str) else "°",
                "Extra turn after the distance tube has seated, for a locked tightener.",
                0,
            )
        )
    return tuple(found)


def _inputs(f: Facts, typed: Typed) -> tuple[Input, ...]:
    live = None if f.spring_mm is None else round(f.spring_mm, 3)
    return (
        Input("before_mm", "Spring length before", "mm", "Before any nut is touched.", typed.text("before_mm"), live),
        Input("free_mm", "Free length measured", "mm", "With no load, by rule, on two sides.", typed.text("free_mm")),
        Input("there_mm", "“There”", "mm", "The length when you say that it is there.", typed.text("there_mm"), live),
        Input("play_links", "Hand play", "links", "At mid-span, by hand.", typed.text("play_links")),
    )


def _steps(_slug: str, t: Tightener, f: Facts) -> tuple[Step, ...]:
    before = (
        Step("Take “spring length before” while nothing has been touched.", SECOND, "taken"),
        Step(
            "Slacken the nuts, let the spring relax wholly, measure its free length on two sides, type it.",
            SECOND,
            "free length typed; this sheet has not refused it",
        ),
        Step(
            "By the turning gear bring all slack to the tightener's strand; nobody in the casing meanwhile.",
            SECOND,
            "slack at the tightener",
        ),
        Step("Tighten the nut slowly to the target; watch length and turns to go.", "Who holds the spanner", "there"),
        Step(
            "Say “there”. Bring the upper nuts down and watch that the length holds.", "Who holds the spanner", "holds"
        ),
    )
    if t.kind == "locked":
        turn = "the turn that the manual gives" if t.locking_turn_deg is None else f"{t.locking_turn_deg:g}°"
        lock = Step(
            f"See that the distance tube is seated, then turn the nut on by {turn} and lock it.",
            SECOND,
            "seated, locked",
        )
    else:
        lock = Step("Lock the nuts against each other with the spring free to work.", SECOND, "locked, spring free")
    play = Step("Feel the play by hand at the middle of the long span; type it.", SECOND, "play as the manual has it")
    again = Step("Turn once round on the turning gear, stop, and see that the length still holds.", SECOND, "holds")
    return (*before_opening(f.engine), *before, lock, play, again, *after_closing())


def _booking(
    f: Facts, free: float | None, before: float | None, target: float | None, typed: Typed
) -> dict[str, object] | None:
    if free is None or f.spring_mm is None:
        return None
    play = typed.number("play_links", "Hand play")
    note = f"target {shown(target)} mm" + ("" if play is None else f"; hand play {play:g} links")
    found: dict[str, object] = {
        "kind": "retightened",
        "free_length_mm": free,
        "spring_after_mm": round(f.spring_mm, 3),
        "note": note,
    }
    return found if before is None else found | {"spring_before_mm": before}
