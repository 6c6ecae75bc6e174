"""What is measured by hand on the stopped drive: links, and the play at mid-span.

Order of steps after the handbook's "Work at the drive" (common practice, no source; the engine's manual comes first).
"""

from gateway.model.settings import EngineSettings
from gateway.wear import geometry
from gateway.wear.datum import links_by_hand
from gateway.worksheet.cautions import (
    SECOND,
    isolating,
    opening_wait,
    restoring,
    sense_words,
    slack_sense,
    stopped_cautions,
    turning,
)
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed, cannot_be
from gateway.worksheet.titles import TITLES

LINKS = "links"
PLAY = "hand-play"
PLAY_LINKS = (0.5, 1.0)
"""Hand play at mid-span, links (common practice, no source); the engine's manual comes first."""
PLAY_PARTS_LINKS, PLAY_NEAR_LINKS = 0.3, 0.1
"""So far beyond its band the play may still be right, so far within it already be slack or tight, beside the spring's
reading (our judgement): a hand pulls differently each time."""
FINGERS = "Never put fingers between chain and wheel or guide. Lock off the turning gear before a hand goes in."
PINS = (
    "A strand under load springs apart when its pin is driven. Secure the strand on both sides of the pin with rated "
    "tackle first, and do not drive a pin to measure."
)


def links(facts: Facts, typed: Typed) -> Sheet:
    """Links measured: elongation from a length over some links (handbook sum 9)."""
    count, length = typed.number("links", "Links"), typed.number("length_mm", "Length")
    stage = geometry.stages(facts.engine)[facts.engine.chain.tightener_stage - 1]
    notices = list(typed.notices())
    percent = se = None
    booking: dict[str, object] | None = None
    if count is not None and length is not None:
        whole = int(count) if count.is_integer() else count
        faults = cannot_be(facts, kind="links-measured", links=whole, length_mm=length)
        notices += [Notice(x, "refused") for x in faults]
        if not faults:
            found = links_by_hand(facts.engine, int(count), length)
            percent, se = found.percent, found.se_percent
            booking = {"kind": "links-measured", "links": int(count), "length_mm": length}
    e = facts.engine.elongation
    if percent is not None:
        notices += _worn(percent, se or 0.0, facts.elongation_percent, e.near_percent, e.limit_percent)
    new_mm = None if count is None else count * stage.pitch_mm
    return Sheet(
        LINKS,
        TITLES[LINKS],
        stopped_cautions(facts.engine),
        (
            Figure("percent", "Elongation by hand", percent, "%", "Length over the links less new length, over new.",
                   2, True),
            Figure("se_percent", "Its uncertainty", se, "%", "Of a span measured by rule; longer spans are better.", 2),
            Figure("new_mm", "New length of these links", new_mm, "mm",
                   f"Links times the pitch of {stage.pitch_mm:g} mm.", 1),
            Figure("shown_percent", "Elongation as the gateway has it", facts.elongation_percent, "%",
                   "From lag, tightener and earlier measurements.", 2),
            Figure("limit_percent", "Limit", e.limit_percent, "%", "Past it worn links or the chain are renewed.", 2),
        ),
        _link_steps(facts),
        (opening_wait(facts),),
        (
            Input("links", "Links", "", "Pitches between the two pins.", typed.text("links"), step="count"),
            Input("length_mm", "Length over them", "mm", "Pin to pin, chain taut.", typed.text("length_mm"),
                  step="measure"),
        ),
        tuple(notices),
        booking=booking,
        booking_wants="" if booking else "links and their length",
    )  # fmt: skip


def _link_steps(f: Facts) -> tuple[Step, ...]:
    to_tightener = slack_sense(f.engine, to_tightener=True)
    return (
        *isolating(f.engine),
        turning("taut", "Measure", f"Turn {sense_words(to_tightener)} until the slack is on the tightener's strand, so "
                "that the longest free strand is taut. Stop. Lock off the control.", "strand taut, locked off",
                to_tightener),
        Step("Clean the pins of the taut strand. Count the links between two pins, as many as can be reached.", SECOND,
             "links counted by two people", "count", "Measure", f"{FINGERS} {PINS}"),
        Step("Measure pin to pin at three places along the chain. Type and book the longest.", SECOND, "three places",
             "measure", "Measure", FINGERS),
        turning("next-place", "Measure", "Between two places turn the same way. Everybody clear first.", "locked off",
                to_tightener),
        *restoring(),
    )  # fmt: skip


def _worn(percent: float, se: float, known: float | None, near: float, limit: float) -> list[Notice]:
    notices = []
    if percent >= limit:
        notices.append(Notice(f"{percent:.2f} % is past the limit of {limit:g} %: renew worn links or the chain."))
    elif percent >= near:
        notices.append(Notice(f"{percent:.2f} % is past the warning limit of {near:g} %: order links or a chain."))
    if known is not None and abs(percent - known) > 2 * max(se, 0.03):
        notices.append(
            Notice(
                f"The gateway has {known:.2f} %: the two do not agree. Measure again at another place: a chain wears "
                "unevenly."
            )
        )
    return notices


