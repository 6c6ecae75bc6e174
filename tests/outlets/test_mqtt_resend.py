"""Events sent again because the shore lacks them: in order, at the published rate, and what is not held is named."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.model.limits import EVENTS_AGAIN_PER_DAY
from gateway.outlets.mqtt.line import Outgoing
from gateway.outlets.mqtt.resend import Resend


def record(held: set[int]):  # type: ignore[no-untyped-def]
    """The ship's record: `first(a, b)` as `due` wants it."""

    def first(start: int, end: int) -> Outgoing | None:
        found = sorted(n for n in held if start <= n <= end)
        return Outgoing("t", b"", retain=False, again=found[0]) if found else None

    return first


def drained(resend: Resend, held: set[int], now_s: float, most: int = 10_000) -> list[int]:
    """What goes now."""
    sent = []
    while len(sent) < most and (out := resend.due(now_s, record(held))) is not None:
        resend.passed_on(out)
        sent.append(out.again or 0)
    return sent


@given(
    st.sets(st.integers(1, 60)),
    st.lists(st.tuples(st.integers(1, 60), st.integers(0, 10)), max_size=5).map(
        lambda spans: tuple((a, a + n) for a, n in spans)
    ),
)
def test_what_is_held_goes_once_in_order_and_the_rest_is_named(
    held: set[int], asked: tuple[tuple[int, int], ...]
) -> None:
    """Over any gaps and any record: each number of each range is either sent or named as not held."""
    resend = Resend()
    resend.ask(asked)
    sent = [n for second in range(20) for n in drained(resend, held, float(second))]
    wanted = [n for a, b in sorted(asked) for n in range(a, b + 1)]
    gone = [n for a, b in resend.not_held for n in range(a, b + 1)]
    assert sent == [n for n in wanted if n in held]
    assert sorted(gone) == sorted(n for n in wanted if n not in held)
    assert resend.sent == len(sent)


def test_twenty_a_second_however_often_it_is_asked() -> None:
    """The interface's rate, over a gap far larger."""
    resend, held = Resend(), set(range(1, 1_001))
    resend.ask(((1, 1_000),))
    sent = [n for tenth in range(101) for n in drained(resend, held, tenth / 10)]
    assert len(sent) == 20 + 10 * 20


def test_who_asks_without_end_does_not_cost_a_satellite_link_without_end() -> None:
    """A keeper gone wrong, or a stranger at the broker, asks for everything again each minute for two days."""
    resend, held = Resend(), set(range(1, 31))
    sent = 0
    for minute in range(2 * 24 * 60):
        resend.ask(((1, 30),))
        sent += sum(len(drained(resend, held, minute * 60.0 + second)) for second in (0, 1, 2))
    assert EVENTS_AGAIN_PER_DAY < sent <= 3 * EVENTS_AGAIN_PER_DAY


def test_one_that_the_link_did_not_take_comes_next() -> None:
    """`due` without `passed_on` gives the same one again; a newer request replaces the rest."""
    resend, held = Resend(), {1, 2, 3, 9}
    resend.ask(((1, 3),))
    first = resend.due(0.0, record(held))
    assert first is not None and first == resend.due(0.0, record(held))
    assert drained(resend, held, 0.0, most=2) == [1, 2]
    resend.ask(((9, 9),))
    assert drained(resend, held, 0.0) == [9]
