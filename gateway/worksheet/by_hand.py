"""The smaller sheets: compensate at the pumps, links measured, hand play, a new chain bedding in."""

from gateway.wear import geometry
from gateway.wear.datum import BEDDING_IN_EARLY, links_by_hand
from gateway.wear.decision import PUMP_STEP_DEG
from gateway.worksheet import sums
from gateway.worksheet.cautions import CAUTIONS, CHIEF, SECOND, after_closing, before_opening, opening_wait
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed, cannot_be

PLAY_LINKS = (0.5, 1.0)
"""Hand play at mid-span, links (common practice, no source); the engine's manual comes first."""


def compensate(facts: Facts, typed: Typed) -> Sheet:
    """Compensate at the pumps: degrees a pump, what stays late, what remains to the limit."""
    limits = facts.engine.lag
    sea = facts.sea_lag_deg[1]
    lag = typed.number("lag_deg", "Lag")
    if lag is None:
        lag = sea if sea is not None else facts.lag_deg
    in_force = facts.datum.compensation_mean_deg()
    number = _pumps(facts, typed)
    notices = list(typed.notices())
    want = add = None
    if lag is not None:
        want, add = sums.pump_steps(lag, in_force, PUMP_STEP_DEG)
        notices += _compensation(lag, want, limits.near_deg, limits.limit_deg)
    else:
        notices.append(Notice("The lag is not known; type it, or let her run until it is."))
    refused = any(n.level == "refused" for n in notices)
    after = None if want is None or refused else [round(want, 2)] * number
    before = list(facts.datum.compensation_deg)
    booking = None if after is None else {"kind": "pumps-compensated", "after_deg": after, "before_deg": before}
    return Sheet(
        "compensate",
        "Compensate at the fuel pumps",
        CAUTIONS,
        (
            Figure("lag_deg", "Lag", lag, "° crank", "From the last camshaft setting; late is +.", 2, True),
            Figure(
                "advance_deg",
                "Advance in all, each pump",
                None if refused else want,
                "° crank",
                f"What each pump is to stand earlier by; set in steps of {PUMP_STEP_DEG:g}°.",
                1,
                True,
            ),
            Figure("add_deg", "To add to what is set", None if refused else add, "°", "Below nought: take off.", 1),
            Figure("in_force_deg", "Set now", in_force, "°", "As booked; all of it, mean of the pumps.", 1),
            Figure(
                "stays_late_deg",
                "Exhaust valves stay late by",
                None if lag is None else max(lag, 0.0),
                "°",
                "The pumps make up for injection alone: valves and indicator drive stay with the camshaft.",
                2,
            ),
            Figure(
                "remains_deg",
                "Remains to the limit",
                None if lag is None else limits.limit_deg - lag,
                "°",
                f"The limit of {limits.limit_deg:g}° goes on counting from the camshaft's setting.",
                2,
            ),
        ),
        (
            Step(
                "Permit to work; the manual's own instruction for setting the pumps at hand.", CHIEF, "permit in force"
            ),
            Step("Pressures of all cylinders taken at steady load, and booked.", SECOND, "pressures before"),
            Step("Engine stopped, starting air shut off, starting gear blocked.", SECOND, "blocked"),
            Step("Advance each pump by the figure above; write down what each stands at.", SECOND, "all pumps set"),
            Step(
                "Under way: pressures taken again and compared; each pump trimmed by them.", SECOND, "pressures after"
            ),
            Step("Book the advance now in force at each pump.", SECOND, "booked"),
        ),
        (),
        (
            Input("lag_deg", "Lag, if not the one shown", "°", "Late is +.", typed.text("lag_deg")),
            Input("pumps", "Number of pumps", "", "One a cylinder.", typed.text("pumps") or str(number)),
        ),
        tuple(notices),
        booking=booking,
        booking_wants="" if booking else "a lag that the pumps can make up",
    )


def _pumps(f: Facts, typed: Typed) -> int:
    number = typed.number("pumps", "Number of pumps")
    if number is None:
        return 1 if f.engine.cylinders is None else f.engine.cylinders.number
    if not 1 <= number <= 32 or number != int(number):
        typed.faults.append("Number of pumps: give 1 to 32")
        return 1
    return int(number)


