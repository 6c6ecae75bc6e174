"""The kinds of fault that are planted, each with the alarms that may call for it and the delay that these state.

Delays in seconds of head time for a head without pause. Where the head sends bursts, what counts samples' time counts
only bursts, and nothing is seen between them: see `times`.
"""

import random
from dataclasses import dataclass
from typing import Any

LAG = frozenset({"lag-step", "wear-disagree", "limit-in-sight", "lag-near", "lag-limit"})
SPRING = frozenset({"tension-step", "tension-low", "tension-high", "wear-disagree", "limit-in-sight", "slap-high"})


@dataclass(frozen=True)
class Kind:
    """One kind. `tags`: any of them finds it. `explains`: what else may then call with reason. `seen_s`: samples' time
    that it takes to be sure. `lasting`: the part of the drive that stays changed; empty = it ends by itself.
    `after_s`: how much of a passage must have gone before, for what is sought in the medians."""

    name: str
    fields: dict[str, Any]
    tags: tuple[str, ...]
    within_s: float
    seen_s: float = 10.0
    chance: float = 0.25
    for_s: float = 3_600.0
    lasting: str = ""
    explains: frozenset[str] = frozenset()
    after_s: float = 0.0
    in_bursts: bool = True
    silent: bool = False

    def times(self, every_s: float, burst_s: float) -> tuple[float, float]:
        """Within how long it must be found, and how long it lasts, s."""
        if not every_s:
            return self.within_s, self.for_s
        seen = self.seen_s / burst_s * every_s
        within = self.within_s + 2 * every_s + (seen if self.seen_s > burst_s else 0.0)
        if self.silent:
            within = self.within_s + 4 * every_s
        return within, max(self.for_s, 1.5 * within)

    def event(self, at_s: float, for_s: float, rng: random.Random) -> dict[str, Any]:
        """For the head's scenario."""
        out = {"at_s": at_s, **self.fields}
        if "for_s" in out:
            out["for_s"] = for_s if out["for_s"] is None else out["for_s"]
        for key in ("mm", "deg"):
            if key in out and self.lasting and rng.random() < 0.4 and self.name not in ONE_WAY:
                out[key] = -out[key]
        return out


ONE_WAY = ("nut backs off", "spring broken")
KINDS: tuple[Kind, ...] = (
    Kind("wire broken", {"kind": "loop-broken", "for_s": None}, ("transducer-fault",), 30.0),
    Kind("loop shorted", {"kind": "loop-high", "for_s": None}, ("transducer-fault",), 30.0),
    Kind("loop doubtful", {"kind": "loop-broken", "ma": 3.7, "for_s": None}, ("transducer-fault",), 30.0),
    Kind("loop not valid", {"kind": "loop-invalid", "for_s": None}, ("transducer-fault",), 30.0),
    Kind("transducer frozen", {"kind": "transducer-frozen", "for_s": None}, ("transducer-fault",), 200.0),
    Kind("transducer noisy", {"kind": "transducer-noisy", "ma": 0.6, "for_s": None}, ("transducer-fault",), 30.0),
    Kind("crank encoder stuck", {"kind": "crank-stuck", "for_s": None}, ("crank-encoder-fault",), 30.0),
    Kind("crank encoder not valid", {"kind": "crank-invalid", "for_s": None}, ("crank-encoder-fault",), 30.0),
    Kind("cam encoder stuck", {"kind": "cam-stuck", "for_s": None}, ("cam-encoder-fault",), 30.0),
    Kind("cam encoder not valid", {"kind": "cam-invalid", "for_s": None}, ("cam-encoder-fault",), 30.0),
    Kind("cam encoder slipped", {"kind": "cam-slip", "deg": 0.8}, ("cam-encoder-fault", "lag-step"), 60.0,
         lasting="lag", explains=LAG | {"cam-encoder-fault"}, chance=0.12),
    Kind("crank encoder slipped", {"kind": "crank-slip", "deg": 0.8}, ("crank-encoder-fault", "lag-step"), 60.0,
         lasting="lag", explains=LAG | {"crank-encoder-fault"}, chance=0.12),
    Kind("tooth jump", {"kind": "tooth-jump", "teeth": 1}, ("lag-step",), 30.0, lasting="lag", explains=LAG,
         chance=0.12),
    Kind("coupling slip 0.6", {"kind": "coupling-slip", "deg": 0.6}, ("lag-step",), 30.0, lasting="lag", explains=LAG,
         chance=0.12),
    Kind("coupling slip 0.2", {"kind": "coupling-slip", "deg": 0.2}, ("lag-step",), 12 * 3_600.0, lasting="lag",
         explains=LAG, chance=0.25, after_s=2.4 * 86_400),
    Kind("transducer shifted", {"kind": "transducer-shift", "mm": 1.6}, ("tension-step",), 30.0, lasting="spring",
         explains=SPRING, chance=0.12),
    Kind("spring broken", {"kind": "spring-break", "mm": -9.0}, ("tension-step",), 30.0, lasting="spring",
         explains=SPRING, chance=0.12),
    Kind("nut backs off", {"kind": "nut-backs-off", "mm": 4.0, "for_s": 3_600.0}, ("tension-step", "tension-low"),
         5_400.0, lasting="spring", explains=SPRING, chance=0.12),
    Kind("spring set", {"kind": "nut-backs-off", "mm": 2.0, "for_s": 1.0}, ("tension-step",), 60.0, lasting="spring",
         explains=SPRING, chance=0.12),
    Kind("head silent", {"kind": "pause", "for_s": None}, ("head-silent",), 10.0, for_s=900.0, silent=True),
    Kind("head restarts", {"kind": "restart", "down_s": 3.0}, (), 0.0, for_s=0.0),
    Kind("head restarts late", {"kind": "restart", "down_s": 600.0}, ("head-silent",), 10.0, for_s=600.0,
         in_bursts=False),
    Kind("head's clock forward", {"kind": "time-step", "step_s": 40.0}, (), 0.0, for_s=0.0,
         explains=frozenset({"head-silent"})),
    Kind("head's clock back", {"kind": "time-step", "step_s": -40.0}, (), 0.0, for_s=0.0),
    Kind("frames lost", {"kind": "drop", "rate": 0.05, "for_s": None}, ("link-poor",), 900.0, in_bursts=False),
    Kind("frames corrupt", {"kind": "corrupt", "rate": 0.05, "for_s": None}, ("link-poor",), 900.0, in_bursts=False),
    Kind("frames cut", {"kind": "truncate", "rate": 0.05, "for_s": None}, ("link-poor",), 900.0, in_bursts=False),
    Kind("some frames lost", {"kind": "drop", "rate": 0.05, "for_s": 40_000.0}, (), 0.0,
         explains=frozenset({"link-poor"})),
    Kind("some frames corrupt", {"kind": "corrupt", "rate": 0.05, "for_s": 40_000.0}, (), 0.0,
         explains=frozenset({"link-poor"})),
    Kind("frames doubled", {"kind": "duplicate", "rate": 0.05, "for_s": 40_000.0}, (), 0.0),
    Kind("frames swapped", {"kind": "reorder", "rate": 0.02, "for_s": 40_000.0}, (), 0.0,
         explains=frozenset({"link-poor"})),
    Kind("garbage", {"kind": "garbage", "rate": 0.02, "for_s": 40_000.0}, (), 0.0, explains=frozenset({"link-poor"})),
)  # fmt: skip
