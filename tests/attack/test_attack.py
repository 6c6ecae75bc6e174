"""The attacks, the quick ones on one ship; the whole table: `python -m tests.attack`.

They judge times (an alarm at panel and relay within two seconds, a viewer served within two): a busy machine can fail
them. So none is in the usual run. The quick ones are marked slow and run in CI; the longer ones are marked attack and
run by hand, as is the whole table.
"""

from collections.abc import Iterator

import pytest

from tests.attack import cases
from tests.attack.case import CASES, Case, on_ship, run
from tests.attack.rig import Ship, ship

assert cases.__doc__


@pytest.fixture(scope="module")
def shared() -> Iterator[Ship]:
    """One ship for all quick cases."""
    with ship() as made:
        yield made


@pytest.mark.slow
@pytest.mark.parametrize("one", [c for c in CASES if c.quick], ids=lambda c: c.name)
def test_attack(one: Case, shared: Ship) -> None:
    """Pins that the daemon holds, in memory and service, and that a planted alarm reaches panel and relay meanwhile."""
    outcome = on_ship(one, shared)
    assert not outcome.why


@pytest.mark.attack
@pytest.mark.parametrize("one", [c for c in CASES if not c.quick], ids=lambda c: c.name)
def test_attack_on_its_own_ship(one: Case) -> None:
    """Pins the same for the longer ones."""
    assert not run(one).why