def _compensation(lag: float, want: float, near: float, limit: float) -> list[Notice]:
    if lag >= limit:
        return [
            Notice(
                f"{lag:.2f}° is at or past the limit of {limit:g}°: the pumps do not make it up. Re-time.", "refused"
            )
        ]
    if lag < 0:
        return [Notice(f"The camshaft is {-lag:.2f}° early: that is not wear. Find the cause first.", "refused")]
    if lag < near:
        return [Notice(f"{lag:.2f}° is below {near:g}°: nothing asks for compensation yet.")]
    return [Notice(f"At {want:.1f}° at the pumps injection is right; plan re-timing, for the valves stay late.")]


def links(facts: Facts, typed: Typed) -> Sheet:
    """Links measured: elongation from a length over some links (handbook sum 9)."""
    count = typed.number("links", "Links")
    length = typed.number("length_mm", "Length")
    stage = geometry.stages(facts.engine)[facts.engine.chain.tightener_stage - 1]
    told: list[str] = []
    percent = se = None
    booking = None
    if count is not None and length is not None:
        whole = int(count) if count.is_integer() else count
        told = cannot_be(facts, kind="links-measured", links=whole, length_mm=length)
        if not told:
            found = links_by_hand(facts.engine, int(count), length)
            percent, se = found.percent, found.se_percent
            booking = {"kind": "links-measured", "links": int(count), "length_mm": length}
    e = facts.engine.elongation
    notices = [*typed.notices(), *(Notice(x, "refused") for x in told)]
    if percent is not None:
        notices += _worn(percent, se or 0.0, facts.elongation_percent, e.near_percent, e.limit_percent)
    return Sheet(
        "links",
        "Measure links",
        CAUTIONS,
        (
            Figure(
                "percent",
                "Elongation by hand",
                percent,
                "%",
                "Length over the links less new length, over new.",
                3,
                True,
            ),
            Figure(
                "se_percent",
                "Its uncertainty",
                se,
                "%",
                "How well a span is measured by rule; longer spans are better.",
                3,
            ),
            Figure(
                "new_mm",
                "New length of these links",
                None if count is None else count * stage.pitch_mm,
                "mm",
                f"Links times the pitch of {stage.pitch_mm:g} mm.",
                1,
            ),
            Figure(
                "shown_percent",
                "Elongation as the gateway has it",
                facts.elongation_percent,
                "%",
                "From lag, tightener and earlier measurements.",
                3,
            ),
            Figure("limit_percent", "Limit", e.limit_percent, "%", "Past it worn links or the chain are renewed.", 2),
        ),
        (
            *before_opening(facts.engine),
            Step(
                "Choose a taut strand; clean the pins; measure over as many links as can be reached, pin to pin.",
                SECOND,
                "links counted by two people",
            ),
            Step("Measure at three places along the chain; book the longest.", SECOND, "three places"),
            *after_closing(),
        ),
        (opening_wait(facts),),
        (
            Input("links", "Links", "", "Pitches between the two pins.", typed.text("links")),
            Input("length_mm", "Length over them", "mm", "Pin to pin, chain taut.", typed.text("length_mm")),
        ),
        tuple(notices),
        booking=booking,
        booking_wants="" if booking else "links and their length",
    )


def _worn(percent: float, se: float, known: float | None, near: float, limit: float) -> list[Notice]:
    told = []
    if percent >= limit:
        told.append(
            Notice(f"{percent:.2f} % is past the limit of {limit:g} %: worn links or the chain are to be renewed.")
        )
    elif percent >= near:
        told.append(Notice(f"{percent:.2f} % is near the limit of {limit:g} %: have links or a chain ordered."))
    if known is not None and abs(percent - known) > 2 * max(se, 0.03):
        told.append(
            Notice(
                f"The gateway has {known:.2f} %: they part. Measure again, at another place; a chain wears unevenly."
            )
        )
    return told


