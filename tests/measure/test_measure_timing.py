"""Times of the head that do not join are found by what they cost: turns that cannot be used."""

from gateway.measure.timing import TimingWatch

SECOND_US = 1_000_000


def fed(watch: TimingWatch, begin_s: int, seconds: int, gaps_us: tuple[int, ...], turns: float, cut: int) -> list[str]:
    """Each second: these small breaks, so many turns, so many of them cut; the text after each."""
    texts = []
    for s in range(begin_s, begin_s + seconds):
        for gap_us in gaps_us:
            watch.stumbled(gap_us)
        fed.cut += cut  # type: ignore[attr-defined]
        watch.second(s * SECOND_US, turns, fed.cut)  # type: ignore[attr-defined]
        texts.append(watch.text)
    return texts


fed.cut = 0  # type: ignore[attr-defined]


def test_ten_minutes_without_a_turn_are_reported_and_end() -> None:
    """Not before ten minutes; a wrong interval and jitter are told apart; over once turns are used again."""
    watch = TimingWatch()
    texts = fed(watch, 0, 900, (-2_000,) * 10, 1.6, 0)
    first = next(s for s, text in enumerate(texts) if text)
    assert 600 <= first <= 720
    assert "-2.00 ms" in watch.text and "interval is wrong" in watch.text
    fed(watch, 900, 720, (3_000, -3_000) * 5, 1.6, 0)
    assert "3.00 ms up and down" in watch.text and "jitters" in watch.text
    assert watch.unused_min is not None and watch.unused_min > 20
    assert fed(watch, 1_620, 900, (), 1.6, 1)[-1] == ""


def test_no_alarm_without_small_breaks_without_turns_or_with_some_used() -> None:
    """A stopped engine, lost frames, a clock that was set, and jitter now and then are none of it."""
    assert not any(fed(TimingWatch(), 0, 1_800, (3_000,), 0.0, 0))
    assert not any(fed(TimingWatch(), 0, 1_800, (), 1.6, 0))
    assert not any(fed(TimingWatch(), 0, 1_800, (594_000_000,), 1.6, 0))
    assert not any(fed(TimingWatch(), 0, 1_800, (3_000,), 1.6, 1))
