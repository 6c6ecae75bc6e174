"""Retighten: today's free length gives the target; the read-out follows the phase of the work.

Order of steps after the handbook's "Work at the drive" (common practice, no source; the engine's manual comes first).
"""

from dataclasses import dataclass

from gateway.model.settings import Tightener
from gateway.wear import geometry
from gateway.worksheet import each_way, retighten_steps, sums
from gateway.worksheet.by_hand import beside_spring
from gateway.worksheet.cautions import LOOSE, TURNING, opening_wait, stopped_cautions
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Typed, age, cannot_be, shown, signed
from gateway.worksheet.titles import TITLES

NAME = "retighten"
THERE_MM = 0.1
"""So near to the target is at the target: no spanner does better, and the transducer shows no less."""
HOLD_MM = 0.2
"""The length may give so much while the opposite nut is seated; more and the chain is losing tension."""
SEATED_MM = 0.3
"""So far may the seated length be from the one before: it is the distance tube's, which does not change."""
SET_LARGE_MM = 0.5
"""A spring that has set by so much since it was last measured is worth a second measurement."""
STEP_OF = {
    "before_mm": "before", "free_mm": "free-length", "there_mm": "target", "held_mm": "hold", "seated_mm": "seat",
    "turned_mm": "round",
}  # fmt: skip
"""At which step each length is taken."""
TARGET, HOLD, SEATING, LOCKING, DONE = "to target", "hold", "seating", "locking turn", "done"


@dataclass(frozen=True, slots=True)
class Work:
    """What was typed and pressed so far, in mm, play in links, lost motion in crank degrees. `None`: not yet."""

    free: float | None
    before: float | None
    there: float | None
    held: float | None
    seated: float | None
    turned: float | None
    play: float | None
    lost: float | None

    def phase(self, t: Tightener) -> str:
        """Where the work stands: each press ends one phase."""
        if self.there is None:
            return TARGET
        if self.held is None:
            return HOLD
        if t.kind == "sprung":
            return DONE
        if self.seated is None:
            return SEATING
        return LOCKING if self.turned is None else DONE


