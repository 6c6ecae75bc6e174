"""Do the two encoders turn as crank and camshaft must? Names a reversed one, a wrong ratio, wrong counts."""

from gateway.measure.seconds import Second

TURN = 65_536
WINDOW_TURNS = 10
"""A tooth jump in so many turns is 0.2 % of them, an encoder that spins free or has other counts is several."""
PART_OFF = 0.02
SURE = 2
"""Windows in a row: a stop of one encoder may lie in a single one."""


class Wiring:
    """Compares travel over windows of ten turns of the crank; `fault` is empty where they go together."""

    def __init__(self) -> None:
        self._crank = self._cam = 0
        self._wrong = 0
        self.fault = ""

    def second(self, s: Second) -> str:
        """Take a second in which both encoders are valid and turn."""
        self._crank += s.crank_travel
        self._cam += s.cam_travel
        if abs(self._crank) >= WINDOW_TURNS * TURN:
            self._judge(self._cam / self._crank, ahead=self._crank > 0)
            self._crank = self._cam = 0
        return self.fault

    def broken(self) -> None:
        """A signal is missing: the window is of no use."""
        self._crank = self._cam = self._wrong = 0
        self.fault = ""

    def _judge(self, part: float, *, ahead: bool) -> None:
        self._wrong = self._wrong + 1 if abs(part - 1) > PART_OFF else 0
        self.fault = _mistake(part, ahead) if self._wrong >= SURE else ""


def _mistake(part: float, ahead: bool) -> str:
    if abs(part + 1) <= PART_OFF:
        which = "cam" if ahead else "crank"
        return f"the encoders turn against each other: the {which} encoder is reversed if the engine runs ahead"
    return f"the cam encoder shows {part:.2f} turns for one: wrong ratio or counts of an encoder, or a free coupling"
