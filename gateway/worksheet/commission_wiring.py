"""Commissioning: is the right head heard, and is each encoder wired and counted right?"""

from collections.abc import Sequence

from gateway.model.errors import Refused
from gateway.worksheet.commission import Finding, Work

STILL_TURNS = 0.1
"""Less travel than this in a task is no turning."""
MARK_TURNS = 0.1
"""How far a person may stop from the flywheel's mark, in turns in all."""
AGREE = 0.01
"""The two shafts' turns agree within this share: lost motion and mounting are far smaller over two turns."""
INDEX_TURNS = 2.0
PICKUP_COUNTS_MAX = 192
"""An identity with so few counts per turn is of pick-ups: one for each tooth or mark. Encoders have more."""
AB_PINS = {"crank": "pins 2 and 3", "cam": "pins 5 and 6"}
Z_PIN = {"crank": "pin 4", "cam": "pin 7"}
INVALID = "Check the plug and the supply, and turn on until its index has passed."


def judge_head(work: Work) -> Finding:
    """Name, counts and health of the head, against the settings."""
    head = work.now.head
    if head is None:
        wrong = work.now.alarms.get("head-timing") or work.now.alarms.get("head-silent", "")
        return Finding(False, (f"No valid data from the sensor head. {wrong}".strip(), "Check supply, cable and port."))
    crank, cam = head["counts"]
    lines = [f"Head {head['name']!r}, serial number {head['serial']}, counts per turn: crank {crank}, cam {cam}."]
    set_name = next(h.name for h in work.settings.head if h.slug == work.engine.head)
    ok = True
    proposed: tuple[str, ...] = ()
    if set_name is None:
        proposed = (f'[[head]] name = "{head["name"]}"',)
    for which, heard in (("crank", crank), ("cam", cam)):
        name, each, is_wheel = _console_name(which, heard)
        plate = work.number(f"{which}_lines") if work.typed.get(f"{which}_lines") else heard / each
        if round(plate * each) != heard:
            ok = False
            found = (
                f"The {which}'s wheel has {plate:g} teeth or marks"
                if is_wheel
                else (f"The {which} encoder's plate gives {plate:g} lines")
            )
            lines.append(f"{found}, the head is set to {heard / each:g}.")
            proposed += (f"head's console: set {name} {plate:g}",)
    if head["lost"]:
        lines.append(f"The head has lost {head['lost']} samples since its start.")
    return Finding(ok, tuple(lines), proposed)


def _console_name(which: str, counts: float) -> tuple[str, int, bool]:
    """What the head's console calls a shaft's counts, how many counts each is, and whether it is a wheel's."""
    if counts <= PICKUP_COUNTS_MAX:
        return {"crank": "crank_teeth", "cam": "cam_marks"}[which], 1, True
    return f"{which}_lines", 4, False


def judge_sense(work: Work) -> Finding:
    """The engine was turned AHEAD by a known number of turns: sense, ratio and counts of each encoder."""
    turned = work.number("turns")
    if turned < 1:
        raise Refused("turns: turn at least once round, ahead")
    crank, cam = work.travel
    dead = [] if work.before.head is None else _not_valid(work.before.head["valid"])
    if work.before.head is None or dead:
        return Finding(False, (*dead, "Turn once round, so that each index passes. Then begin again."))
    seen = f"Crank encoder {crank:+.3f} turns, cam encoder {cam:+.3f} turns, engine +{turned:g} turns."
    mistake, settings = _still(crank, cam) or _reversed(crank, cam) or _factors(work, turned) or ("", ())
    if mistake:
        return Finding(False, (seen, mistake), settings)
    return Finding(True, (seen, "Both encoders count ahead, with the right ratio and counts."))


Named = tuple[str, tuple[str, ...]]


def _still(crank: float, cam: float) -> Named | None:
    if abs(crank) < STILL_TURNS and abs(cam) < STILL_TURNS:
        return "Neither encoder moved, or one is not valid. " + INVALID, ()
    for which, own in (("crank", crank), ("cam", cam)):
        if abs(own) < STILL_TURNS:
            text = f"The {which} encoder did not move. Check its coupling, plug and supply. With A or B cut it counts "
            text += "to and fro."
            return text, (f"head's wiring: A and B of the {which} encoder ({AB_PINS[which]})",)
    return None


def _not_valid(valid: Sequence[bool]) -> list[str]:
    """Which encoder is not valid, and what that can be."""
    return [
        f"The {which} encoder is not valid: its index Z ({Z_PIN[which]}) has not come, an edge was missed since, or "
        "plug or supply is missing."
        for which, ok in zip(("crank", "cam"), valid, strict=True)
        if not ok
    ]


