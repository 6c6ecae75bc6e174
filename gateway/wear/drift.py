"""Drift of a series of ten-minute medians: generalised least squares with AR(1) noise, updated in bounded time.

    figure = level + b·hours + c₁·(rpm − rpm₀) + c₂·(T − T₀) + c₃·(load − load₀) + noise,
    noise AR(1): correlation φ^k over k ten-minute steps of the clock (stops decorrelate it too).

T is how much warmer the casing is than the frame: chain and frame are both of iron, and what shows is by how much the
one has grown more than the other. The frame follows a start or another speed for hours, and the casing's temperature
alone would leave that to the drift. Where only one of the two is measured, T is that one.

φ is not estimated and then believed: the fit is averaged over φ by its restricted likelihood (flat prior on φ from 0 to
0.999), so that the intervals carry its uncertainty. Each update costs the same whatever the hours (see `ar1_sums`).
Medians of short bursts are averaged to rows first, for the sake of the noise in their temperatures (see `means`).

What keeps a bad median from pulling the fit is in `chain`.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gateway.model.records import Median
from gateway.wear.chain import Chain, Innovation
from gateway.wear.means import REVOLUTIONS, Point, Q
from gateway.wear.phi_fit import COLUMNS, SCALES, SIGMA_MIN, PhiFit
from gateway.wear.regression import Floats

START_ROWS = 36
"""Medians gathered before the first fit."""

START_WINDOW = 7
START_GATE = 8.0
"""Wide, since the deviation from a running median has no fixed scale; what slips through pulls little."""

ENOUGH_ROWS = 144
ENOUGH_HOURS = 100.0
"""Medians and running hours before a drift is given. Less shows more of the weather than of the chain."""

HOURS_A_PAUSE = 0.25
"""Running hours (standard deviation) by which a stop may be miscounted where bursts leave it unseen: of how the engine
manoeuvred meanwhile only a rough count is had. Measured on simulated voyages, 0.2 h a stop; times 1.2, since a step in
the hours turns a line by up to one and a half times as much as it shifts its ends. It shows in fast wear only."""

Warmth = Literal["", "difference", "casing", "frame"]
"""What T is; empty until a median has a temperature."""

UNSURE: dict[str, tuple[float, float, float]] = {"lag": (0.0015, 0.0015, 0.03), "spring": (0.002, 0.02, 0.05)}
"""Degrees or mm per rpm, °C and full load by which a coefficient may be wrong: half of a usual one, from memory."""

UNSURE_DIFFERENCE = {"lag": 0.005, "spring": 0.04}
"""The same per °C that the casing is warmer than the frame; the frame's warming takes more than half of it away again
where the casing's temperature stands alone."""

_UNITS = np.array((*SCALES, 1.0))


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where the trend's figure is given. Set: `None` stands for the mean fitted. Told: `None` was never known."""

    rpm: float
    warmth_c: float | None
    """T: of the casing less the frame's, or of the one measured."""
    load: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """The fit: `a` at `hours_ref` and at the operating point, `b` per running hour, their covariance.

    (a, b) has Student's t with `dof` degrees of freedom, this place and `cov` as its covariance scale.
    `sigma`: marginal standard deviation of a row's noise (`means`); `phi`: its correlation over ten minutes.
    The variance of `b` holds that of the count of hours (`HOURS_A_PAUSE`). `n`: medians used, `odd`: medians dropped,
    `levels`: levels that share the slope.
    `enough` False: nothing is given, figures are NaN, and `why` says what is missing. `dropped`: (regressor, reason).
    """

    enough: bool
    why: str
    hours_ref: float = math.nan
    a: float = math.nan
    b: float = math.nan
    cov: tuple[tuple[float, float], tuple[float, float]] = ((math.nan, math.nan), (math.nan, math.nan))
    dof: float = math.nan
    phi: float = math.nan
    sigma: float = math.nan
    n: int = 0
    odd: int = 0
    levels: int = 1
    operating_point: OperatingPoint | None = None
    coefficients: tuple[tuple[str, float, float], ...] = ()
    """(regressor, value per rpm, °C or unit of load, standard error)."""
    dropped: tuple[tuple[str, str], ...] = ()


