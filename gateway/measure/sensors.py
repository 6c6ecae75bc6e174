"""Are the sensors themselves to be believed? Judged once a second, in words for the one who repairs it."""

from dataclasses import dataclass

from gateway.measure.intermittent import OFTEN, Intermittent
from gateway.measure.loop import Zone, zone
from gateway.measure.seconds import Second
from gateway.measure.wiring import Wiring
from gateway.model.records import Health
from gateway.model.settings import Transducer

TURN = 65_536
STILL_SHARE = 0.1
"""An encoder that shows less than this share of the other's travel stands still."""
TRAVEL_MIN = TURN // 8
"""Less travel in a second than this (7.5 rpm) shows nothing about the other encoder."""


@dataclass(frozen=True, slots=True)
class SensorFaults:
    """Why each sensor is not to be believed; an empty string where it is. `crank_dead`: it shows no speed at all."""

    transducer: str = ""
    crank: str = ""
    cam: str = ""
    crank_dead: bool = False


NO_FAULTS = SensorFaults()


class SensorWatch:
    """Looks at each second and each health frame; keeps how long the loop has not moved and which slips are shown."""

    def __init__(self, transducer: Transducer, slip_shown_s: float = 0.0) -> None:
        """`slip_shown_s`: how long a slip is shown at least; more than `SLIP_SHOWN_S` where the head pauses long."""
        self._t = transducer
        self._slip_shown_s = max(self.SLIP_SHOWN_S, slip_shown_s)
        self._frozen_s = 0.0
        self._frozen_ua: int | None = None
        self._slips: dict[str, int | None] = {"crank": None, "cam": None}
        self._slipped: dict[str, float] = {"crank": 0.0, "cam": 0.0}
        self._moved = {"crank": False, "cam": False}
        """An index slipped since the zero was last taken: the lag may be off by any number of lines."""
        self._drops = {name: Intermittent() for name in ("loop", "crank", "cam")}
        self._wiring = Wiring()
        self._was_valid = {"crank": True, "cam": True}
        self.now = NO_FAULTS

    SLIP_SHOWN_S = 600.0
    """A slip seen by the head stands so long, so that it is shown even when it happens once."""

    def second(self, s: Second, *, under_way: bool, also: SensorFaults = NO_FAULTS) -> SensorFaults:
        """Judge a second of samples. `also`: what longer looks have found; what shows at once comes before it."""
        span_s = s.covered_us / 1e6
        self._slips_pass(span_s)
        still = _still(s, s.crank_travel, s.cam_travel)
        transducer = self._transducer(s, span_s, under_way) or also.transducer
        crank = self._encoder("crank", s.crank_valid, still, span_s)
        cam = self._encoder("cam", s.cam_valid, _still(s, s.cam_travel, s.crank_travel), span_s)
        if crank or cam:
            self._wiring.broken()
        else:
            crank, cam = also.crank, self._wiring.second(s) or also.cam
        dead = still or not s.crank_valid
        # Nearly always the same one, which is known by what it is.
        self.now = SensorFaults(transducer, crank, cam, dead) if transducer or crank or cam or dead else NO_FAULTS
        return self.now

    def _slips_pass(self, seconds: float) -> None:
        for which, left_s in self._slipped.items():
            if left_s:
                self._slipped[which] = max(0.0, left_s - seconds)

    def health(self, h: Health) -> None:
        """Times the encoders' index came at another count than before: new ones since the last frame are slips."""
        for which, count in (("crank", h.crank_slips), ("cam", h.cam_slips)):
            before = self._slips[which]
            if count is not None and before is not None and count != before and count != 0:
                self._slipped[which] = self._slip_shown_s
                self._moved[which] = True
            self._slips[which] = count

    @property
    def lag_doubt(self) -> str:
        """Why the lag is not to be called good though both encoders work; empty where it is."""
        slipped = [which for which, moved in self._moved.items() if moved]
        return (
            f"the {' and the '.join(slipped)} encoder slipped: compare the pin gauge, take the zero" if slipped else ""
        )

    def zeroed(self) -> None:
        """The zero was taken again: earlier slips are in it."""
        self._moved = {"crank": False, "cam": False}

    def gap(self, gap_s: float) -> None:
        """The stream paused: time went on all the same. A loop is called frozen only when it is still so after it."""
        self._slips_pass(gap_s)
        if self._frozen_ua is not None:
            self._frozen_s += gap_s

    def checkpoint(self) -> dict[str, object]:
        """What a restart needs, so that a fault that takes minutes to show does not seem repaired meanwhile."""
        slips = {which: [self._slips[which], self._slipped[which]] for which in self._slips}
        return {
            "frozen_s": self._frozen_s,
            "frozen_ua": self._frozen_ua,
            "slips": slips,
            "moved": dict(self._moved),
            "drops": {name: drops.checkpoint() for name, drops in self._drops.items()},
        }

    def restore(self, kept: dict[str, object]) -> None:
        """Go on from a checkpoint."""
        self._frozen_s, self._frozen_ua = float(str(kept["frozen_s"])), _count(kept["frozen_ua"])
        slips = kept["slips"]
        if not isinstance(slips, dict):  # no assertion: those are gone under -OO
            raise TypeError("slips: not what was kept")
        for which in self._slips:
            count, shown_s = slips[which]
            self._slips[which], self._slipped[which] = _count(count), float(shown_s)
        moved, drops = kept.get("moved"), kept.get("drops")
        for which in self._moved:
            self._moved[which] = isinstance(moved, dict) and bool(moved.get(which))
        for name, counter in self._drops.items():
            counter.restore(drops.get(name) if isinstance(drops, dict) else None)

    def _transducer(self, s: Second, span_s: float, under_way: bool) -> str:
        self._watch_frozen(s, span_s, under_way)
        # A loop that has failed altogether does not come and go.
        drops = self._drops["loop"].second(span_s, s.loop_valid and 0 < s.spring_bad_share <= 0.5)
        if not s.loop_valid:
            return "the head reports the loop as not valid: check the head's input and the plug"
        if s.spring_bad_share > 0.5:
            worst = s.loop_min_ua if s.loop_min_ua < 3_800 else s.loop_max_ua
            failed = zone(worst / 1000) is Zone.FAILED
            where = "wire broken or supply lost" if worst < 4_000 else "short circuit or overdriven"
            return f"loop current {worst / 1000:.2f} mA is {'a failed loop' if failed else 'doubtful'} (NE 43): {where}"
        # Noise that jumps at each sample is no contact, though it drops out as well.
        if drops and s.loop_step_ua <= 1000 * self._t.noise_ma:
            return (
                f"loop current drops out or jumps again and again, {OFTEN} times or more in five minutes: loose wire, "
                "plug or transducer"
            )
        if self._frozen_s >= self._t.frozen_after_s:
            return f"loop current has not moved for {self._frozen_s:.0f} s with the engine running: transducer frozen"
        if s.loop_step_ua > 1000 * self._t.noise_ma:
            return (
                f"loop current jumps by {s.loop_step_ua / 1000:.2f} mA from sample to sample: noise, check the screen"
            )
        return ""

    def _watch_frozen(self, s: Second, span_s: float, under_way: bool) -> None:
        still = s.loop_max_ua - s.loop_min_ua <= 1 and self._frozen_ua in (None, s.loop_min_ua, s.loop_max_ua)
        if under_way and still:
            self._frozen_s += span_s
            self._frozen_ua = s.loop_min_ua if self._frozen_ua is None else self._frozen_ua
        else:
            self._frozen_s, self._frozen_ua = 0.0, None

    def _encoder(self, which: str, valid: bool, still: bool, span_s: float) -> str:
        dropped = self._was_valid[which] and not valid
        self._was_valid[which] = valid
        if self._drops[which].second(span_s, dropped):
            return f"the {which} encoder's signal drops out again and again: intermittent, check its plug and cable"
        if not valid:
            return f"the head reports the {which} encoder as not valid: check its plug and supply"
        if still:
            return f"the {which} encoder stands still while the other shaft turns: check its coupling"
        if self._slipped[which] > 0:
            return f"the {which} encoder's index came at another count: it slips on its shaft or loses counts"
        return ""


def _count(value: object) -> int | None:
    return None if value is None else int(str(value))


def _still(s: Second, own: int, other: int) -> bool:
    return s.crank_valid and s.cam_valid and abs(other) > TRAVEL_MIN and abs(own) < STILL_SHARE * abs(other)
