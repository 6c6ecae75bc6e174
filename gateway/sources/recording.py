"""Another logger's CSV recording, as the two shafts' turns and the loop current over time. Raises Refused in words."""

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gateway.measure.loop import loop_ma
from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, RecordingSettings

Floats = npt.NDArray[np.float64]
ROWS_MAX = 50_000_000
"""A week at 80 rows a second; more is read in parts."""
SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
ROWS_A_TURN_MIN = 20.0
"""Fewer rows a turn of the crank: averages over a turn are uncertain (our judgement)."""


@dataclass(frozen=True)
class Shaft:
    """Turns of one shaft at times in s; its first turn's start stands for the zero of its encoder. `counts`: a turn."""

    t_s: Floats
    turns: Floats
    counts: int


@dataclass(frozen=True)
class Recording:
    """What a file holds. `loop`: times in s and loop current in µA, NaN where there is none; `None`: no such column.

    `lacks`: what the recording cannot show, a sentence each.
    """

    crank: Shaft
    cam: Shaft
    loop: tuple[Floats, Floats] | None
    rows: int
    lacks: list[str] = field(default_factory=list)


def read_recording(path: Path, engine: EngineSettings) -> Recording:
    """Read the file by the engine's `recording` settings. Raises Refused with the line where something is wrong."""
    s = engine.recording
    if s is None:
        raise Refused(f"engine {engine.slug}: give [engine.recording] with the columns of the file")
    names = [n for n in (s.time, s.crank, s.cam, s.crank_pulse, s.cam_pulse, s.length_mm, s.current_ma) if n]
    columns = _columns(path, s, names)
    t_s = columns[s.time] * SECONDS[s.time_unit]
    _rising(t_s, "time")
    crank = _shaft(s, columns, t_s, s.crank, s.crank_pulse, s.crank_pulses_per_turn)
    cam = _shaft(s, columns, t_s, s.cam, s.cam_pulse, s.cam_pulses_per_turn)
    loop = _loop(engine, s, columns, t_s)
    return Recording(crank, cam, loop, len(t_s), _lacks(s, crank, cam, t_s))


def _columns(path: Path, s: RecordingSettings, names: Sequence[str]) -> dict[str, Floats]:
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            return _parsed(csv.reader(file, delimiter=s.separator), s, names, path)
    except UnicodeDecodeError:
        raise Refused(f"{path}: not a UTF-8 text; export it as CSV in UTF-8") from None
    except csv.Error as e:
        raise Refused(f"{path}: {e}; give a CSV file of a recording") from None
    except OSError as e:
        raise Refused(f"{path}: {e.strerror or e}; check the file and who may read it") from None


def _parsed(rows: Iterator[list[str]], s: RecordingSettings, names: Sequence[str], path: Path) -> dict[str, Floats]:
    heading = [cell.strip() for cell in next(rows, [])]
    missing = [n for n in names if n not in heading]
    if missing:
        raise Refused(f"{path}: no column {', '.join(map(repr, missing))}; the file has: {', '.join(heading)}")
    places = [heading.index(n) for n in names]
    found: list[list[float]] = []
    for number, row in enumerate(rows, 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(found) >= ROWS_MAX:
            raise Refused(f"{path}: more than {ROWS_MAX:,} rows; import it in parts")
        found.append([_number(row[k] if k < len(row) else "", s, path, number) for k in places])
    if len(found) < 2:
        raise Refused(f"{path}: fewer than two rows of figures; give a longer recording")
    table = np.array(found)
    return {n: table[:, k] for k, n in enumerate(names)}


def _number(cell: str, s: RecordingSettings, path: Path, line: int) -> float:
    text = cell.strip()
    if not text:
        return math.nan
    try:
        return float(text.replace(",", ".") if s.decimal == "," else text)
    except ValueError:
        raise Refused(f"{path}: line {line}: {text[:40]!r} is not a number; see decimal and separator") from None


def _rising(t_s: Floats, what: str) -> None:
    bad = np.flatnonzero(~(np.diff(t_s) > 0))
    if not np.isfinite(t_s).all() or len(bad):
        at = int(bad[0]) + 3 if len(bad) else int(np.flatnonzero(~np.isfinite(t_s))[0]) + 2
        raise Refused(f"line {at}: {what} does not rise; sort the rows by time")


def _shaft(
    s: RecordingSettings, columns: dict[str, Floats], t_s: Floats, angle: str | None, pulse: str | None, n: int | None
) -> Shaft:
    if angle is not None:
        a_turn = {"deg": 360.0, "turns": 1.0, "counts": float(s.counts_per_turn or 1)}[s.angle_unit]
        raw = columns[angle] / a_turn
        ok = np.isfinite(raw)
        turns = np.unwrap(raw[ok], period=1.0)
        return Shaft(t_s[ok], turns, s.counts_per_turn or 65_536)
    times = columns[pulse or ""] * SECONDS[s.time_unit]
    times = times[np.isfinite(times)]
    if len(times) < 2 or n is None:
        raise Refused(f"column {pulse!r}: fewer than two pulses; check the column's name, or give a longer recording")
    _rising(times, f"column {pulse!r}")
    return Shaft(times, np.arange(len(times)) / n, n)


def _loop(
    engine: EngineSettings, s: RecordingSettings, columns: dict[str, Floats], t_s: Floats
) -> tuple[Floats, Floats] | None:
    if s.current_ma is not None:
        ma = columns[s.current_ma]
    elif s.length_mm is not None:
        ma = loop_ma(engine.transducer, columns[s.length_mm])
    else:
        return None
    return t_s, np.clip(ma, 0.0, 65.0) * 1_000.0


def _lacks(s: RecordingSettings, crank: Shaft, cam: Shaft, t_s: Floats) -> list[str]:
    found = []
    turns = abs(float(crank.turns[-1] - crank.turns[0]))
    a_turn = len(crank.t_s) / turns if turns else 0.0
    if turns and a_turn < ROWS_A_TURN_MIN:
        found.append(f"Only {a_turn:.1f} rows a turn of the crank: averages over a turn are uncertain.")
    if s.crank_pulse is not None or s.cam_pulse is not None:
        found.append("Pulses have no zero and no sense: the lag is known only as a change, and astern reads as ahead.")
    if s.length_mm is None and s.current_ma is None:
        found.append("No length and no current: spring, compression and slap are not known.")
    found.append("No temperatures: the trend cannot correct for warmth.")
    found.append("No index counts: a slipped encoder cannot be recognised by its index.")
    gaps = int((np.diff(t_s) > s.gap_s).sum())
    if gaps:
        found.append(f"{gaps} gap(s) of more than {s.gap_s:g} s: nothing is made up in them.")
    if min(crank.counts, cam.counts) < 1_000:
        found.append(f"Coarse angles ({min(crank.counts, cam.counts)} a turn): single turns scatter.")
    return found