def hand_play(facts: Facts, typed: Typed) -> Sheet:
    """Hand play: play at mid-span in links and mm, compared with half a link to one link, and with the spring."""
    pitch = geometry.stages(facts.engine)[facts.engine.chain.tightener_stage - 1].pitch_mm
    in_links, in_mm = typed.number("play_links", "Play"), typed.number("play_mm", "Play")
    spring = typed.number("spring_mm", "Spring length")
    play = in_links if in_links is not None else None if in_mm is None else in_mm / pitch
    faults = [] if play is None else cannot_be(facts, kind="hand-play", play_links=play)
    notices = [*typed.notices(), *(Notice(x, "refused") for x in faults)]
    if play is not None and not faults:
        notices.append(_play(play))
        if spring is not None:
            notices += beside_spring(facts.engine, play, facts.datum.compression_mm(spring))
    booking = None if play is None or faults else _play_booking(play, spring)
    return Sheet(
        PLAY,
        TITLES[PLAY],
        stopped_cautions(facts.engine),
        (
            Figure("play_links", "Play", play, "links", "Total travel of the strand at mid-span, by hand.", 2, True),
            Figure("play_mm", "The same", None if play is None else play * pitch, "mm", f"At {pitch:g} mm a link.", 0),
            Figure("low_mm", "Least", PLAY_LINKS[0] * pitch, "mm", "Half a link (common practice); the manual first."),
            Figure("high_mm", "Most", PLAY_LINKS[1] * pitch, "mm", "One link (common practice); the manual first.", 0),
            Figure("spring_mm", "Spring length now", facts.spring_mm, "mm", "As the transducer reads it.", 2, True),
            Figure("compression_mm", "Compressed when it was read",
                   None if spring is None else facts.datum.compression_mm(spring), "mm",
                   f"Slack on the tightener; required {facts.engine.tightener.required_compression_mm:g} mm.", 1),
        ),
        _play_steps(facts),
        (opening_wait(facts),),
        (
            Input("spring_mm", "Spring length", "mm", "With the slack on the tightener's strand, before you turn back.",
                  typed.text("spring_mm"), _spring_to_take(facts), step="spring"),
            Input("play_mm", "Play", "mm", "Total travel, by rule. Either this or the next.", typed.text("play_mm"),
                  step="" if in_links is not None else "measure"),
            Input("play_links", "Play", "links", "", typed.text("play_links")),
        ),
        tuple(notices),
        live=True,
        booking=booking,
        booking_wants="" if booking else "the play, in links or in mm",
    )  # fmt: skip


def _play_steps(f: Facts) -> tuple[Step, ...]:
    to_free, to_tightener = (slack_sense(f.engine, to_tightener=x) for x in (False, True))
    return (
        *isolating(f.engine),
        turning("slack-to-tightener", "Measure", f"Turn {sense_words(to_tightener)} until the slack is on the "
                "tightener's strand. Stop. Lock off the control.", "slack at the tightener, locked off", to_tightener),
        Step("Take the spring's length. The play is compared with it.", SECOND, "length taken", "spring", "Measure",
             FINGERS),
        turning("slack-to-free", "Measure", f"Turn {sense_words(to_free)} until the slack is on the longest free "
                "strand. Stop. Lock off the control.", "slack at the free strand, locked off", to_free),
        Step("Push and pull the strand at mid-span. Measure the total travel. Type it.", SECOND, "measured", "measure",
             "Measure", FINGERS),
        *restoring(),
    )  # fmt: skip


def _play(play: float) -> Notice:
    low, high = PLAY_LINKS
    if play > high:
        return Notice(f"{play:.2f} links is more than one link: the chain is slack. See the sheet “Retighten”.")
    if play < low:
        return Notice(f"{play:.2f} links is less than half a link: the chain is too tight. See the manual.")
    return Notice(f"{play:.2f} links is between half a link and one link.", "good")


def _spring_to_take(f: Facts) -> float | None:
    old = f.burst_age_s is not None
    return None if old or not f.standing or f.spring_mm is None else round(f.spring_mm, 3)


def _play_booking(play: float, spring: float | None) -> dict[str, object]:
    found: dict[str, object] = {"kind": "hand-play", "play_links": round(play, 3)}
    if spring is not None:
        found["note"] = f"slack at the free strand; spring {spring:.2f} mm with the slack at the tightener"
    return found


def beside_spring(engine: EngineSettings, play: float, compression_mm: float) -> list[Notice]:
    """Play at mid-span and a sprung tightener's compression, read with the slack on its strand, show the same thing: a
    slack chain has much play and a relaxed spring, a tight one little play and a compressed spring."""
    t = engine.tightener
    if t.kind != "sprung":
        return []
    over_mm = compression_mm - t.required_compression_mm
    by_spring = "slack" if over_mm < -t.band_mm else "tight" if over_mm > t.band_mm else "right"
    low, high = PLAY_LINKS
    may_be = {
        "slack": play > high - PLAY_NEAR_LINKS,
        "tight": play < low + PLAY_NEAR_LINKS,
        "right": low - PLAY_PARTS_LINKS <= play <= high + PLAY_PARTS_LINKS,
    }
    spring = f"the spring, {compression_mm:.1f} mm compressed,"
    if may_be[by_spring]:
        return [Notice(f"Play and spring agree: {spring} shows {_CHAIN[by_spring]} too.", "good")]
    shown = "slack" if play > high else "tight" if play < low else "right"
    return [
        Notice(
            f"Play and spring do not agree: the play shows {_CHAIN[shown]}, {spring} shows {_CHAIN[by_spring]}. "
            "Check which strand was slack. Then compare the transducer with a rule, and look for a stuck arm."
        )
    ]


_CHAIN = {"slack": "a slack chain", "tight": "a chain that is too tight", "right": "a chain of the right tension"}