def hand_play(facts: Facts, typed: Typed) -> Sheet:
    """Hand play: play at mid-span in links and mm, against half a link to one link."""
    pitch = geometry.stages(facts.engine)[facts.engine.chain.tightener_stage - 1].pitch_mm
    in_links, in_mm = typed.number("play_links", "Play"), typed.number("play_mm", "Play")
    play = in_links if in_links is not None else None if in_mm is None else in_mm / pitch
    told = [] if play is None else cannot_be(facts, kind="hand-play", play_links=play)
    notices = [*typed.notices(), *(Notice(x, "refused") for x in told)]
    if play is not None and not told:
        notices.append(_play(play))
    booking = None if play is None or told else {"kind": "hand-play", "play_links": round(play, 3)}
    return Sheet(
        "hand-play",
        "Hand play",
        CAUTIONS,
        (
            Figure(
                "play_links", "Play", play, "links", "How far the span is moved to and fro by hand, in all.", 2, True
            ),
            Figure("play_mm", "The same", None if play is None else play * pitch, "mm", f"At {pitch:g} mm a link.", 0),
            Figure(
                "low_mm", "Least", PLAY_LINKS[0] * pitch, "mm", "Half a link (common practice); the manual first.", 0
            ),
            Figure("high_mm", "Most", PLAY_LINKS[1] * pitch, "mm", "One link (common practice); the manual first.", 0),
            Figure("spring_mm", "Spring length now", facts.spring_mm, "mm", "As the transducer reads it.", 2),
        ),
        (
            *before_opening(facts.engine),
            Step(
                "Bring the slack to the span by the turning gear; stop it; nobody near while it moves.",
                SECOND,
                "stopped",
            ),
            Step(
                "Move the middle of the longest free span by hand to and fro; measure from end to end.",
                SECOND,
                "measured",
            ),
            *after_closing(),
        ),
        (opening_wait(facts),),
        (
            Input("play_links", "Play", "links", "Either this or the next.", typed.text("play_links")),
            Input("play_mm", "Play", "mm", "", typed.text("play_mm")),
        ),
        tuple(notices),
        booking=booking,
        booking_wants="" if booking else "the play, in links or in mm",
    )


def _play(play: float) -> Notice:
    low, high = PLAY_LINKS
    if play > high:
        return Notice(f"{play:.2f} links is more than one link: the chain is slack. See the sheet “Retighten”.")
    if play < low:
        return Notice(f"{play:.2f} links is less than half a link: the chain is too tight. See the manual.")
    return Notice(f"{play:.2f} links lies between half a link and one link.", "good")


def new_chain(facts: Facts, typed: Typed) -> Sheet:
    """New chain: what is checked at which hours while it beds in, and what is booked when it is fitted."""
    d, points = facts.datum, facts.engine.service.bedding_in_h
    figures = [
        Figure(
            "run_h",
            "Hours on this chain",
            None if d.chain_new_at_h is None or facts.hours is None else facts.hours - d.chain_new_at_h,
            "h",
            "Since the chain was renewed, where that is booked.",
            0,
            True,
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
        "new-chain",
        "New chain",
        CAUTIONS,
        tuple(figures),
        (
            *before_opening(facts.engine),
            Step(
                "Old links or chain out, new in, as the manual says; all pins and locks seen by two people.",
                CHIEF,
                "locked",
            ),
            Step(
                "Camshaft set by the pin gauge: sheet “Re-time”. Chain tightened: sheet “Retighten”.",
                SECOND,
                "both done",
            ),
            *after_closing(),
            Step(
                f"Checked and retightened after {', '.join(f'{p:g}' for p in points)} h, then by the interval.",
                SECOND,
                "noted in the work plan",
            ),
        ),
        (opening_wait(facts),),
        (),
        typed.notices(),
        booking=booking,
    )


def _check_state(f: Facts, point_h: float) -> str:
    d = f.datum
    if d.chain_new_at_h is None:
        return "no new chain is booked"
    if d.retightened_at_h - d.chain_new_at_h >= BEDDING_IN_EARLY * point_h:
        return "done"
    at = d.chain_new_at_h + point_h
    late = f.hours is not None and f.hours > at
    return f"{'was due' if late else 'due'} at {at:.0f} h"
