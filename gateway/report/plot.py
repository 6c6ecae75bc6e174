"""Plots as SVG, drawn for paper: black on white, lines distinguished by their dashes and by words beside them."""

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.report.markup import Child, Markup, style, tag
from gateway.report.scale import Scale, around, ticks, time_ticks
from gateway.report.style import DRAWN

WIDTH = 720.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 128.0, 36.0, 22.0
LABEL_APART, FLAG_APART = 13.0, 22.0
Point = tuple[float, float | None]


@dataclass(frozen=True, slots=True)
class Level:
    """A limit: a line across at `y` with words at its end. `dash`: a style class, `near` or `limit`."""

    y: float
    words: str
    dash: str = "limit"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that was done at `utc_s`; `words` is short, such as a number that a table explains."""

    utc_s: float
    words: str


@dataclass(frozen=True, slots=True)
class Plot:
    """A figure over time. `points`: by time, `None` breaks the line. `band`: (UTC, low, high), in steps.

    `name`: unique in the document. `title`: what, and its unit. `caption`: the plot in one sentence, for those who do
    not see it. `least`: the axis spans so much at least, and it holds `holds`. `height`: in units of the drawing, of
    which the width has 720.
    """

    name: str
    title: str
    caption: str
    from_s: float
    to_s: float
    points: Sequence[Point]
    least: float
    levels: Sequence[Level] = ()
    band: Sequence[tuple[float, float, float]] = ()
    band_words: str = ""
    marks: Sequence[Mark] = ()
    height: float = 190.0
    holds: Sequence[float] = ()


def drawn(p: Plot) -> Markup:
    """The plot as an SVG element."""
    known = [y for _, y in p.points if y is not None]
    edges = [edge for _, low, high in p.band for edge in (low, high)]
    low, high = around([*known, *edges, *(level.y for level in p.levels), *p.holds], p.least)
    x = Scale(p.from_s, p.to_s, LEFT, WIDTH - RIGHT)
    y = Scale(low, high, p.height - BOTTOM, TOP)
    empty = tag("text", "no readings in this period", x=(LEFT + WIDTH - RIGHT) / 2, y=p.height / 2, class_="empty")
    return framed(
        p.name,
        p.title,
        p.caption,
        p.height,
        _band(p, x, y),
        _grid(p, x, y),
        [tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y.at(v.y), y2=y.at(v.y), class_=v.dash) for v in p.levels],
        _marks(p, x),
        tag("path", d=path(p.points, x, y), class_="line") if known else empty,
        _words(p, y),
    )


def framed(name: str, title: str, caption: str, height: float, *children: Child) -> Markup:
    """An SVG with a title that is read out, and shown, and a sentence that is read out."""
    heads = f"{name}-title", f"{name}-caption"
    return tag(
        "svg",
        style(DRAWN),
        tag("title", title, id=heads[0]),
        tag("desc", caption, id=heads[1]),
        tag("text", title, x=0, y=12, class_="title"),
        *children,
        viewBox=f"0 0 {WIDTH:g} {height:g}",
        role="img",
        aria_labelledby=" ".join(heads),
    )


def path(points: Sequence[Point], x: Scale, y: Scale) -> str:
    """The line through the points, lifted where nothing is known; a point alone becomes a dot of a line."""
    parts, down = [], False
    for i, (at, value) in enumerate(points):
        if value is None:
            down = False
            continue
        here = f"{x.at(at):.1f} {y.at(value):.1f}"
        alone = not down and (i + 1 == len(points) or points[i + 1][1] is None)
        parts.append(f"L{here}" if down else f"M{here}h.1" if alone else f"M{here}")
        down = not alone
    return "".join(parts)


def _grid(p: Plot, x: Scale, y: Scale) -> list[Markup]:
    bottom = p.height - BOTTOM
    out = [tag("line", x1=LEFT, x2=LEFT, y1=TOP, y2=bottom, class_="axis")]
    out.append(tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=bottom, y2=bottom, class_="axis"))
    for value, words in ticks(y.low, y.high, 5):
        at = y.at(value)
        out.append(tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=at, y2=at, class_="grid"))
        out.append(tag("text", words, x=LEFT - 6, y=at + 3.5, class_="left"))
    for value, words in time_ticks(p.from_s, p.to_s):
        at = x.at(value)
        out.append(tag("line", x1=at, x2=at, y1=bottom, y2=bottom + 4, class_="axis"))
        out.append(tag("text", words, x=at, y=bottom + 15, class_="mid"))
    return out


def _band(p: Plot, x: Scale, y: Scale) -> list[Markup]:
    out = []
    ends = [begin for begin, _, _ in p.band[1:]] + [p.to_s]
    for (begin, low, high), end in zip(p.band, ends, strict=bool(p.band)):
        left, right = x.at(begin), x.at(end)
        out.append(tag("rect", x=left, y=y.at(high), width=right - left, height=y.at(low) - y.at(high), class_="band"))
        out += [tag("line", x1=left, x2=right, y1=y.at(v), y2=y.at(v), class_="edge") for v in (low, high)]
    return out


def _marks(p: Plot, x: Scale) -> list[Markup]:
    """Each mark's line; flags that would lie over one another are one."""
    out, flags = [], list[tuple[float, str]]()
    for m in sorted(p.marks, key=lambda m: m.utc_s):
        at = x.at(m.utc_s)
        out.append(tag("line", x1=at, x2=at, y1=TOP, y2=p.height - BOTTOM, class_="mark"))
        if flags and at - flags[-1][0] < FLAG_APART:
            flags[-1] = flags[-1][0], f"{flags[-1][1]}, {m.words}"
        else:
            flags.append((at, m.words))
    for at, words in flags:
        wide = max(18.0, 6.0 * len(words) + 6.0)
        out.append(tag("rect", x=at - 9, y=TOP - 12, width=wide, height=13, class_="flag"))
        out.append(tag("text", words, x=at - 9 + wide / 2, y=TOP - 2, class_="mid"))
    return out


def _words(p: Plot, y: Scale) -> list[Markup]:
    """The words at the right end, each at its line, none over another."""
    wanted = [(y.at(v.y), v.words) for v in p.levels]
    if p.band:
        wanted.append((y.at((p.band[-1][1] + p.band[-1][2]) / 2), p.band_words))
    last = next((v for _, v in reversed(p.points) if v is not None), None)
    if last is not None:
        wanted.append((y.at(last), "measured"))
    out, floor = [], TOP - LABEL_APART
    for at, words in sorted(wanted):
        floor = max(at, floor + LABEL_APART)
        out.append(tag("text", words, x=WIDTH - RIGHT + 6, y=floor + 3.5, class_="right"))
    return out
