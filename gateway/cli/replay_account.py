"""What a replay gave, in a few lines for people: alarms with their times, the worst quality, and a drawing of it."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from gateway.alarm.wording import WORDS
from gateway.encode.times import rfc3339
from gateway.model.enums import AlarmState, Quality
from gateway.model.settings import EngineSettings
from gateway.outputs import AlarmChanged, Output, ReadingDue
from gateway.report.markup import Markup, tag
from gateway.report.plot import WIDTH, Level, Mark, Plot, Point, drawn

STANDS = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
RANK = {Quality.GOOD: 0, Quality.UNCERTAIN: 1, Quality.BAD: 2}
POINTS_MAX = 4_000
ROW = 18.0
PLOT_HIGH = 190.0


@dataclass(slots=True)
class Called:
    """One alarm: how often it was raised, first and last when, and whether it stood at the end."""

    times: int
    first_s: float
    last_s: float
    stands: bool = True


@dataclass(slots=True)
class Worst:
    """The worst quality of one figure, since when, and why."""

    quality: Quality = Quality.GOOD
    reason: str = ""
    utc_s: float = 0.0

    def take(self, quality: Quality, reason: str, utc_s: float) -> None:
        """Another reading; of two alike the first counts."""
        if RANK[quality] > RANK[self.quality]:
            self.quality, self.reason, self.utc_s = quality, reason, utc_s


@dataclass(slots=True)
class Account:
    """Give it all outputs in order. `keep`: keep the figures of each reading too, for the drawing."""

    keep: bool = False
    alarms: dict[str, Called] = field(default_factory=dict)
    worst: dict[str, Worst] = field(default_factory=lambda: {"spring": Worst(), "lag": Worst()})
    readings: int = 0
    lag: list[Point] = field(default_factory=list)
    spring: list[Point] = field(default_factory=list)
    raised: list[tuple[float, str]] = field(default_factory=list)

    def take(self, outputs: Iterable[Output]) -> None:
        """The next ones."""
        for output in outputs:
            if isinstance(output, AlarmChanged):
                self._alarm(output)
            elif isinstance(output, ReadingDue):
                self._reading(output)

    def _alarm(self, changed: AlarmChanged) -> None:
        t, utc_s = changed.transition, changed.utc_s
        if t.announces:
            self.raised.append((utc_s, t.tag))
            called = self.alarms.setdefault(t.tag, Called(0, utc_s, utc_s))
            called.times, called.last_s = called.times + 1, utc_s
        if t.tag in self.alarms:
            self.alarms[t.tag].stands = t.to in STANDS

    def _reading(self, due: ReadingDue) -> None:
        r = due.reading
        self.readings += 1
        for name, m in (("spring", r.spring), ("lag", r.lag)):
            self.worst[name].take(m.quality, m.reason, due.utc_s)
        if self.keep:
            self.lag.append((due.utc_s, r.lag.value))
            self.spring.append((due.utc_s, r.spring.value))

    def lines(self) -> list[str]:
        """For stderr."""
        rows = [f"{_title(tag_)} ({tag_}): {_called(c)}" for tag_, c in self.alarms.items()] or ["none"]
        heads = ["alarms", *[""] * (len(rows) - 1)]
        found = [f"{head:<12}{row}" for head, row in zip(heads, rows, strict=True)]
        worst = ", ".join(f"{name} {_worst(w)}" for name, w in self.worst.items()) if self.readings else "no reading"
        return [*found, f"quality     worst: {worst}"]

    def drawing(self, e: EngineSettings) -> str:
        """Lag and spring over time with the alarms, as one SVG document. Raises ValueError without a reading."""
        if not self.lag:
            raise ValueError("there is no reading to draw")
        from_s, to_s = self.lag[0][0], max(self.lag[-1][0], self.lag[0][0] + 1.0)
        tags = list(self.alarms)
        marks = [Mark(utc_s, str(tags.index(tag_) + 1)) for utc_s, tag_ in self.raised if from_s <= utc_s <= to_s]
        numbered = [f"{n}  {_title(tag_)}: {_called(self.alarms[tag_])}" for n, tag_ in enumerate(tags, 1)]
        words = numbered or ["No alarm in this capture."]
        high = 2 * PLOT_HIGH + ROW * (len(words) + 1)
        plots = (_lag_plot(self.lag, e, from_s, to_s, marks), _spring_plot(self.spring, e, from_s, to_s, marks))
        placed = [
            tag("svg", drawn(p), x=0.0, y=n * PLOT_HIGH, width=WIDTH, height=PLOT_HIGH) for n, p in enumerate(plots)
        ]
        lines = [tag("text", line, x=6.0, y=2 * PLOT_HIGH + ROW * (n + 1)) for n, line in enumerate(words)]
        whole: Markup = tag(
            "svg", tag("rect", width=WIDTH, height=high, fill="#fff"), *placed, *lines,
            xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {WIDTH:g} {high:g}", width=WIDTH, height=high,
        )  # fmt: skip
        return '<?xml version="1.0" encoding="UTF-8"?>\n' + whole + "\n"


def _lag_plot(points: list[Point], e: EngineSettings, from_s: float, to_s: float, marks: list[Mark]) -> Plot:
    levels = (Level(e.lag.near_deg, "warning limit", "near"), Level(e.lag.limit_deg, "limit"))
    title = "Camshaft lag, ° (late is +)"
    caption = "Camshaft lag over the capture, with warning limit and limit; numbers mark the alarms listed below."
    return Plot("lag", title, caption, from_s, to_s, _thinned(points), 0.5, levels=levels, marks=marks)


def _spring_plot(points: list[Point], e: EngineSettings, from_s: float, to_s: float, marks: list[Mark]) -> Plot:
    t = e.tightener
    band = []
    if t.kind == "sprung":
        length = t.free_length_mm - t.required_compression_mm
        band = [(from_s, length - t.band_mm, length + t.band_mm)]
    caption = "Spring length over the capture, with its band by the settings; numbers mark the alarms listed below."
    return Plot("spring", "Spring length, mm", caption, from_s, to_s, _thinned(points), 2.0, band=band,
                band_words="band", marks=marks)  # fmt: skip


def _thinned(points: list[Point]) -> list[Point]:
    """At most POINTS_MAX: of each stretch the lowest and the highest, so that no peak is lost."""
    step = -(-2 * len(points) // POINTS_MAX)
    if step <= 1:
        return points
    out: list[Point] = []
    for at in range(0, len(points), step):
        stretch = points[at : at + step]
        known = [(utc_s, y) for utc_s, y in stretch if y is not None]
        if not known:
            out.append(stretch[0])
            continue
        ends = {min(known, key=lambda p: p[1]), max(known, key=lambda p: p[1])}
        out += sorted(ends)
    return out


def _title(tag_: str) -> str:
    return WORDS[tag_].title


def _called(c: Called) -> str:
    end = ", stands at the end" if c.stands else ""
    if c.times == 1:
        return f"once, {_minute(c.first_s)}{end}"
    return f"{c.times} times, first {_minute(c.first_s)}, last {_minute(c.last_s)}{end}"


def _worst(w: Worst) -> str:
    if w.quality is Quality.GOOD:
        return "good"
    return f"{w.quality} first at {_minute(w.utc_s)}" + (f" ({w.reason})" if w.reason else "")


def _minute(utc_s: float) -> str:
    return rfc3339(utc_s)[:19].replace("T", " ") + " UTC"
