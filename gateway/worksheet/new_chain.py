"""New chain: what is checked at which hours while it beds in, and what is booked when it is fitted."""

from gateway.wear.datum import BEDDING_IN_EARLY
from gateway.worksheet.by_hand import PINS
from gateway.worksheet.cautions import (
    CHIEF,
    LOOSE,
    SECOND,
    SPRING,
    TURNING,
    isolating,
    opening_wait,
    restoring,
    sense_words,
    slack_sense,
    stopped_cautions,
    turning,
)
from gateway.worksheet.sheet import Facts, Figure, Sheet, Step, Typed
from gateway.worksheet.titles import TITLES

NAME = "new-chain"


def new_chain(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known."""
    d, points = facts.datum, facts.engine.service.bedding_in_h
    run_h = None if d.chain_new_at_h is None or facts.hours is None else facts.hours - d.chain_new_at_h
    figures = [
        Figure(
            "run_h", "Hours on this chain", run_h, "h", "Since the chain was renewed, where that is booked.", 0, True
        ),
        Figure("due_h", "Next retightening at", d.due_h, "h", "Running hours; a new chain is checked far sooner.", 0),
    ]
    figures += [
        Figure(f"check_{n}", f"Check after {p:g} h", _check_state(facts, p), "", "A bedding-in check (a setting).")
        for n, p in enumerate(points, 1)
    ]
    booking: dict[str, object] = {"kind": "chain-renewed"}
    if facts.spring_mm is not None:
        booking["spring_after_mm"] = round(facts.spring_mm, 3)
    return Sheet(
        NAME,
        TITLES[NAME],
        stopped_cautions(facts.engine),
        tuple(figures),
        _steps(facts, points),
        (opening_wait(facts),),
        (),
        typed.notices(),
        booking=booking,
    )


def _steps(f: Facts, points: list[float]) -> tuple[Step, ...]:
    to_tightener = slack_sense(f.engine, to_tightener=True)
    hold = "Use rated and inspected tackle. Secure both strands and the camshaft before the chain is parted."
    return (
        *isolating(f.engine),
        turning("slack", "Renew", f"With the tightener still held, turn {sense_words(to_tightener)} until the slack is "
                "on the tightener's strand. Stop. Lock off the control.", "slack at the tightener", to_tightener),
        Step("Release the tightener fully, as in the sheet “Retighten”.", SECOND, "free", "release", "Renew", SPRING),
        Step("Secure both strands and the camshaft. Then part the chain.", CHIEF, "all secured", "part",
             "Renew", f"{PINS} {LOOSE} {hold}"),
        Step("Draw the new chain in as the manual requires. Two people inspect all pins and locks.", CHIEF, "locked",
             "fit", "Renew", f"{TURNING} {LOOSE}", turns=True, sense="see"),
        Step("Set the camshaft by the pin gauge: sheet “Re-time”. Tighten the chain: sheet “Retighten”.", SECOND,
             "both done", "other-sheets", "Renew"),
        *restoring(),
        Step(f"Check and retighten after {', '.join(f'{p:g}' for p in points)} h, then by the interval.", SECOND,
             "noted in the work plan", "plan", "Afterwards"),
    )  # fmt: skip


def _check_state(f: Facts, point_h: float) -> str:
    d = f.datum
    if d.chain_new_at_h is None:
        return "no new chain is booked"
    if d.retightened_at_h - d.chain_new_at_h >= BEDDING_IN_EARLY * point_h:
        return "done"
    at = d.chain_new_at_h + point_h
    late = f.hours is not None and f.hours > at
    return f"{'was due' if late else 'due'} at {at:,.0f} h"