class DriftFit:
    """The drift of the lag or of the spring length since the last setting."""

    def __init__(
        self,
        figure: Literal["lag", "spring"] = "lag",
        operating_point: OperatingPoint | None = None,
    ) -> None:
        self.figure = figure
        self.warmth: Warmth = ""
        self.operating_point = operating_point
        self.refused = 0
        self._count = 0
        self._reference: Floats | None = None
        self._start: list[tuple[float, float, Floats, int]] = []
        self._chain = Chain(UNSURE[figure])

    # -- feeding -----------------------------------------------------------------------------------------------

    def add(self, median: Median) -> tuple[Innovation, ...]:
        """Take a median; returns what is decided by it: none while it is held, else one, or all held.

        A median without the figure, or whose running hours do not advance, is refused and counted.
        """
        raw = self._raw(median)
        newest = self._start[-1][1] if self._start else self._chain.newest_hours
        if raw is None or median.hours <= newest:
            self.refused += 1
            return ()
        if self._reference is None:
            self._start.append((median.utc_s, median.hours, raw, median.revolutions))
            if len(self._start) >= START_ROWS:
                self._begin()
            return ()
        return self._chain.add(self._point(median.utc_s, median.hours, raw, median.revolutions))

    def _raw(self, m: Median) -> Floats | None:
        figure = m.lag_deg if self.figure == "lag" else m.spring_mm
        if figure is None or not all(map(math.isfinite, (figure, m.hours, m.utc_s, m.rpm))):
            return None
        casing_c, frame_c, load = (
            v if v is not None and math.isfinite(v) else math.nan for v in (m.casing_c, m.frame_c, m.load)
        )
        if not self.warmth:
            self._choose(casing_c, frame_c)
        warmth_c = {"difference": casing_c - frame_c, "casing": casing_c, "frame": frame_c}.get(self.warmth, math.nan)
        return np.array((1.0, m.hours, m.rpm, warmth_c, load, 0.0, 0.0, figure))

    def _choose(self, casing_c: float, frame_c: float) -> None:
        """What T is, for as long as this fit goes on: a mixture would look like a step."""
        known = not math.isnan(casing_c), not math.isnan(frame_c)
        chosen: dict[tuple[bool, bool], Warmth]
        chosen = {(True, True): "difference", (True, False): "casing", (False, True): "frame", (False, False): ""}
        self.warmth = chosen[known]
        self._chain.unsure = np.array(_unsure(self.figure, self.warmth))

    def _point(self, utc_s: float, hours: float, raw: Floats, revolutions: int) -> Point:
        assert self._reference is not None
        row = (raw - self._reference) / _UNITS
        for known, unknown in ((3, 5), (4, 6)):
            if math.isnan(row[known]):
                row[known], row[unknown] = 0.0, 1.0
        self._count += 1
        return Point(self._count, utc_s, hours, row, revolutions)

    def _begin(self) -> None:
        """The first fit: reference in the middle of the first medians, the odd ones among them left out."""
        raws = np.array([raw for _, _, raw, _ in self._start])
        blank = np.isnan(raws)
        middle = np.median(np.where(blank, 0.0, raws), axis=0)
        for column in (3, 4):
            known = raws[~blank[:, column], column]
            middle[column] = np.median(known) if len(known) else 0.0
        middle[[0, 1, 5, 6]] = 0.0, self._start[0][1], 0.0, 0.0
        self._reference = middle
        points = [self._point(*row) for row in self._start]
        self._start = []
        odd = _odd_ones(raws[:, -1])
        self._chain.odd += int(odd.sum())
        self._chain.begin([point for point, is_odd in zip(points, odd, strict=True) if not is_odd])

    def offsets(self) -> list[tuple[Point, float]]:
        """The newest medians, each with how far it lies from the line fitted so far; see `Chain.offsets`."""
        return self._chain.offsets()

    def leapt(self) -> tuple[Point, float] | None:
        """See `Chain.leapt`."""
        return self._chain.leapt

    # -- a new level -------------------------------------------------------------------------------------------

    def split(self, since: int, size: float) -> None:
        """Begin a new level at the median numbered `since` (`Innovation.point`), where it stepped by about `size`.

        The slope and the other coefficients stay common to all levels: a slipped coupling does not change how the
        chain wears. Raises RuntimeError before the first fit.
        """
        if self._chain.working is None:
            raise RuntimeError("there is no fit yet that could be split; feed more medians first")
        self._chain.split(since, size)

    def new_level(self) -> None:
        """The figure was changed by hand (a retightening): the next median begins a new level with the same slope."""
        self._start = []
        if self._chain.working is not None:
            self._chain.new_level()

    # -- solving -----------------------------------------------------------------------------------------------

    def drift(self) -> Drift:
        """The fit as it stands, at the newest median; does not change what later medians will give."""
        hours = self._chain.hours
        n = self.medians
        if n < ENOUGH_ROWS:
            return Drift(False, f"only {n} of {ENOUGH_ROWS} ten-minute medians of steady running ahead so far", n=n)
        if hours < ENOUGH_HOURS:
            return Drift(
                False, f"only {hours:.0f} of {ENOUGH_HOURS:.0f} running hours since the last setting so far", n=n
            )
        fit = self._chain.fit()
        if fit is None or not fit.kept[0] or self._chain.segments[-1].rows < 3:
            return Drift(False, "the level has just changed; a few more medians are needed", n=n)
        return self._solved(fit)

    @property
    def medians(self) -> int:
        """Medians taken up so far."""
        return self._chain.rows + len(self._start)

    @property
    def noise(self) -> tuple[float, float] | None:
        """φ and the marginal standard deviation, as the predictions use them; `None` before the first fit."""
        return (self._chain.working.phi, self._chain.working.sigma) if self._chain.working is not None else None

    def _solved(self, fit: PhiFit) -> Drift:
        assert self._reference is not None and self._chain.last is not None
        point, at = self._operating(fit)
        lines = np.zeros((2, Q - 1))
        lines[0, :5] = 1.0, (self._chain.last.hours - self._reference[1]) / SCALES[1], *at
        lines[1, 1] = 1.0 / SCALES[1]
        mean, cov, dof = fit.mixture(lines)
        sizes, spreads, _ = fit.mixture(np.diag(1.0 / np.array(SCALES))[2:5])
        errors = np.sqrt(np.diag(spreads))
        miscounted = mean[1] * HOURS_A_PAUSE * math.sqrt(self._chain.means.pauses) / self._chain.hours
        return Drift(
            enough=True,
            why="",
            hours_ref=self._chain.last.hours,
            a=float(mean[0] + self._reference[-1]),
            b=float(mean[1]),
            cov=((float(cov[0, 0]), float(cov[0, 1])), (float(cov[1, 0]), float(cov[1, 1] + miscounted * miscounted))),
            dof=dof,
            phi=float(fit.weight @ fit.phis),
            sigma=float(np.sqrt(fit.weight @ fit.solution.rss / fit.spare)),
            n=self.medians,
            odd=self._chain.odd,
            levels=len(self._chain.segments),
            operating_point=point,
            coefficients=tuple(
                (COLUMNS[2 + i], float(sizes[i]), float(errors[i])) for i in range(3) if fit.kept[2 + i]
            ),
            dropped=fit.dropped,
        )

    def _operating(self, fit: PhiFit) -> tuple[OperatingPoint, list[float]]:
        """The operating point, what is not set of it the mean of what was fitted, and its place in reference units."""
        assert self._reference is not None
        wanted = self.operating_point
        given = (None, None, None) if wanted is None else (wanted.rpm, wanted.warmth_c, wanted.load)
        figures: list[float | None] = []
        at: list[float] = []
        for column, figure, mean in zip((2, 3, 4), given, fit.means, strict=True):
            reference = float(self._reference[column])
            place = mean if figure is None else (figure - reference) / SCALES[column]
            figures.append(None if place is None else reference + SCALES[column] * place)
            at.append(place or 0.0)
        rpm, heat, load = figures
        assert rpm is not None
        return OperatingPoint(rpm, heat, load), at

    # -- across a restart --------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything, as JSON-able lists and numbers."""
        return {
            "figure": self.figure,
            "temperature": self.warmth,
            "counters": [self.refused, self._count],
            "reference": None if self._reference is None else self._reference.tolist(),
            "start": [[utc_s, hours, _blank_out(raw), revolutions] for utc_s, hours, raw, revolutions in self._start],
            "chain": self._chain.state(),
        }

    @classmethod
    def restore(cls, state: dict[str, Any], operating_point: OperatingPoint | None = None) -> "DriftFit":
        """The fit as it was when `state` was taken: what it gives afterwards is the same to the bit."""
        new = cls(state["figure"], operating_point)
        new.warmth = state["temperature"]
        new.refused, new._count = state["counters"]
        if state["reference"] is not None:
            new._reference = np.array(state["reference"])
        new._start = [
            # A state of before revolutions were kept has none.
            (utc_s, hours, np.array([math.nan if v is None else v for v in raw]), *(revolutions or [REVOLUTIONS]))
            for utc_s, hours, raw, *revolutions in state["start"]
        ]
        new._chain = Chain.restore(state["chain"], _unsure(new.figure, new.warmth))
        return new


def _odd_ones(figures: Floats) -> NDArray[np.bool_]:
    """Hampel's gate over the first medians, before there is a fit to predict from: bool[N].

    A fit of 36 medians with five regressors bends to an odd one; the running median of seven does not, and it lets the
    edge of a change of speed stand.
    """
    padded = np.pad(figures, START_WINDOW // 2, mode="reflect")
    off = np.abs(figures - np.median(np.lib.stride_tricks.sliding_window_view(padded, START_WINDOW), axis=1))
    scale = max(1.4826 * float(np.median(off)), SIGMA_MIN)
    odd: NDArray[np.bool_] = off > START_GATE * scale
    return odd


def _unsure(figure: str, warmth: Warmth) -> tuple[float, float, float]:
    per_rpm, per_c, per_load = UNSURE[figure]
    return per_rpm, UNSURE_DIFFERENCE[figure] if warmth == "difference" else per_c, per_load


def _blank_out(raw: Floats) -> list[float | None]:
    return [None if math.isnan(v) else v for v in raw.tolist()]
