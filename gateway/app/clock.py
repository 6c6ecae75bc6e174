"""Is the system clock being kept in time by something, and has it stepped? Asked of the kernel."""

import ctypes
import time

TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""
TIMEX_BYTES = 256
"""More than struct timex takes on any Linux; with `modes` = 0 in its first bytes the call only reads."""
STEP_S = 0.5
"""Time daemons slew smaller differences, half a millisecond a second; a jump between two looks beyond it is a step."""
STANDS_S = 600.0
"""How long a step is reported."""
READ_S = 0.1
_BOOT = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""A box that was put to sleep has not had its clock stepped."""
_adjtimex = getattr(ctypes.CDLL(None, use_errno=True), "adjtimex", None)


def clock_synchronised() -> bool | None:
    """True or false as the kernel reports; `None` where it cannot be asked, or a service's restrictions forbid it."""
    if _adjtimex is None:
        return None
    state = _adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    return None if state < 0 else bool(state != TIME_ERROR)


def utc_less_boot_s() -> float | None:
    """UTC less the time since the box started, s; `None` where the two could not be read in one moment."""
    before_s = time.clock_gettime(_BOOT)
    utc_s = time.time()
    return utc_s - before_s if time.clock_gettime(_BOOT) - before_s < READ_S else None


class ClockSteps:
    """Sees the system clock step, by one difference to the next."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._seen: tuple[float, str] | None = None

    def look(self, apart_s: float | None, now_s: float) -> str | None:
        """`apart_s`: what `utc_less_boot_s` gives; `now_s`: monotonic. In words, while a step is fresh."""
        if apart_s is not None:
            step_s = 0.0 if self._last_s is None else apart_s - self._last_s
            self._last_s = apart_s
            if abs(step_s) > STEP_S:
                text = (
                    f"the system clock stepped by {step_s:+,.1f} s: times of events before and after do not go together"
                )
                self._seen = now_s, text
        if self._seen is None or now_s - self._seen[0] > STANDS_S:
            return None
        return self._seen[1]
