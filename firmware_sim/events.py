"""What happens at a time: faults of sensors, drive, head and byte stream, and the crew's work on the drive.

`at_s` counts from the scenario's start. `for_s` is how long it lasts; left out, it lasts for good.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Seconds = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class _At(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    at_s: Seconds


class _Lasting(_At):
    for_s: Seconds | None = None

    @property
    def until_s(self) -> float:
        """When it is over; infinity = never."""
        return float("inf") if self.for_s is None else self.at_s + self.for_s


class LoopFault(_Lasting):
    """The loop's wire breaks, or it is shorted: the current stands at `ma`."""

    kind: Literal["loop-broken", "loop-high"]
    ma: Annotated[float, Field(ge=0, le=65)] | None = None

    @property
    def loop_ma(self) -> float:
        """The current, mA."""
        return self.ma if self.ma is not None else 0.02 if self.kind == "loop-broken" else 21.6


class Standing(_Lasting):
    """A signal stands still at its first sample, or is marked as not valid; or the head is silent."""

    kind: Literal[
        "transducer-frozen", "crank-stuck", "cam-stuck", "crank-invalid", "cam-invalid", "loop-invalid", "pause"
    ]


class Seized(_Lasting):
    """The transducer's core or the tightener's arm sticks; the loop's electronics go on with a little noise.

    `arm-seized`: the spring itself stands still, the chain gets slack unseen. `transducer-seized`: only the signal.
    """

    kind: Literal["transducer-seized", "arm-seized"]
    noise_ua: Annotated[float, Field(ge=0, le=1_000, allow_inf_nan=False)] = 1.0


class Ripple(_Lasting):
    """A mains or other alternating current in the loop: `ma` is its amplitude."""

    kind: Literal["loop-ripple"]
    ma: Annotated[float, Field(gt=0, le=10)] = 0.3
    hz: Annotated[float, Field(gt=0, le=10_000)] = 50.0


class BadContact(_Lasting):
    """A contact opens `per_s` times a second for `open_ms`; meanwhile the current is `ma`."""

    kind: Literal["bad-contact"]
    per_s: Annotated[float, Field(gt=0, le=100)] = 2.0
    open_ms: Annotated[float, Field(gt=0, le=10_000)] = 50.0
    ma: Annotated[float, Field(ge=0, le=65)] = 0.0


class Flicker(_Lasting):
    """A validity bit drops once in `every_s` for `drop_s`; the sample itself is as good as ever."""

    kind: Literal["crank-flicker", "cam-flicker", "loop-flicker"]
    every_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 2.0
    drop_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 0.02


class Loose(_Lasting):
    """An encoder's coupling has play: its half is lost each way of turning, and it rattles by `shake_deg` (deviation).

    Degrees of the encoder's own shaft.
    """

    kind: Literal["crank-loose", "cam-loose"]
    play_deg: Annotated[float, Field(ge=0, le=30)] = 1.0
    shake_deg: Annotated[float, Field(ge=0, le=10)] = 0.15


class BracketLoose(_Lasting):
    """The transducer's bracket is loose: `mm` at reference speed, by the square of the speed, and jumps of a third."""

    kind: Literal["bracket-loose"]
    mm: Finite = 1.0


class TemperatureFailed(_Lasting):
    """A temperature input fails: not fitted any more, or it stands at `celsius`."""

    kind: Literal["temperature-failed"]
    sensor: Literal["head_c", "casing_c", "frame_c"] = "casing_c"
    celsius: Finite | None = None


class CamLoad(_At):
    """One cylinder's pump cam takes `part` of its torque from now on, reached within `for_s`."""

    kind: Literal["pump-load"]
    cylinder: Annotated[int, Field(ge=1, le=24)]
    part: Annotated[float, Field(ge=0, le=3)] = 0.9
    for_s: Seconds = 0.0


class ChainRenewed(_At):
    """A new chain is on: elongation, wear and bedding begin again from `elongation_percent`."""

    kind: Literal["chain-renewed"]
    elongation_percent: Seconds = 0.02
    booked: bool = True


class OtherHead(_At):
    """From now on another head's name is in the identity frames."""

    kind: Literal["other-head"]
    name: str = "starboard-head"


class PortGone(_At):
    """The port vanishes: nothing comes any more, and whoever plays the head closes it."""

    kind: Literal["port-gone"]


class Noisy(_Lasting):
    """The transducer's noise, standard deviation, rises by `ma`."""

    kind: Literal["transducer-noisy"]
    ma: Annotated[float, Field(gt=0, le=10)] = 0.6


class Shift(_Lasting):
    """The transducer has moved on its bracket."""

    kind: Literal["transducer-shift"]
    mm: Finite


class Drift(_At):
    """The transducer creeps by `mm` within `for_s`, and stays there."""

    kind: Literal["transducer-drift"]
    mm: Finite
    for_s: Annotated[float, Field(gt=0, allow_inf_nan=False)]


class EncoderSlip(_At):
    """An encoder slips on its shaft: it reads `deg` of its own shaft more; its index slips once."""

    kind: Literal["crank-slip", "cam-slip"]
    deg: Finite
    counted: bool = True
    """The head has an index and counts the slip."""


class LagChange(_At):
    """The camshaft moves against the crank: late by `deg` of the crank, within `for_s` (0 = at once)."""

    kind: Literal["coupling-slip", "retime"]
    deg: Finite
    for_s: Seconds = 0.0
    booked: bool = True
    """Only for work: does the crew write it down?"""


class ToothJump(_At):
    """The chain jumps over teeth of the crankshaft wheel; positive = late."""

    kind: Literal["tooth-jump"]
    teeth: Annotated[int, Field(ge=-10, le=10)] = 1


class SpringChange(_At):
    """The spring breaks, or its nut backs off: its length grows by `mm`, within `for_s` (0 = at once)."""

    kind: Literal["spring-break", "nut-backs-off"]
    mm: Finite
    for_s: Seconds = 0.0


class NutTurn(_At):
    """The crew turns the nut: each turn shortens the spring by one thread pitch."""

    kind: Literal["nut-turn"]
    turns: Finite
    for_s: Seconds = 60.0
    booked: bool = True


class StreamFault(_Lasting):
    """Of the frames on the wire, a part `rate` is damaged in this way."""

    kind: Literal["corrupt", "drop", "duplicate", "truncate", "reorder", "garbage"]
    rate: Annotated[float, Field(gt=0, le=1)] = 0.02
    bytes: Annotated[int, Field(ge=1, le=100_000)] = 40
    """Garbage only: at most so many bytes at a time."""


class Restart(_At):
    """The head starts anew: boot number + 1, its time, turns and sequence from nought, silent for `down_s`."""

    kind: Literal["restart"]
    down_s: Seconds = 2.0


class TimeStep(_At):
    """The head's time jumps by `step_s`."""

    kind: Literal["time-step"]
    step_s: Finite


Event = Annotated[
    LoopFault
    | Standing
    | Noisy
    | Shift
    | Drift
    | EncoderSlip
    | LagChange
    | ToothJump
    | SpringChange
    | NutTurn
    | StreamFault
    | Restart
    | TimeStep
    | Seized
    | Ripple
    | BadContact
    | Flicker
    | Loose
    | BracketLoose
    | TemperatureFailed
    | CamLoad
    | ChainRenewed
    | OtherHead
    | PortGone,
    Field(discriminator="kind"),
]
