"""The forecast as a picture: for each limit a bar from its early to its late end, in running hours ahead."""

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.encode.outlook import about_hours
from gateway.encode.shapes import HoursRange, TrendMessage
from gateway.report.markup import Markup, tag
from gateway.report.plot import WIDTH, framed
from gateway.report.scale import Scale, ticks
from gateway.report.words import GAP, LIMITS

NAMES, FIGURES = 150.0, 150.0
ROW, TOP, BOTTOM = 24.0, 24.0, 30.0


@dataclass(frozen=True, slots=True)
class Ahead:
    """One limit: its name, 5 %, middle and 95 % in running hours ahead (`None` = not in sight), and words."""

    name: str
    p05: float | None
    p50: float | None
    p95: float | None
    words: str


def bars(t: TrendMessage, name: str) -> Markup | None:
    """The trend's limits as bars; `None` where it has none."""
    rows = [
        Ahead(LIMITS[x.limit], x.hours_to.p05, x.hours_to.p50, x.hours_to.p95, _short(x.hours_to)) for x in t.limits
    ]
    return forecast(name, rows) if rows else None


def _short(h: HoursRange) -> str:
    if h.p50 is None:
        return "see the table"
    return "reached" if h.p50 == 0 else "in " + about_hours(h).partition(" (")[0].replace(" h", f"{GAP}h")


def forecast(name: str, rows: Sequence[Ahead]) -> Markup:
    """The bars as an SVG element. An end that is not in sight is drawn as an arrow to the edge."""
    finite = [h for r in rows for h in (r.p05, r.p50, r.p95) if h is not None]
    height = TOP + ROW * len(rows) + BOTTOM
    x = Scale(0.0, max([*finite, 100.0]) * 1.08, NAMES, WIDTH - FIGURES)
    caption = "; ".join(f"{r.name}: {r.words}" for r in rows)
    return framed(
        name,
        "Running hours to each limit: bar 5 to 95 %, tick the middle",
        caption,
        height,
        _axis(x, height - BOTTOM),
        [_row(r, x, TOP + ROW * (i + 0.5)) for i, r in enumerate(rows)],
    )


def _axis(x: Scale, bottom: float) -> list[Markup]:
    out = [tag("line", x1=x.start, x2=x.end, y1=bottom, y2=bottom, class_="axis")]
    for value, words in ticks(x.low, x.high, 6):
        at = x.at(value)
        out.append(tag("line", x1=at, x2=at, y1=TOP, y2=bottom + 4, class_="grid"))
        out.append(tag("text", words, x=at, y=bottom + 15, class_="mid"))
    out.append(tag("text", "h ahead", x=x.end + 8, y=bottom + 15, class_="right"))
    return out


def _row(r: Ahead, x: Scale, y: float) -> list[Markup]:
    out = [
        tag("text", r.name, x=NAMES - 8, y=y + 3.5, class_="left"),
        tag("text", r.words, x=WIDTH - FIGURES + 8, y=y + 3.5, class_="right"),
    ]
    if r.p05 is None:
        return out
    left, right = x.at(r.p05), x.end if r.p95 is None else x.at(r.p95)
    out.append(tag("rect", x=left, y=y - 5, width=max(right - left, 1.0), height=10, class_="range"))
    if r.p95 is None:
        out.append(
            tag(
                "path", d=f"M{right - 7:.1f} {y - 8:.1f}L{right:.1f} {y:.1f}L{right - 7:.1f} {y + 8:.1f}", class_="line"
            )
        )
    if r.p50 is not None:
        out.append(tag("line", x1=x.at(r.p50), x2=x.at(r.p50), y1=y - 8, y2=y + 8, class_="middle"))
    return out
