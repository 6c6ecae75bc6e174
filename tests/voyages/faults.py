"""What must be said of each thing that can go wrong on a drawn voyage (`firmware_sim.voyage_faults`): the table.

A delay is allowed where physics or a rule asks for it, and `why` says which. Times in s of head time for a head without
pause. Where the head sends bursts, nothing is seen between them and what counts samples' time counts only bursts: see
`Call.within`. A fault without `tags` must only do no harm.
"""

from dataclasses import dataclass, replace
from typing import Any

LAG = frozenset({"lag-step", "wear-disagree", "limit-in-sight", "lag-near", "lag-limit"})
SPRING = frozenset(
    {"tension-step", "tension-low", "tension-high", "wear-disagree", "limit-in-sight", "slap-high", "transducer-fault"}
)
NO_SLAP = SPRING - {"slap-high"}
"""What trembles in the loop is never reported as chain slap (handbook, sum 20)."""
MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0
MINUTE_AT_ONCE = "what is certain within seconds, and the alarm's own delay"
ENCODER = "coupling slipped or encoder|encoder"
SIGNAL = "transducer|loop|wire|signal|current|noise"


@dataclass(frozen=True)
class Call:
    """What must call and when. `tags`: any of them finds it. `explains`: what else may then call with reason.
    `seen_s`: samples' time that it takes to be sure. `cause`: what the words must name. `drive_first`: dangerous, so
    that no sensor may be named before it. `first`: the true cause can be the first; where the drive gives the same
    sign it stands before the sensor (handbook, sum 20), and where it is the crew's work nobody asks for more."""

    tags: tuple[str, ...]
    within_s: float
    why: str
    cause: str = ""
    seen_s: float = 10.0
    explains: frozenset[str] = frozenset()
    drive_first: bool = False
    first: bool = True
    silent: bool = False

    def within(self, every_s: float, burst_s: float) -> float:
        """Within how long it must be called, s."""
        if self.silent:
            return self.within_s + (4 * every_s if every_s else 0.0)
        seen = self.seen_s / burst_s * every_s if every_s and self.seen_s > burst_s else 0.0
        return self.within_s + 2 * every_s + seen


def _sensor(tag: str, within_s: float, why: str, cause: str, **more: Any) -> Call:
    also = NO_SLAP if tag == "transducer-fault" else LAG | {"crank-encoder-fault", "cam-encoder-fault", "head-timing"}
    return Call((tag,), within_s, why, cause, explains=also, **more)


_SIGNS = "ripple, noise and openings are told from the samples of a quarter of an hour"
_STUCK = "no ripple for an hour (sum 20), and an hour until this ship's own is known again"
_BIT = "a share of the revolutions of a quarter of an hour"
_LOOSE = "play shows as scatter of many turns, or at the next reversal"
_SLIP = "certain after ten revolutions"
_STANDS_OFF = "0.3 deg off for 120 revolutions; in bursts for 24 of them, 18 s at the lowest speed and what is cut off"
_SMALL = "below the step sought within ten revolutions: a chart of medians, beside weather of 0.02 deg"
_INDEX = "its index comes elsewhere"
_TREND_SAYS = "no alarm: the trend says it and goes on, the figures stay right"
_NONE = "nothing to be said: the figures stay right"