def retighten(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known and what has been typed."""
    t = facts.engine.tightener
    work = Work(
        typed.number("free_mm", "Free length measured"),
        typed.number("before_mm", "Length before"),
        typed.number("there_mm", "Length at target"),
        typed.number("held_mm", "Length with the opposite nut seated"),
        typed.number("seated_mm", "Length seated"),
        typed.number("turned_mm", "Length after turning round"),
        typed.number("play_links", "Hand play"),
        typed.number(each_way.NAME, "Lost motion"),
    )
    phase = work.phase(t)
    notices = [*typed.notices(), *_free_length(facts, work.free)]
    refused = any(n.level == "refused" for n in notices)
    target = None if work.free is None or refused else sums.target_length_mm(work.free, t.required_compression_mm)
    notices += [*_running(facts), *_live(facts, work, phase, target)]
    if work.play is not None and work.free is not None and work.turned is not None and not refused:
        notices += beside_spring(facts.engine, work.play, work.free - work.turned)
    booking, wants = _booking(facts, work, target)
    return Sheet(
        NAME,
        TITLES[NAME],
        stopped_cautions(facts.engine),
        _figures(facts, work, phase, target),
        retighten_steps.steps(facts.engine),
        (opening_wait(facts),),
        _inputs(facts, typed, work, t, target),
        tuple(notices),
        live=True,
        booking=booking,
        booking_wants=wants,
        phase=phase,
    )


# -- what is noticed ------------------------------------------------------------------------------------------------


def _free_length(f: Facts, free: float | None) -> list[Notice]:
    """The free length against what a spring can be, by the same rule as the log book's."""
    if free is None:
        return [Notice("Measure the spring's free length with no load and type it: without it there is no target.")]
    found = cannot_be(f, kind="retightened", free_length_mm=free, spring_after_mm=max(free, 1.0) * 0.9)
    notices = [Notice(x, "refused") for x in found if "free length" in x]
    gone = f.datum.free_length_mm - free
    if not notices and gone >= SET_LARGE_MM:
        notices.append(
            Notice(
                f"The spring has set by {gone:.1f} mm since it was last measured. Measure once more, "
                "on two sides. If "
                "it repeats, the target follows it. A spring that goes on setting must be renewed: see the manual."
            )
        )
    return notices


def _running(f: Facts) -> list[Notice]:
    notices = []
    if f.running not in ("stopped", "turning", "unknown"):
        notices.append(Notice("The engine is not stopped. Do nothing at the tightener while it runs."))
    if f.burst_age_s is not None:
        notices.append(
            Notice(
                f"The sensor head sends in bursts: the reading is {age(f.burst_age_s)}. Measure by rule; "
                "the target cannot be confirmed from an old reading."
            )
        )
    if f.spring_mm is None:
        notices.append(Notice(f"No live length: {f.spring.reason}. Measure by rule."))
    return notices


def _live(f: Facts, w: Work, phase: str, target: float | None) -> list[Notice]:
    now = f.spring_mm
    # An old reading, of a head in bursts, confirms nothing, neither by a button nor in words.
    if now is None or target is None or f.burst_age_s is not None:
        return []
    if phase == TARGET:
        return _to_target(now - target, target, f.engine.tightener.nut_pitch_mm)
    if phase == HOLD and w.there is not None:
        return _hold(now - w.there)
    if phase == SEATING:
        return _seating(now, target, f.datum.locked_at_mm)
    reference = w.held if f.engine.tightener.kind == "sprung" else w.seated
    return [] if reference is None else _after(now - reference, f.engine.tightener.kind)


def _to_target(to_go: float, target: float, pitch: float) -> list[Notice]:
    if to_go < -THERE_MM:
        back = sums.turns_in_words(sums.nut_turns(to_go, pitch))
        return [
            Notice(
                f"Passed the target by {-to_go:.2f} mm. Back off the nut by {back}, then come up to "
                "the target again. "
                f"{TURNING} {LOOSE} Never reverse the turning gear while the tightener is loose."
            )
        ]
    if to_go <= THERE_MM:
        return [
            Notice(f"At the target: {target:.2f} mm. Press TARGET REACHED. Then seat the opposite nut.", "good"),
        ]
    return []


def _hold(moved: float) -> list[Notice]:
    if moved < -HOLD_MM:
        return [Notice(f"The length fell by {-moved:.2f} mm: the chain is losing tension. Back off the opposite nut.")]
    if moved > HOLD_MM:
        return [Notice(f"The length rose by {moved:.2f} mm: the spring's nut has moved. Come up to the target again.")]
    return [Notice(f"The length holds: {signed(moved)} mm since the target. Lock the opposite nut.", "good")]


def _seating(now: float, target: float, seated: float | None) -> list[Notice]:
    if seated is None:
        return [Notice("Tighten until the plate seats on the distance tube. The length falls below the target: right.")]
    to_go = now - seated
    if to_go > SEATED_MM:
        return [
            Notice(
                f"Tighten on until the plate seats: {to_go:.2f} mm to the seated length of {seated:.2f} mm. "
                f"The length falls below the target of {target:.2f} mm, and that is right.",
                "good",
            )
        ]
    if to_go < -SEATED_MM:
        return [
            Notice(
                f"The length is {-to_go:.2f} mm below the seated length of {seated:.2f} mm. Stop. "
                "Find out why before "
                "you lock: plate, distance tube or transducer."
            )
        ]
    return [Notice(f"Seated: {now:.2f} mm. Press SEATED. Then make the locking turn of the manual.", "good")]


def _after(moved: float, kind: str) -> list[Notice]:
    if abs(moved) > HOLD_MM:
        what = "nuts" if kind == "sprung" else "plate, distance tube and lock"
        return [Notice(f"The length moved by {signed(moved)} mm since it was locked. Check the {what}. Set it again.")]
    return [Notice(f"The length holds: {signed(moved)} mm since it was locked.", "good")]


# -- what is shown --------------------------------------------------------------------------------------------------


def _figures(f: Facts, w: Work, phase: str, target: float | None) -> tuple[Figure, ...]:
    t, live = f.engine.tightener, f.spring_mm
    goal = f.datum.locked_at_mm if phase == SEATING else target if phase == TARGET else None
    to_go = None if goal is None or live is None else live - goal
    turns = None if to_go is None else sums.nut_turns(to_go, t.nut_pitch_mm)
    set_mm = None if w.free is None else f.datum.free_length_mm - w.free
    compression = None if w.free is None or live is None else w.free - live
    since = {HOLD: w.there, DONE: w.held, LOCKING: w.seated}.get(phase)
    moved = None if since is None or live is None else live - since
    found = [
        Figure("phase", "Phase", phase, "", "To target, hold; a locked tightener: seating, locking turn.", 0),
        Figure("spring_mm", "Spring length now", live, "mm", "Mean of the transducer over the last second.", 2, True),
        Figure("to_go_mm", "To go", to_go, "mm", "Length now less the length to reach. Negative: passed.", 2, True),
        Figure("nut_turns", "Nut turns to go, minimum", turns, "turns", _turns_help(t), 2, True),
        Figure("target_mm", "Target length", target, "mm", "Free length measured today less required compression.", 2),
        Figure("free_last_mm", "Free length as last measured", f.datum.free_length_mm, "mm",
               f"New: {f.datum.free_length_new_mm:.1f} mm. A spring only gets shorter.", 1),
        Figure("set_mm", "Set since then", set_mm, "mm", "What the spring has lost since it was last measured.", 1),
        Figure("compression_mm", "Compressed now", compression, "mm",
               f"Free length less length now; required {t.required_compression_mm:g} mm.", 2),
        Figure("before_mm", "Length before", w.before, "mm", "Taken before the nuts were touched; it is booked.", 2),
        Figure("moved_mm", "Moved since then", moved, "mm", f"It holds within {HOLD_MM:g} mm.", 2),
        Figure("play_mm", "Hand play at mid-span", _play_words(f), "mm",
               "Half a link to one link (common practice); the manual's figure comes first."),
    ]  # fmt: skip
    if each_way.applies(f.engine):
        found.append(each_way.figure(f))
    return (*found, *_locked_figures(f, t)) if t.kind == "locked" else tuple(found)


def _turns_help(t: Tightener) -> str:
    return (
        f"Length to go over the thread's pitch of {t.nut_pitch_mm:g} mm. The rod moves too while the "
        "chain tightens, so "
        "stop by the length only. Negative: back off."
    )


def _play_words(f: Facts) -> str:
    pitch = geometry.stages(f.engine)[f.engine.chain.tightener_stage - 1].pitch_mm
    return f"{pitch / 2:.0f} to {pitch:.0f}"


def _locked_figures(f: Facts, t: Tightener) -> tuple[Figure, ...]:
    turn = "as in the manual" if t.locking_turn_deg is None else t.locking_turn_deg
    return (
        Figure("seated_last_mm", "Seated length before", f.datum.locked_at_mm, "mm",
               "Set by the distance tube; it does not change when the chain wears.", 2),
        Figure("locking_deg", "Locking turn", turn, "" if isinstance(turn, str) else "°",
               "Extra turn after the plate has seated.", 0),
    )  # fmt: skip


def _inputs(f: Facts, typed: Typed, w: Work, t: Tightener, target: float | None) -> tuple[Input, ...]:
    live = None if f.spring_mm is None or f.burst_age_s is not None else round(f.spring_mm, 3)
    moved_since = "The nuts have been moved since. Give a reason to change it."

    def entry(name: str, label: str, words: str, *, locked: bool, press: str = "", offer: bool = True) -> Input:
        """`offer`: the present length may be taken for it."""
        kept = moved_since if locked and not typed.text(f"unlock_{name}") else ""
        return Input(name, label, "mm", words, typed.text(name), live if offer and not kept else None,
                     locked=kept, press=press, step=STEP_OF[name])  # fmt: skip

    def near(wanted: float | None, within: float) -> bool:
        return wanted is not None and live is not None and abs(live - wanted) <= within

    # One tap must not write over the length before: once taken it is typed, or changed with a reason.
    fresh = not typed.text("before_mm") or bool(typed.text("unlock_before_mm"))
    seats = w.held is not None and (f.datum.locked_at_mm is None or near(f.datum.locked_at_mm, SEATED_MM))
    found = [
        entry("before_mm", "Spring length before", "Before any nut is touched.",
              locked=w.before is not None and (w.free is not None or w.there is not None), offer=fresh),
        entry("free_mm", "Free length measured", "With no load, by rule, on two sides.",
              locked=w.there is not None, offer=False),
        entry("there_mm", "Length at target", f"Within {THERE_MM:g} mm of the target.",
              locked=w.held is not None, press="TARGET REACHED", offer=near(target, THERE_MM)),
        entry("held_mm", "Length with the opposite nut seated", f"Within {HOLD_MM:g} mm of the length at target.",
              locked=(w.seated if t.kind == "locked" else w.turned) is not None, press="LENGTH HELD",
              offer=near(w.there, HOLD_MM)),
    ]  # fmt: skip
    if t.kind == "locked":
        found.append(
            entry("seated_mm", "Length seated", "With the plate on the distance tube.",
                  locked=w.turned is not None, press="SEATED", offer=seats)
        )  # fmt: skip
    ended = w.held is not None and (t.kind == "sprung" or w.seated is not None)
    found.append(
        entry("turned_mm", "Length after turning round", "After the whole loop, slack on the tightener.",
              locked=False, press="TAKE", offer=ended)
    )  # fmt: skip
    # Only the page's clock could show which turns came before the nuts were moved: the figure names their age.
    lost = (each_way.figure_input(f, typed, 0.0 if ended else None),) if each_way.applies(f.engine) else ()
    return (
        *found,
        *lost,
        Input("play_links", "Hand play", "links", "At mid-span, by hand.", typed.text("play_links"), step="play"),
    )


# -- what is booked -------------------------------------------------------------------------------------------------


def _booking(f: Facts, w: Work, target: float | None) -> tuple[dict[str, object] | None, str]:
    t = f.engine.tightener
    if target is None or w.free is None:
        return None, "the free length measured today"
    if w.there is None:
        return None, "the length at the target (press TARGET REACHED)"
    if w.held is None:
        return None, "the length with the opposite nut seated"
    if t.kind == "locked" and w.seated is None:
        return None, "the seated length (press SEATED)"
    after = w.turned if w.turned is not None else w.seated if t.kind == "locked" else w.held
    note = f"target {shown(target)} mm, reached {shown(w.there)} mm"
    note += "" if w.play is None else f"; hand play {w.play:g} links"
    found: dict[str, object] = {
        "kind": "retightened",
        "free_length_mm": w.free,
        "spring_after_mm": round(after, 3) if after is not None else None,
        "note": note,
    }
    found |= {} if w.lost is None else {each_way.NAME: w.lost}
    return (found if w.before is None else found | {"spring_before_mm": w.before}), ""
