"""The share of frames lost over ten minutes of head time."""

import pytest

from gateway.link.loss import LINK_FRAMES_MIN, LinkWatch

SECOND_US = 1_000_000


def test_too_few_frames_say_nothing() -> None:
    """A hundredth of fewer than a hundred is no frame at all."""
    watch = LinkWatch()
    assert watch.percent(0) is None
    watch.good(LINK_FRAMES_MIN - 2)
    watch.lost(1)
    assert watch.percent(SECOND_US) is None
    watch.lost(1)
    assert watch.percent(SECOND_US) == 2.0


def test_counts_add_up_over_steps() -> None:
    """What came and what is missing, in the present ten seconds and in those before."""
    watch = LinkWatch()
    for step in range(6):
        watch.good(45)
        watch.good(45)
        watch.lost(7)
        watch.lost(3)
        assert watch.percent(step * 10 * SECOND_US) == 10.0
    assert watch.percent(60 * SECOND_US) == 10.0


@pytest.mark.parametrize("lost_at_s", [0, 9, 10, 300])
def test_a_loss_is_forgotten_after_ten_minutes(lost_at_s: int) -> None:
    """It counts for ten minutes from the beginning of the ten seconds into which it fell."""
    watch = LinkWatch()
    counted = []
    for second in range(1_200):
        watch.good(10)
        watch.percent(second * SECOND_US)
        if second == lost_at_s:
            watch.lost(5)
        share = watch.percent(second * SECOND_US)
        if share:
            counted.append(second)
    assert counted[-1] == lost_at_s // 10 * 10 + 599
    assert counted == [s for s in range(lost_at_s, counted[-1] + 1) if s >= LINK_FRAMES_MIN // 10 - 1]


def test_a_pause_longer_than_the_window_empties_it() -> None:
    """After an hour without a frame nothing is known of the link."""
    watch = LinkWatch()
    watch.good(900)
    watch.lost(100)
    assert watch.percent(0) == 10.0
    assert watch.percent(3_600 * SECOND_US) is None
    watch.good(200)
    assert watch.percent(3_600 * SECOND_US) == 0.0
