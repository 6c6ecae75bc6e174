"""Learned figures as they go ashore: small, seldom, and on a spare box worth the same; never used where they do not
belong."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from drive_engines import tern

from gateway.encode.learned import learned_in, learned_text
from gateway.measure.lost_motion import LostMotionPair
from gateway.model.errors import Refused
from gateway.model.learned import MESSAGE_ROWS, Learned
from gateway.model.records import Median
from gateway.wear.bookings import CamshaftSet, Entry, Retightened
from gateway.wear.datum import Datum
from gateway.wear.elongation import Change
from gateway.wear.learned import DAY_S, WEEK_S, is_due, learned_of, sent, taken_over
from gateway.wear.logbook import rebase
from gateway.wear.ride_out import Interval
from gateway.wear.trend import EngineWear, Side, Trend

UTC, HOURS = 1.9e9, 21_400.0
SET = CamshaftSet(id="set-1", utc_s=UTC - 9e6, hours=HOURS - 50, person="2/E", raw_deg=17.35, gauge_mm=0.0)
DONE = Retightened(
    id="ret-1", utc_s=UTC + 8e5, hours=HOURS + 230, person="2/E", free_length_mm=203.0, spring_after_mm=180.0
)


def medians(n: int, *, hole: int = 0, jump_deg: float = 0.0) -> list[Median]:
    """Ten minutes each under way, with waves, a stop of two days, and wear; a `hole` of so many before the last 60, and
    with it a jump."""
    noise = np.random.default_rng(1).standard_normal((n, 5))
    rows = []
    for k, (a, b, c, d, e) in enumerate(noise.tolist()):
        late = k >= n - 60
        at = k + (hole if late else 0)
        rows.append(
            Median(
                UTC + 600.0 * at + (172_800.0 if k > n // 2 else 0.0), HOURS + at / 6, 850,
                0.9 + 1e-4 * at / 6 + 0.01 * a + 0.002 * c + (jump_deg if late else 0.0), 0.01,
                180.4 + 5e-4 * at / 6 + 0.05 * b, 0.02, 88.0 + 2 * c, 45.0 + d, 38.0, 0.6 + 0.02 * e,
            )
        )  # fmt: skip
    return rows


def datum_of(*log: Entry) -> Datum:
    """What is counted from."""
    return rebase(tern(), log)


def fed(wear: EngineWear, rows: list[Median]) -> EngineWear:
    """It takes them."""
    for row in rows:
        wear.add(row, Side(0.5 + 0.001 * (row.rpm - 88), 0.02))
    return wear


def through(m: Learned) -> Learned:
    """Over the link and back."""
    return learned_in(learned_text(m))


@cache
def voyage() -> tuple[EngineWear, tuple[Learned, ...]]:
    """A box after 1,000 medians, with lost motion and a known ride-out, and all that it sent, looked at hourly."""
    wear, messages = EngineWear(tern(), datum_of(SET)), []
    wear.ride_out.learn(Interval(Change(0.2, 0.01), Change(0.15, 0.01)))
    for n, row in enumerate(medians(1_000)):
        fed(wear, [row])
        if n % 200 == 0:
            pair = LostMotionPair(row.utc_s, row.hours, 1.5, 0.01, 40.0, 1.0, 7.0, 180.4, 150.2)
            wear.lost_motion.add(pair)
        if n % 6 == 5 and is_due(wear, row.utc_s):
            messages.append(learned_of(wear, row.utc_s, row.hours))
            sent(wear, messages[-1])
    messages.append(learned_of(wear, row.utc_s, row.hours))
    return wear, tuple(map(through, messages))


def same(a: Trend, b: Trend, part: float) -> None:
    """Figures within `part` of their ranges, and forecasts of limits as far off."""
    for name in ("lag_deg", "lag_deg_per_1000h", "spring_mm", "spring_mm_per_1000h"):
        r, s = getattr(a, name), getattr(b, name)
        ends, known = (s.p05, s.p50, s.p95), (r.p05, r.p50, r.p95)
        assert None not in known and ends == pytest.approx(known, abs=part * (r.p95 - r.p05)), name
    for p, q in zip(a.limits, b.limits, strict=True):
        assert (q.limit, q.hours_to.p05 is None) == (p.limit, p.hours_to.p05 is None)
        assert p.hours_to.p05 is None or q.hours_to.p05 == pytest.approx(p.hours_to.p05, rel=part)


def trend_of(wear: EngineWear, row: Median) -> Trend:
    """As it stands after this median."""
    return wear.trend(row.utc_s, row.hours, row.lag_deg, row.spring_mm)


def test_a_spare_box_forecasts_as_the_lost_one_and_goes_on() -> None:
    """At once within rounding, after another day of the same sea within a few per cent: what was gathered for an
    unfinished row is lost. Ride-out, lost motion and the medians' count come too; a second spare box can take over from
    what the first one sends."""
    rows = medians(1_000)
    old, messages = voyage()
    found = taken_over(tern(), datum_of(SET), messages)
    assert not found.left and len(found.taken) == 2 and found.state is not None
    new = EngineWear(tern(), datum_of(SET))
    new.load(found.state)
    same(trend_of(old, rows[-1]), trend_of(new, rows[-1]), 5e-3)
    assert trend_of(new, rows[-1]).noise == trend_of(old, rows[-1]).noise
    assert new.ride_out.kappa() == old.ride_out.kappa() and new.ride_out.learned
    assert new.lost_motion.level.p50 == pytest.approx(old.lost_motion.level.p50, abs=1e-3)
    assert len(new.lost_motion.pairs) == len(old.lost_motion.pairs) == 5
    kept = EngineWear(tern(), datum_of(SET))
    kept.load(old.state())
    more = [replace(r, utc_s=r.utc_s + 1_000 * 600.0 + 172_800, hours=r.hours + 1_000 / 6) for r in rows[:150]]
    same(trend_of(fed(kept, more), more[-1]), trend_of(fed(new, more), more[-1]), 0.05)
    assert is_due(new, more[-1].utc_s)
    again = learned_of(new, more[-1].utc_s, more[-1].hours)
    assert 0 < len(again.lag.columns[0]) <= MESSAGE_ROWS  # type: ignore[union-attr]
    second = taken_over(tern(), datum_of(SET), [*messages, through(again)])
    assert second.taken[0].startswith(f"main, lag: {new.lag.fit.rows} of {new.lag.fit.rows} rows")


def test_messages_are_few_and_small() -> None:
    """The first when there is a trend, then one a week; each below two thousand characters."""
    old, messages = voyage()
    assert len(messages) == 2  # after 100 h, and the one at the end, which is not counted as sent
    first_s = messages[0].utc_s
    assert [is_due(old, first_s + x) for x in (0, WEEK_S - 60, WEEK_S)] == [False, False, True]
    assert all(len(learned_text(m)) < 2_000 for m in messages)
    assert [sum(len(m.lag.columns[0]) for m in messages)] == [messages[-1].lag.total]  # type: ignore[union-attr]


def test_a_box_with_many_rows_sends_them_day_by_day() -> None:
    """After the program was renewed: forty rows of each series a day, until all are ashore."""
    old, _ = voyage()
    wear = EngineWear(tern(), datum_of(SET))
    wear.load({**old.state(), "ashore": []})
    for fit in (wear.lag.fit, wear.spring.fit):
        fit.sent(0)
    # As if there were more than fit into a message.
    first = learned_of(wear, UTC, HOURS + 200)
    short = replace(first, lag=replace(first.lag, columns=tuple(c[:-5] for c in first.lag.columns)))  # type: ignore
    assert is_due(wear, UTC)
    sent(wear, short)
    assert wear.lag.fit.unsent == 5 and not is_due(wear, UTC + DAY_S + 1) and is_due(wear, UTC + WEEK_S + 1)
    assert is_due(wear, UTC - 60)  # a clock that was set back


def test_a_young_box_sends_nothing_and_a_spare_one_knows_nothing_yet() -> None:
    """A hundred hours before there is a trend; without a message the forecast is not known yet."""
    young = fed(EngineWear(tern(), datum_of(SET)), medians(300))
    assert not is_due(young, UTC + 4e5)
    found = taken_over(tern(), datum_of(SET), [])
    assert found.state is None and "not known yet" in found.left[0]
    last = medians(300)[-1]
    assert "not known yet" in trend_of(young, last).why_unknown


@pytest.mark.parametrize(
    ("engine", "log", "lag", "spring", "word"),
    [
        (tern(chain={"loop_links": 152}), (SET,), False, False, "chain, tightener or ratio"),
        (tern(slug="second"), (SET,), False, False, "of engine main"),
        (tern(lag={"skew_us": 40.0}), (SET,), False, True, "skew_us is 40"),
        (tern(transducer={"at_20ma_mm": 231.0}), (SET,), True, False, "transducer's line"),
        (tern(), (replace(SET, raw_deg=17.6),), False, True, "the zero is"),
        (tern(), (replace(SET, hours=HOURS + 100),), False, True, "the camshaft was set at 21,500 h"),
        (tern(), (SET, DONE), True, False, "retightened at 21,630 h"),
    ],
    ids=["chain", "engine", "skew", "transducer", "zero", "set-since", "retightened-since"],
)
def test_what_does_not_belong_is_named_and_learned_again(engine, log, lag, spring, word) -> None:  # type: ignore[no-untyped-def]
    """Another engine, other settings, another zero, work since: each is said, and just that series begins again."""
    _, messages = voyage()
    found = taken_over(engine, rebase(engine, log), messages)
    assert any(word in text and "learned again" in text for text in found.left), found.left
    assert [f"{engine.slug}, {name}:" in " ".join(found.taken) for name in ("lag", "spring")] == [lag, spring]
    if found.state is not None:
        new = EngineWear(engine, rebase(engine, log))
        new.load(found.state)
        assert (new.lag.fit.rows > 0, new.spring.fit.rows > 0) == (lag, spring)


def test_after_work_a_message_goes_at_once_and_names_the_new_datum() -> None:
    """So that the one before it is not taken for the present."""
    old, messages = voyage()
    wear = EngineWear(tern(), datum_of(SET))
    wear.load(old.state())
    sent(wear, messages[-1])
    now_s = messages[-1].utc_s + 60
    assert not is_due(wear, now_s)
    again = replace(SET, id="set-2", hours=HOURS + 166)
    wear.rebase(datum_of(SET, again), lag_restart=True, spring="keep")
    assert is_due(wear, now_s)
    m = through(learned_of(wear, now_s, HOURS + 167))
    found = taken_over(tern(), datum_of(SET, again), [*messages, m])
    assert found.left == ("main, lag: not known yet when the last message went ashore",)
    sent(wear, m)
    assert not is_due(wear, now_s + 60)


def test_rows_that_a_later_step_moved_go_again() -> None:
    """A step that is dated back takes rows out; the message after it takes back what was sent of them."""
    wear = fed(EngineWear(tern(), datum_of(SET)), medians(620))
    first = learned_of(wear, UTC, HOURS + 103)
    sent(wear, first)
    number = first.lag.after + sum(first.lag.columns[0]) - 40  # type: ignore[union-attr]
    wear.lag.fit.split(number, 0.3)
    second = learned_of(wear, UTC + 60, HOURS + 117)
    assert second.lag is not None and second.lag.after == number - 1
    found = taken_over(tern(), datum_of(SET), [through(first), through(second)])
    assert found.state is not None
    kept, now = (s["lag"]["fit"]["rows"]["rows"] for s in (found.state, wear.state()))
    assert [row[0] for row in kept] == [row[0] for row in now]


@pytest.mark.parametrize("jump_deg", [0.0, 8.0])
def test_a_jump_while_no_box_watched_is_a_step_and_no_slope(jump_deg: float) -> None:
    """A tooth's jump between the last message and the spare box's first hours."""
    old, messages = voyage()
    rows = medians(1_060, hole=300, jump_deg=jump_deg)[1_000:]
    rows = [replace(r, utc_s=r.utc_s + 172_800, hours=r.hours + 1) for r in rows]
    found = taken_over(tern(), datum_of(SET), messages)
    new = EngineWear(tern(), datum_of(SET))
    assert found.state is not None
    new.load(found.state)
    before = trend_of(old, medians(1_000)[-1]).lag_deg_per_1000h
    fed(new, rows)
    step = new.standing_step("lag")
    assert (None if step is None else round(step.size)) == (None if jump_deg == 0 else 8)
    after = trend_of(new, rows[-1]).lag_deg_per_1000h
    assert after.p50 == pytest.approx(before.p50, abs=0.1)


@pytest.mark.parametrize(
    "text",
    ["", "main: learned figures", "main; data !!!", "main; data eJxTTMsv", "main; data eJyrVipTsjI0AAALwgJ3",
     "main; data " + "A" * 7_000],
    ids=["empty", "none", "base64", "zlib", "schema", "long"],
)  # fmt: skip
def test_what_cannot_be_read_is_refused(text: str) -> None:
    """Whatever stands in an event."""
    with pytest.raises(Refused):
        learned_in(text)
