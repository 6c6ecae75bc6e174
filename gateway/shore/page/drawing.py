"""Pictures of the fleet's page as SVG, drawn by the server: they need no script, and print."""

from collections.abc import Sequence

from gateway.report.markup import Markup, tag
from gateway.report.plot import path
from gateway.report.scale import Scale, around, ticks, time_ticks

WIDTH, HEIGHT = 720.0, 220.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 16.0, 22.0, 26.0
DASHES = ("none", "8 4", "2 3", "10 3 2 3", "14 4", "4 4", "1 4", "12 3 3 3 3 3")
"""Lines of sisters differ by dashes and by a number at the end, not by colour alone."""
Point = tuple[float, float | None]


def over_time(
    name: str,
    title: str,
    caption: str,
    points: Sequence[Point],
    least: float,
    marks: Sequence[tuple[float, str]] = (),
    band: Sequence[tuple[float, float, float]] = (),
) -> Markup:
    """A figure over time. `marks`: work, with its number. `band`: time, low, high."""
    known = [v for _, v in points if v is not None] + [v for _, low, high in band for v in (low, high)]
    if not known:
        return tag("p", f"{title}: nothing is kept of it.", class_="words")
    x = Scale(points[0][0], max(points[-1][0], points[0][0] + 1), LEFT, WIDTH - RIGHT)
    low, high = around(known, least)
    y = Scale(low, high, HEIGHT - BOTTOM, TOP)
    shade = [(x.at(t), y.at(high)) for t, _, high in band] + [(x.at(t), y.at(low)) for t, low, _ in reversed(band)]
    return _framed(
        name, title, caption,
        tag("polygon", points=" ".join(f"{a:.1f},{b:.1f}" for a, b in shade), class_="shade") if shade else None,
        _grid(x, y, time_ticks(x.low, x.high)),
        [_mark(x.at(t), words) for t, words in marks if x.low <= t <= x.high],
        tag("path", d=path(points, x, y), class_="line"),
    )  # fmt: skip


def side_by_side(
    name: str, title: str, caption: str, lines: Sequence[tuple[str, Sequence[Point]]], limit: float | None
) -> Markup:
    """Lines of several engines over the hours of their chains; each has a number at its end."""
    every = [p for _, points in lines for p in points if p[1] is not None]
    if not every:
        return tag("p", f"{title}: nothing is kept of it.", class_="words")
    x = Scale(0.0, max(1.0, *(h for h, _ in every)), LEFT, WIDTH - RIGHT - 14)
    low, high = around([v for _, v in every if v is not None] + ([limit] if limit else []), 0.1)
    y = Scale(low, high, HEIGHT - BOTTOM, TOP)
    drawn = []
    for i, (_, points) in enumerate(lines):
        last = next(((h, v) for h, v in reversed(points) if v is not None), None)
        if last is None or last[1] is None:
            continue
        drawn.append(tag("path", d=path(points, x, y), class_="line", stroke_dasharray=DASHES[i % len(DASHES)]))
        drawn.append(tag("text", str(i + 1), x=x.at(last[0]) + 4, y=y.at(last[1]) + 4, class_="number"))
    across = tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y.at(limit), y2=y.at(limit), class_="limit") if limit else None
    return _framed(name, title, caption, _grid(x, y, ticks(0.0, x.high, 6)), across, drawn)


def _framed(name: str, title: str, caption: str, *children: object) -> Markup:
    heads = f"{name}-title", f"{name}-caption"
    return tag(
        "figure",
        tag("figcaption", title),
        tag(
            "svg", tag("title", title, id=heads[0]), tag("desc", caption, id=heads[1]), children,  # type: ignore[arg-type]
            viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", aria_labelledby=" ".join(heads), class_="picture",
        ),
    )  # fmt: skip


def _grid(x: Scale, y: Scale, along: Sequence[tuple[float, str]]) -> list[Markup]:
    bottom = HEIGHT - BOTTOM
    out = [tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=bottom, y2=bottom, class_="axis")]
    for value, words in ticks(y.low, y.high, 5):
        out.append(tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y.at(value), y2=y.at(value), class_="grid"))
        out.append(tag("text", words, x=LEFT - 6, y=y.at(value) + 4, class_="left"))
    return out + [tag("text", words, x=x.at(v), y=bottom + 18, class_="mid") for v, words in along]


def _mark(at: float, words: str) -> list[Markup]:
    return [
        tag("line", x1=at, x2=at, y1=TOP, y2=HEIGHT - BOTTOM, class_="mark"),
        tag("text", words, x=at, y=TOP - 6, class_="mid"),
    ]