def _reversed(crank: float, cam: float) -> Named | None:
    back = [which for which, own in (("crank", crank), ("cam", cam)) if own < 0]
    if not back:
        return None
    if len(back) == 2:
        text = "Both encoders are reversed, or the engine was turned ASTERN. Look at the engine first."
        return text, tuple(f"head's wiring: exchange A and B of the {w} encoder ({AB_PINS[w]})" for w in back)
    text = f"The {back[0]} encoder is reversed. Exchange its wires A and B."
    return text, (f"head's wiring: exchange A and B of the {back[0]} encoder ({AB_PINS[back[0]]})",)


def _factors(work: Work, turned: float) -> Named | None:
    ratio = work.engine.ratio
    crank, cam = work.travel
    near = MARK_TURNS / turned
    factor = {"crank": crank / turned, "cam": cam * ratio / turned}
    off = {which: f for which, f in factor.items() if abs(f - 1) > near}
    agree = abs(factor["cam"] / factor["crank"] - 1) <= AGREE
    if not off and agree:
        return None
    if ratio == 2 and abs(factor["crank"] - 0.5) <= near and abs(factor["cam"] - 2) <= 4 * near:
        return "Crank and cam encoder are swapped.", ("head's wiring: change the two encoders' plugs",)
    if len(off) == 2 and agree:
        text = f"Both encoders show {factor['crank']:.3f} of the turns that you counted. Count them again."
        return text, _counts(work, off)
    # Where the mark alone cannot decide, the encoder that is further off is named. The other one counts the turns
    # better than a person does.
    which = max(factor, key=lambda w: abs(factor[w] - 1))
    share = factor[which] / (1.0 if len(off) == 2 else factor["crank" if which == "cam" else "cam"])
    text = f"The {which} encoder shows {share:.2f} turns for one: wrong counts per turn"
    settings = _counts(work, {which: share})
    if any(abs(share - x) < near for x in (0.5, 2.0)):
        text += ", or wrong ratio"
        if which == "cam":
            other = 2 if share < 1 else 1
            settings += (f"[[engine]] ratio = {other}  # only for a {'four' if other == 2 else 'two'}-stroke engine",)
    return text + ".", settings


def _counts(work: Work, factor: dict[str, float]) -> tuple[str, ...]:
    assert work.now.head is not None
    counts = dict(zip(("crank", "cam"), work.now.head["counts"], strict=True))
    lines = []
    for which, share in factor.items():
        name, each, _ = _console_name(which, counts[which])
        now = counts[which] / each
        lines.append(f"head's console: set {name} {now * share:.0f}  # now {now:g}; compare the plate")
    return tuple(lines)


def judge_plugs(work: Work) -> Finding:
    """The cam encoder's plug was pulled and the engine turned: the cam's angle must be the one that stops."""
    crank, cam = (abs(x) for x in work.travel)
    assert work.now.head is not None
    crank_valid, cam_valid = work.now.head["valid"]
    crank_stopped = not crank_valid or (crank < STILL_TURNS <= cam)
    cam_stopped = not cam_valid or (cam < STILL_TURNS <= crank)
    if crank_stopped == cam_stopped:
        return Finding(False, (f"Crank {crank:.3f} turns, cam {cam:.3f} turns: turn further, with one plug pulled.",))
    if crank_stopped:
        change = ("head's wiring: change the two encoders' plugs",)
        return Finding(False, ("Crank and cam encoder are swapped: the crank's angle stopped.",), change)
    return Finding(True, ("The cam's angle stopped: the plugs are right. Put the plug back and secure it.",))


def judge_index(work: Work) -> Finding:
    """Two whole turns: both angles stay valid, and no index comes at another count."""
    crank, cam = (abs(x) for x in work.travel)
    if min(crank, cam) < INDEX_TURNS:
        return Finding(False, (f"Crank {crank:.2f} turns, cam {cam:.2f}: both must turn {INDEX_TURNS:g} times.",))
    before, now = work.before.head, work.now.head
    assert before is not None and now is not None
    lines, ok = [], True
    for n, which in enumerate(("crank", "cam")):
        slips = None if now["slips"][n] is None else now["slips"][n] - (before["slips"][n] or 0)
        if not now["valid"][n]:
            ok = False
            lines += _not_valid([w != which for w in ("crank", "cam")])
        elif slips is None:
            ok = False
            lines.append(f"The head does not report the {which} encoder's index. Wire it ({Z_PIN[which]}) and set "
                         f"{which}_index 1: else the zero is lost at each start of the head. For an absolute encoder "
                         "leave this task out, with that reason.")  # fmt: skip
        elif slips is not None and slips >= min(crank, cam) - 1:
            ok = False
            lines.append(f"The {which} encoder's index came at another count at each turn: its lines per turn are set "
                         f"wrong, or the index wires of both encoders are exchanged (pins 4 and 7). Compare the plate "
                         f"with {which}_lines at the head's console.")  # fmt: skip
        elif slips:
            ok = False
            lines.append(f"The {which} encoder's index came {slips} times at another count: tighten its coupling, "
                         "check the screen, and compare its lines per turn.")  # fmt: skip
        else:
            lines.append(f"The {which} encoder's index came each turn at the same count.")
    return Finding(ok, tuple(lines))
