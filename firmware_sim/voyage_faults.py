"""What can go wrong on a drawn voyage, and the mistakes of a first fitting."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

Table = dict[str, Any]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind. `fixed`: keys of its event; `drawn`: keys drawn evenly; `chosen`: keys drawn from a list.

    `lasting`: the part of the drive that stays changed; empty = it ends with its stretch of the passage. `hours`: how
    long it lasts at most. `in_bursts`: it can be seen in bursts of samples.
    """

    name: str
    fixed: Table
    drawn: dict[str, Range] = field(default_factory=dict)
    chosen: dict[str, tuple[float, ...]] = field(default_factory=dict)
    chance: float = 0.08
    lasting: str = ""
    ends: bool = True
    hours: Range = (3.0, 20.0)
    in_bursts: bool = True

    def event(self, at_s: float, room_s: float, rng: random.Random) -> Table:
        """For a scenario; every figure is drawn whether or not it is used."""
        out: Table = {"at_s": at_s, **self.fixed}
        out |= {key: rng.uniform(*limits) for key, limits in self.drawn.items()}
        out |= {key: rng.choice(values) for key, values in self.chosen.items()}
        for_s = round(min(rng.uniform(*self.hours) * 3_600, room_s), 1)
        if self.ends and not self.lasting:
            out["for_s"] = for_s
        return out


def _slip(which: str, counted: bool) -> Fault:
    name = f"{which} encoder slipped, {'counted' if counted else 'not counted'}"
    lines = tuple(n * 0.1 * way for n in (1, 4, 8) for way in (-1, 1))
    fixed = {"kind": f"{which}-slip", "counted": counted}
    return Fault(name, fixed, chosen={"deg": lines}, lasting="lag", chance=0.05)


FAULTS: tuple[Fault, ...] = (
    Fault("wire broken", {"kind": "loop-broken"}),
    Fault("loop shorted", {"kind": "loop-high"}),
    Fault("loop doubtful", {"kind": "loop-broken", "ma": 3.7}),
    Fault("transducer seized", {"kind": "transducer-seized"}, drawn={"noise_ua": (0.3, 4.0)}, chance=0.12),
    Fault("tightener arm seized", {"kind": "arm-seized"}, chance=0.05),
    Fault("transducer frozen", {"kind": "transducer-frozen"}),
    Fault("transducer noisy", {"kind": "transducer-noisy", "ma": 0.6}),
    Fault("loop ripple", {"kind": "loop-ripple"}, {"ma": (0.1, 0.5)}, {"hz": (50.0, 60.0)}, chance=0.12),
    Fault("loose wire", {"kind": "bad-contact"}, {"per_s": (0.5, 5.0), "open_ms": (2.0, 60.0)}, chance=0.12),
    Fault("loose bracket", {"kind": "bracket-loose"}, drawn={"mm": (0.8, 2.0)}, chance=0.05),
    Fault("transducer creeps", {"kind": "transducer-drift", "for_s": 1.5e6}, {"mm": (1.5, 4.0)}, lasting="spring"),
    Fault("transducer shifted", {"kind": "transducer-shift"}, chosen={"mm": (-1.6, 1.6, 2.5)}, lasting="spring"),
    Fault("crank encoder stuck", {"kind": "crank-stuck"}),
    Fault("cam encoder stuck", {"kind": "cam-stuck"}),
    Fault("crank encoder not valid", {"kind": "crank-invalid"}),
    Fault("cam encoder not valid", {"kind": "cam-invalid"}),
    Fault("crank bit flickers", {"kind": "crank-flicker"}, drawn={"every_s": (0.5, 4.0)}),
    Fault("cam bit flickers", {"kind": "cam-flicker"}, drawn={"every_s": (0.5, 4.0)}),
    Fault("crank coupling loose", {"kind": "crank-loose"}, {"play_deg": (0.5, 3.0), "shake_deg": (0.1, 0.5)}),
    Fault("cam coupling loose", {"kind": "cam-loose"}, {"play_deg": (0.5, 3.0), "shake_deg": (0.1, 0.5)}),
    _slip("crank", True),
    _slip("crank", False),
    _slip("cam", True),
    _slip("cam", False),
    Fault("tooth jump", {"kind": "tooth-jump"}, chosen={"teeth": (1, -1)}, lasting="lag", chance=0.06),
    Fault("coupling slip", {"kind": "coupling-slip"}, chosen={"deg": (0.12, 0.2, 0.6, -0.2, -0.6)}, lasting="lag"),
    Fault("spring broken", {"kind": "spring-break", "mm": -9.0}, lasting="spring", chance=0.05),
    Fault("nut backs off", {"kind": "nut-backs-off", "mm": 4.0, "for_s": 7_200.0}, lasting="spring", chance=0.06),
    Fault("pump weak", {"kind": "pump-load", "for_s": 3_600.0}, {"part": (0.7, 0.9)}, {"cylinder": (1, 2, 3, 4, 5, 6)},
          lasting="shape"),
    Fault("temperature failed", {"kind": "temperature-failed", "sensor": "casing_c"}),
    Fault("temperature stands wrong", {"kind": "temperature-failed", "sensor": "frame_c", "celsius": -50.0}),
    Fault("head silent", {"kind": "pause"}, hours=(2.0, 6.0)),
    Fault("head restarts", {"kind": "restart", "down_s": 3.0}, ends=False),
    Fault("head's clock jumps", {"kind": "time-step"}, chosen={"step_s": (-40.0, 40.0)}, ends=False),
    Fault("frames lost", {"kind": "drop", "rate": 0.05}, in_bursts=False),
    Fault("frames corrupt", {"kind": "corrupt", "rate": 0.05}, in_bursts=False),
    Fault("another head", {"kind": "other-head"}, chance=0.02, lasting="head"),
    Fault("port vanished", {"kind": "port-gone"}, chance=0.02, lasting="head"),
)  # fmt: skip

WIRINGS: dict[str, Table] = {
    "crank encoder reversed": {"crank_reversed": True},
    "cam encoder reversed": {"cam_reversed": True},
    "both encoders reversed": {"crank_reversed": True, "cam_reversed": True},
    "encoders swapped": {"swapped": True},
    "cam encoder at half speed": {"cam_scale": 0.5},
    "crank encoder at half speed": {"crank_scale": 0.5},
    "cam encoder of other counts": {"cam_scale": 14_400 / 16_384},
}
