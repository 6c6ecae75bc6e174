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
    """An encoder slips on its shaft: it reads `deg` of its own shaft more, and its index slips once."""

    kind: Literal["crank-slip", "cam-slip"]
    deg: Finite


class LagChange(_At):
    """The camshaft moves against the crank: late by `deg` of the crank, within `for_s` (0 = at once)."""

    kind: Literal["coupling-slip", "retime"]
    deg: Finite
    for_s: Seconds = 0.0


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
    | TimeStep,
    Field(discriminator="kind"),
]
