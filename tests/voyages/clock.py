"""One virtual time for everything that asks: monotonic seconds, and the system's UTC, which may step."""

import random
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from unittest.mock import patch

import structlog

START_UTC_S = 1_700_000_000.0
ASKERS = (
    *(f"gateway.app.{name}" for name in ("daemon", "engines", "health", "publisher", "self_watch", "status")),
    "gateway.engine.thread",
    "gateway.engine.commands",
    "gateway.outlets.mqtt.link",
)
"""Modules that ask the time module themselves."""


class Clock:
    """Stands in for the `time` module. `true_s`: of the simulation; `offset_s`: how wrong the system's UTC is."""

    def __init__(self) -> None:
        self.true_s = 0.0
        self.offset_s = 0.0
        self.synchronised: bool | None = True

    def monotonic(self) -> float:
        """Never steps."""
        return 1_000.0 + self.true_s

    def time(self) -> float:
        """What the box takes for UTC."""
        return START_UTC_S + self.true_s + self.offset_s

    def apart(self) -> float:
        """UTC less the time since the box started."""
        return START_UTC_S + self.offset_s


class Ids:
    """Stands in for the `uuid` module: the same ids for the same seed."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(f"ids {seed}")

    def uuid4(self) -> uuid.UUID:
        """The next id."""
        return uuid.UUID(int=self._chance.getrandbits(128), version=4)


@contextmanager
def virtual(clock: Clock, seed: int) -> Iterator[None]:
    """Within it the product sees this clock, ids and chances of this seed, and logs nothing."""
    import gateway.outlets.mqtt.link as mqtt

    from .broker import Lockstep

    chance = random.Random(f"backoff {seed}")
    real = mqtt.Backoff
    logged = structlog.get_config()
    with ExitStack() as stack:
        for name in ASKERS:
            stack.enter_context(patch(f"{name}.time", clock))
        for name in ("gateway.store.state.uuid", "gateway.engine.maintenance.uuid"):
            stack.enter_context(patch(name, Ids(seed)))
        stack.enter_context(patch("gateway.app.health.clock_synchronised", lambda: clock.synchronised))
        stack.enter_context(patch("gateway.app.health.utc_less_boot_s", clock.apart))
        stack.enter_context(patch("gateway.outlets.mqtt.link.Backoff", lambda least, most: real(least, most, chance)))
        stack.enter_context(patch("gateway.outlets.mqtt.link.Pipe", Lockstep.made))
        # Nothing ever comes by itself: a wait on the queue would wait for the wall clock.
        stack.enter_context(patch("gateway.engine.thread.WAIT_S", 0.0))
        structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
        stack.callback(lambda: structlog.configure(**logged))
        yield
