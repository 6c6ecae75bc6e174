"""The courses of one engine over the period, as plots."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from gateway.report.facts import EngineFacts, Period
from gateway.report.plot import Level, Mark, Plot, Point
from gateway.report.words import day, plural
from gateway.wear.course import MARKED


def lag_plot(e: EngineFacts, p: Period, name: str, height: float = 190.0) -> Plot:
    """The lag with its two limits; the early side's too, once the camshaft runs early."""
    lag = e.settings.lag
    levels = [
        Level(lag.near_deg, f"warning limit {lag.near_deg:g}°", "near"),
        Level(lag.limit_deg, f"limit {lag.limit_deg:g}°"),
    ]
    points = e.courses["lag_deg"]
    if min((y for _, y in points if y is not None), default=0.0) < -0.5 * lag.near_deg:
        levels.append(Level(-lag.near_deg, f"warning limit {lag.near_deg:g}° early", "near"))
    return _plot(
        e, p, name, "Camshaft lag, degrees of the crank, late is +", points, 0.5, tuple(levels), height, (0.0,)
    )


def elongation_plot(e: EngineFacts, p: Period, name: str) -> Plot:
    """The chain's elongation by the lag, with its two limits."""
    wear = e.settings.elongation
    levels = (
        Level(wear.near_percent, f"warning limit {wear.near_percent:g} %", "near"),
        Level(wear.limit_percent, f"limit {wear.limit_percent:g} %"),
    )
    title = "Elongation of the chain by the lag, per cent of its new length"
    return _plot(e, p, name, title, e.courses["elongation_percent"], 0.2, levels, holds=(0.0,))


def spring_plot(e: EngineFacts, p: Period, name: str) -> Plot:
    """The spring's length in its band: longer is slacker."""
    locked = e.settings.tightener.kind == "locked"
    title = f"Tightener spring's length, mm{'; locked, must not move' if locked else '; longer is slacker'}"
    plot = _plot(e, p, name, title, e.courses["spring_mm"], 1.0, ())
    words = "where it was locked" if locked else "required band"
    return replace(plot, band=tuple(e.bands), band_words=words)


def speed_plot(e: EngineFacts, p: Period, name: str) -> Plot:
    """The speed at which it was measured: gaps are times without steady running."""
    title = "Speed in steady running ahead, rpm; gaps are times without readings"
    return _plot(e, p, name, title, e.courses["rpm"], 10.0, (), 130.0)


def _plot(
    e: EngineFacts,
    p: Period,
    name: str,
    title: str,
    points: Sequence[Point],
    least: float,
    levels: tuple[Level, ...],
    height: float = 190.0,
    holds: tuple[float, ...] = (),
) -> Plot:
    marks = tuple(Mark(w.entry.utc_s, str(w.number)) for w in e.work if w.entry.kind in MARKED)
    caption = _caption(points, p, len(marks))
    return Plot(name, title, caption, p.from_s, p.to_s, points, least, levels, marks=marks, height=height, holds=holds)


def _caption(points: Sequence[Point], p: Period, marks: int) -> str:
    known = [y for _, y in points if y is not None]
    if not known:
        return "There are no readings in this period."
    worked = f"; {plural(marks, 'adjustment')} marked" if marks else ""
    return (
        f"From {day(p.from_s)} to {day(p.to_s)}: first {known[0]:.2f}, last {known[-1]:.2f}, "
        f"lowest {min(known):.2f}, highest {max(known):.2f}{worked}."
    )


PLOTS: tuple[tuple[str, Callable[[EngineFacts, Period, str], Plot]], ...] = (
    ("lag", lag_plot),
    ("elongation", elongation_plot),
    ("spring", spring_plot),
    ("speed", speed_plot),
)
