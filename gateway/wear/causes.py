"""The causes other than wear, as data: in which series each shows, how, and what is for or against it.

The drive as modelled. The camshaft's angle and the tightener's wheel both follow the chain: wear moves them in a
fixed ratio. The spring stands between its seat, set by the nut, and the wheel, pressed back by the slack strand. The
strand is not quite stiff, so a spring that has lost force (set, broken) is pressed a little **shorter**; a nut that
backs off lets it grow **longer**. Both lower the tension, so the chain slaps more; a transducer that moved on its
bracket shows the same travel and the slap stays. A coupling that slips lets the load hold the camshaft back: it comes
**late**, under way. An encoder may shift either way, mostly when someone is at it while the engine is stopped; its
index then comes at another count, or the once-per-turn order of the lag changes with its new mounting. Weights are
natural logarithms of odds, set by this reasoning, not fitted to any ship's record.
"""

from dataclasses import dataclass
from enum import StrEnum


class Cause(StrEnum):
    """The closed list of what the program names; fit for an alarm's text."""

    TOOTH_JUMP = "chain jumped a tooth on a wheel"
    COUPLING = "camshaft coupling slipped or a chain wheel moved on its shaft"
    ENCODER = "crank or cam encoder shifted"
    CRANK_ENCODER = "crank encoder shifted"
    CAM_ENCODER = "cam encoder shifted"
    SET_NOT_BOOKED = "camshaft re-timed and not booked"
    SPRING = "tightener spring set or broke"
    NUT = "tightener nut backed off"
    TRANSDUCER = "displacement transducer shifted"
    STUCK = "length does not move: tightener arm or transducer stuck"
    RETIGHTENED_NOT_BOOKED = "chain retightened and not booked"
    LOCK_LOOSE = "tightener lock, bolt or distance tube loose"
    ENCODER_LOOSE = "play in the coupling of the crank or cam encoder"
    CHAIN_DAMAGED = "chain lengthened at once: damaged link or pin"
    WORK_NOT_BOOKED = "work on the drive not booked"
    HAND_MEASURE = "measurement by hand wrong, or links worn unevenly"


@dataclass(frozen=True, slots=True)
class Weights:
    """Odds of one cause. `late`/`early`: sign of the lag's change; for the spring `late` stands for longer.

    `sudden`: a step; `slow`: no step. `stopped`/`under_way`: when the step came. `slips`: the encoders' index moved.
    `orders`: the once-per-turn order changed. `slap_…`: what became of the slap.
    """

    cause: Cause
    prior: float
    late: float = 0.0
    early: float = 0.0
    sudden: float = 0.0
    slow: float = 0.0
    stopped: float = 0.0
    under_way: float = 0.0
    slips: float = 0.0
    orders: float = 0.0
    slap_up: float = 0.0
    slap_same: float = 0.0
    slap_down: float = 0.0
    flat: float = 0.0
    """The spring did not move at all though the lag grew."""
    repeated: float = 0.0
    """More than one step the same way."""
    set_back: float = 0.0
    """A step over a stop has left the lag near zero."""


LAG_CAUSES = (
    Weights(Cause.COUPLING, 0.5, late=0.5, early=-2.5, stopped=-2.5, slips=-3.0, orders=-2.0),
    Weights(Cause.ENCODER, 0.0, early=0.5, slow=-1.0, stopped=0.5, slips=3.0, orders=1.5),
    Weights(
        Cause.SET_NOT_BOOKED,
        -1.5,
        early=0.5,
        late=-1.0,
        slow=-9.0,
        stopped=1.0,
        under_way=-9.0,
        slips=-3.0,
        set_back=2.5,
    ),
)

# fmt: off
SPRING_CAUSES = (
    Weights(Cause.SPRING, 0.0, late=-5.0, early=0.5, slow=1.0, stopped=-1.5,
            slap_up=1.0, slap_same=-2.0, slap_down=-2.0, flat=-1.0),
    Weights(Cause.NUT, 0.2, late=0.5, early=-5.0, slow=0.5, stopped=-1.5,
            slap_up=1.0, slap_same=-2.0, slap_down=-2.0, repeated=1.0),
    Weights(Cause.TRANSDUCER, -0.3, sudden=0.2, slow=-1.0, stopped=1.0,
            slap_up=-2.0, slap_same=1.5, slap_down=-1.5, repeated=-1.0),
    Weights(Cause.RETIGHTENED_NOT_BOOKED, -1.4, late=-4.0, early=0.8, slow=-9.0, stopped=1.7, under_way=-9.0,
            slap_up=-2.0, slap_same=-1.5, slap_down=1.0),
    Weights(Cause.STUCK, -2.5, late=-5.0, sudden=-5.0, slow=0.5, flat=3.0),
)
# fmt: on
