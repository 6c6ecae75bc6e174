"""Reads a pressure/crank-angle file: CSV, a heading with units, a row for each angle, a column for each cylinder.

    crank_deg, cyl1_bar, cyl2_bar          or   Crank [deg]; Cyl 1 [MPa]; Cyl 2 [MPa]

Separators: comma, semicolon or tab; with the last two a comma may stand for the decimal point. Lines that begin with #
are passed over. Everything that is wrong is named, with what to change.
"""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.model.errors import Refused

Floats = NDArray[np.float64]
FILE_CHARS_MAX = 4_000_000
ROWS_MAX = 20_000
CYLINDERS_MAX = 32
STEP_DEG_MAX = 5.0
"""Coarser files miss the maximum pressure and a per cent of the work."""
BAR = {"bar": 1.0, "bara": 1.0, "barg": 1.0, "mbar": 1e-3, "mpa": 10.0, "kpa": 0.01, "pa": 1e-5, "psi": 0.0689475729}
UNIT_NAMES = {"bar": "bar", "mpa": "MPa", "kpa": "kPa", "pa": "Pa", "psi": "psi"}
MAX_BAR_LOW, MAX_BAR_HIGH = 30.0, 350.0
"""Maximum pressures of ships' engines under load lie well inside: beyond, the unit is another."""
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,2})?")
_DEGREES = {"deg", "degree", "degrees", "degca", "ca"}


@dataclass(frozen=True, slots=True)
class PressureFile:
    """One cycle. `angle_deg`: float64[N], rising, after dead centre, −180…180 (two-stroke). `bar`: by cylinder."""

    angle_deg: Floats
    bar: dict[int, Floats]


def read_pressures(text: str, cycle_deg: float) -> PressureFile:
    """The file's cycle of `cycle_deg` degrees (360 two-stroke, 720 four-stroke). Raises Refused with the reason."""
    if len(text) > FILE_CHARS_MAX:
        raise Refused(f"the file is longer than {FILE_CHARS_MAX:,} characters; give one cycle")
    lines = _lines(text)
    if not lines:
        raise Refused("the file is empty; give a heading and a row for each angle")
    mark = _separator(lines[0][1])
    angle_at, cylinders = _heading(lines[0][1].split(mark))
    rows = [_row(number, line.split(mark), mark, len(cylinders) + 1) for number, line in lines[1:]]
    if len(rows) > ROWS_MAX:
        raise Refused(f"more than {ROWS_MAX:,} rows; give one cycle")
    if len(rows) < 3:
        raise Refused("no rows below the heading; give a row for each angle")
    table = np.array(rows)
    order = _cycle(table[:, angle_at], cycle_deg)
    angle = _after_dead_centre(table[order, angle_at], cycle_deg)
    turned = np.argsort(angle, kind="stable")
    bar = {n: table[order, k][turned] * scale for k, (n, scale) in cylinders.items()}
    return PressureFile(angle[turned], bar)


def _lines(text: str) -> list[tuple[int, str]]:
    found = []
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        if line.strip() and not line.lstrip().startswith("#"):
            found.append((number, line))
            if len(found) > ROWS_MAX + 1:
                raise Refused(f"more than {ROWS_MAX:,} rows; give one cycle")
    return found


def _separator(heading: str) -> str:
    for mark in ("\t", ";", ","):
        if mark in heading:
            return mark
    raise Refused("the heading has one column only; separate columns by comma, semicolon or tab")


