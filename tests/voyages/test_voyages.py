"""A short swarm; the long one is `python -m tests.voyages --hours 1`."""

import functools

import pytest
from mqtt_fakes import broker_settings

from gateway.outlets.mqtt.pipe import Pipe
from tests.voyages.broker import Broker
from tests.voyages.broker import Pipe as FakePipe
from tests.voyages.clock import Clock
from tests.voyages.oracles import judge
from tests.voyages.sail import Sailed, sail

SEEDS = (10, 23, 17)


@functools.cache
def sailed(seed: int) -> Sailed:
    """The voyage of this seed, sailed once for all tests."""
    return sail(seed)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """The seed that was asked for, or the short swarm."""
    if "seed" in metafunc.fixturenames:
        one = metafunc.config.getoption("--seed", default=None)
        metafunc.parametrize("seed", SEEDS if one is None else [one])


@pytest.mark.slow
def test_voyage(seed: int) -> None:
    """Every event ashore once and in order, alarms chained over all lives, each planted fault found, none without
    cause, whatever hits the box."""
    v = judge(sailed(seed))
    assert not v.failures and not v.missed and not v.false_alarms, v
    assert v.events and v.readings


def test_the_broker_here_has_all_that_the_link_uses() -> None:
    """Every public name of the product's connection; one that lacks here ends each connection in an error."""
    made = Pipe(broker_settings(1), "c", None, (), 1.0)
    assert {name for name in dir(made) if not name.startswith("_")} <= set(dir(FakePipe(Broker(Clock(), 1), str, None)))


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes() -> None:
    """Everything ashore, with its times, is the same to the byte."""
    assert sail(SEEDS[-1]).digest() == sailed(SEEDS[-1]).digest()