TABLE: dict[str, Call] = {
    "wire broken": _sensor("transducer-fault", 30.0, MINUTE_AT_ONCE, SIGNAL),
    "loop shorted": _sensor("transducer-fault", 30.0, MINUTE_AT_ONCE, SIGNAL),
    "loop doubtful": _sensor("transducer-fault", 30.0, MINUTE_AT_ONCE, SIGNAL),
    "transducer seized": _sensor("transducer-fault", 2 * HOUR_S, _STUCK, "transducer", first=False, seen_s=60.0),
    "tightener arm seized": Call(
        ("transducer-fault",), 2 * HOUR_S, _STUCK, "tightener arm", 60.0, NO_SLAP, drive_first=True
    ),
    "transducer frozen": _sensor("transducer-fault", 200.0, "a current that stays to the digit", SIGNAL),
    "transducer noisy": _sensor("transducer-fault", MINUTE_S, MINUTE_AT_ONCE, SIGNAL),
    "loop ripple": _sensor("transducer-fault", HOUR_S, _SIGNS, SIGNAL, seen_s=60.0),
    "loose wire": _sensor("transducer-fault", HOUR_S, _SIGNS, SIGNAL, seen_s=60.0),
    "loose bracket": _sensor(
        "transducer-fault", 0.0, "seen only when the speed changes: no delay can be promised", SIGNAL
    ),
    "transducer creeps": Call(
        ("wear-disagree",), 15 * DAY_S, "once beyond the joint uncertainty of lag and tightener", "transducer",
        explains=NO_SLAP, first=False,
    ),
    "transducer shifted": Call(
        ("tension-step",), MINUTE_S, _SLIP, "transducer", explains=NO_SLAP, first=False
    ),
    "crank encoder stuck": _sensor("crank-encoder-fault", 30.0, MINUTE_AT_ONCE, "encoder|crank"),
    "cam encoder stuck": _sensor("cam-encoder-fault", 30.0, MINUTE_AT_ONCE, "encoder|cam"),
    "crank encoder not valid": _sensor("crank-encoder-fault", 30.0, MINUTE_AT_ONCE, "encoder|crank"),
    "cam encoder not valid": _sensor("cam-encoder-fault", 30.0, MINUTE_AT_ONCE, "encoder|cam"),
    "crank bit flickers": _sensor("crank-encoder-fault", HOUR_S, _BIT, "encoder|crank", seen_s=60.0),
    "cam bit flickers": _sensor("cam-encoder-fault", HOUR_S, _BIT, "encoder|cam", seen_s=60.0),
    "crank coupling loose": _sensor("crank-encoder-fault", 0.0, _LOOSE, "loose|play|coupling"),
    "cam coupling loose": _sensor("cam-encoder-fault", 0.0, _LOOSE, "loose|play|coupling"),
    "crank encoder slipped, counted": _sensor("crank-encoder-fault", MINUTE_S, _INDEX, "slip|index"),
    "cam encoder slipped, counted": _sensor("cam-encoder-fault", MINUTE_S, _INDEX, "slip|index"),
    "tooth jump": Call(("lag-step",), 30.0, _SLIP, "tooth", explains=LAG, drive_first=True),
    "spring broken": Call(("tension-step",), MINUTE_S, _SLIP, "spring", explains=SPRING, drive_first=True),
    "nut backs off": Call(
        ("tension-step", "tension-low"), 3 * HOUR_S, "it takes two hours to be 4 mm", "nut", explains=SPRING,
        drive_first=True,
    ),
    "pump weak": Call((), 0.0, "no alarm reads the shape yet", explains=frozenset({"shape-changed"})),
    "temperature failed": Call((), 0.0, _TREND_SAYS),
    "temperature stands wrong": Call((), 0.0, _TREND_SAYS),
    "head silent": Call(("head-silent",), 10.0, "the settings' burst pause, twice over", silent=True),
    "head restarts": Call((), 0.0, _NONE, explains=frozenset({"head-silent"})),
    "head's clock jumps": Call((), 0.0, _NONE, explains=frozenset({"head-silent", "head-timing"})),
    "frames lost": Call(("link-poor",), 900.0, "a share of ten minutes' frames"),
    "frames corrupt": Call(("link-poor",), 900.0, "a share of ten minutes' frames"),
    "another head": Call(
        ("head-timing",), MINUTE_S, "the next identity frame", "head", explains=frozenset({"head-silent"})
    ),
    "port vanished": Call(("head-silent",), MINUTE_S, "at once", "port", silent=True),
}  # fmt: skip


def call_for(name: str, event: dict[str, Any]) -> Call:
    """The row of a fault; where its size decides, of that size."""
    if name.endswith("not counted"):
        deg = abs(float(event["deg"]))
        within = MINUTE_S if deg > 0.5 else 3 * MINUTE_S if deg > 0.3 else 2 * DAY_S if deg > 0.2 else 0.0
        why = _SLIP if deg > 0.5 else _STANDS_OFF if deg > 0.3 else _SMALL
        tags = ("lag-step", "wear-disagree", "crank-encoder-fault", "cam-encoder-fault")
        return Call(tags, within, why, ENCODER, explains=LAG, first=False, seen_s=10.0 if deg > 0.5 else 24.0)
    if name == "coupling slip":
        deg = abs(float(event["deg"]))
        within = MINUTE_S if deg > 0.5 else 2 * DAY_S if deg > 0.15 else 0.0
        tags = ("lag-step",) if deg > 0.5 else ("lag-step", "wear-disagree")
        return Call(tags, within, _SLIP if deg > 0.5 else _SMALL, "coupling slipped", explains=LAG, drive_first=True)
    if name == "loop ripple" and (float(event["hz"]) == HALF_RATE_HZ or float(event["ma"]) < RIPPLE_MA):
        # At half the sampling rate any part of it may be seen, or none; less than this is no more than a rough sensor.
        return replace(TABLE[name], tags=(), explains=NO_SLAP)
    return TABLE[name]


HALF_RATE_HZ, RIPPLE_MA = 50.0, 0.2


WRONG_FITTING = Call(
    ("crank-encoder-fault", "cam-encoder-fault"),
    2 * HOUR_S,
    "from the first steady hour on; the sign of the swap needs the lag's own size",
    "reversed|swapped|ratio|counts",
    seen_s=60.0,
)
SEEN_AT_ONCE = {"nut-turn": 2.4, "retime": 1.2}
"""mm, degrees: more than the bar over a standstill and what a cold drive may hide of it (0.7 of a threshold of 1 mm,
0.2 of one of 0.5 deg)."""
SEEN_BY_MEDIANS = {"nut-turn": 1.3, "retime": 0.25}
"""Beyond what legs and warmth do over a stop, once in a thousand stops: less is no happening at the drive."""
_PART = {
    "nut-turn": (("tension-step",), "retightened|booked|work", SPRING),
    "retime": (("lag-step",), "re-timed|booked|work", LAG),
}


def unbooked(kind: str, size: float) -> Call:
    """The row of work that nobody has written down, of so many mm or degrees."""
    tags, cause, explains = _PART[kind]
    if abs(size) >= SEEN_AT_ONCE[kind]:
        within_s, why = HOUR_S, "an hour of running after the stop (issue 18, point 8)"
    elif abs(size) >= SEEN_BY_MEDIANS[kind]:
        within_s, why = 1.5 * DAY_S, "warmth hides it for eight hours, then a chart of medians, beside legs"
    else:
        within_s, why = 0.0, "no more than legs and warmth do over a stop"
    return Call(tags, within_s, why, cause, explains=explains, first=False, seen_s=60.0)