def _heading(cells: list[str]) -> tuple[int, dict[int, tuple[int, float]]]:
    """Column of the angle; number and scale to bar of each other column."""
    if len(cells) > CYLINDERS_MAX + 1:
        raise Refused(f"{len(cells)} columns; an angle and {CYLINDERS_MAX} cylinders at most")
    angle_at: int | None = None
    cylinders: dict[int, tuple[int, float]] = {}
    for k, cell in enumerate(cells):
        words = set(re.findall(r"[a-z]+|\d+", cell.lower()))
        if "rad" in words:
            raise Refused(f"column {k + 1} {_name(cell)}: the angle is in radians; give degrees")
        if words & _DEGREES or "°" in cell:
            if angle_at is not None:
                raise Refused("two columns of angles; give one, in degrees")
            angle_at = k
            continue
        number, scale = _cylinder(k, cell, words)
        if number in {n for n, _ in cylinders.values()}:
            raise Refused(f"cylinder {number} has two columns")
        cylinders[k] = (number, scale)
    if angle_at is None:
        raise Refused("no column of angles; head it with its unit, such as crank_deg")
    if not cylinders:
        raise Refused("no column of pressures; head each with number and unit, such as cyl1_bar")
    return angle_at, cylinders


def _cylinder(k: int, cell: str, words: set[str]) -> tuple[int, float]:
    units = words & set(BAR)
    if len(units) != 1:
        raise Refused(
            f"column {k + 1} {_name(cell)}: no unit of pressure; head it such as cyl1_bar (bar, MPa, kPa, Pa, psi)"
        )
    numbers = [int(w) for w in words if w.isdigit() and w.isascii() and len(w) < 4]
    if len(numbers) != 1 or not 1 <= numbers[0] <= CYLINDERS_MAX:
        raise Refused(f"column {k + 1} {_name(cell)}: no cylinder's number; head it such as cyl1_bar")
    return numbers[0], BAR[units.pop()]


def _row(number: int, cells: list[str], mark: str, columns: int) -> list[float]:
    if len(cells) != columns:
        raise Refused(f"line {number}: {len(cells)} columns where the heading has {columns}")
    found = []
    for cell in cells:
        word = cell.strip().strip('"')
        word = word if mark == "," else word.replace(",", ".")
        if not _NUMBER.fullmatch(word) or len(word) > 40:
            raise Refused(f"line {number}: {word[:30]!r} is not a number")
        found.append(float(word))
    return found


def _cycle(angle: Floats, cycle_deg: float) -> NDArray[np.int64]:
    """The rows of one cycle, each angle once. Raises Refused."""
    steps = np.diff(angle)
    if not np.all(steps > 0):
        raise Refused(f"the angles do not rise at row {int(np.argmin(steps)) + 2}; give one cycle, in order")
    usual = float(np.median(steps))
    if usual > STEP_DEG_MAX:
        raise Refused(f"a point each {usual:g}°: too coarse; give one each {STEP_DEG_MAX:g}° at least")
    if float(steps.max()) > max(2.5 * usual, 0.01):
        at = float(angle[int(np.argmax(steps))])
        raise Refused(f"rows are missing after {at:g}°: a step of {float(steps.max()):g}° where {usual:g}° is usual")
    span = float(angle[-1] - angle[0])
    if span < cycle_deg - 1.6 * usual:
        raise Refused(f"the rows cover {span:g}°; one whole cycle is {cycle_deg:g}°")
    if span > cycle_deg + 0.6 * usual:
        raise Refused(f"the rows cover {span:g}°, more than the one cycle of {cycle_deg:g}°")
    # The row that closes the cycle repeats the first.
    last = len(angle) - 1 if span > cycle_deg - 0.5 * usual else len(angle)
    return np.arange(last)


def _after_dead_centre(angle: Floats, cycle_deg: float) -> Floats:
    half = cycle_deg / 2
    return np.asarray((angle + half) % cycle_deg - half)


def _name(cell: str) -> str:
    return repr(cell.strip()[:30])


def unit_meant(max_bar: float) -> str | None:
    """Which unit would make a maximum pressure of `max_bar`, read as bar, one that an engine has; `None`: it is one."""
    if MAX_BAR_LOW <= max_bar <= MAX_BAR_HIGH:
        return None
    for unit in ("mpa", "psi", "kpa", "pa"):
        if MAX_BAR_LOW <= max_bar * BAR[unit] <= MAX_BAR_HIGH:
            return UNIT_NAMES[unit]
    return ""
