"""The panel maker's list against the code that answers: every register read back by its row alone, every bit, coil and
alert; and `deploy/PANEL.md` against the list."""

import struct
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from panel_boards import alarm, board, engine

from gateway.alarm.table import ROWS
from gateway.encode.panel_list import REGISTERS, Signal, signals
from gateway.encode.registers import discrete_inputs, input_registers
from gateway.encode.sentences import alert_id
from gateway.model.enums import Priority, Running
from gateway.model.settings import AlarmTuning
from gateway.model.settings_file import load_settings

ROOT = Path(__file__).parents[2]
FIGURES = {
    "engine speed": ("rpm", -97.4),
    "spring length": ("spring_mm", 182.15),
    "compression of the spring": ("compression_mm", 20.55),
    "lag of the camshaft": ("lag_deg", -0.723),
    "elongation of the chain": ("elongation_percent", 0.331),
    "slap, peak to peak": ("slap_mm", 1.25),
    "hours to the nearest limit, earliest (1 in 20)": ("hours_to_limit", 912.0),
    "running hours": ("running_hours", 21_400.3),
}


def raw(row: Signal, words: list[int]) -> int:
    """The number in a register as its row describes it."""
    first, _, last = row.address.partition("-")
    if last:
        assert row.number.endswith("high word first")
        return words[int(first)] << 16 | words[int(last)]
    packed = struct.pack(">H", words[int(first)])
    return int(struct.unpack(">h" if row.number == "16 bit signed" else ">H", packed)[0])


def test_each_figure_is_read_back_by_its_row_alone() -> None:
    """Scale, sign and width of every figure; and that no register is left without a row."""
    one = engine(0, **dict(FIGURES.values()))
    words = input_registers(board(one), one)
    for row in REGISTERS:
        if row.signal in FIGURES:
            assert raw(row, words) / float(row.scale) == pytest.approx(FIGURES[row.signal][1])
    spans = [[int(n) for n in row.address.split("-")] for row in REGISTERS]
    assert [n for span in spans for n in range(span[0], span[-1] + 1)] == list(range(len(words)))


def test_what_is_not_known_reads_as_the_row_names_it() -> None:
    """Every figure without a value."""
    one = engine(0, **{name: None for name, _ in FIGURES.values()})
    words = input_registers(board(one), one)
    for row in REGISTERS:
        if row.signal in FIGURES:
            first = int(row.address.split("-")[0])
            width = 2 if "-" in row.address else 1
            assert "".join(f"{w:04X}" for w in words[first : first + width]) == row.unknown.removeprefix("0x")


def test_states_and_counts_are_as_their_rows_name_them() -> None:
    """Running, priority and quality bits by the texts of their rows."""
    texts = {row.signal: row.text for row in REGISTERS}
    for state in Running:
        one = engine(0, running=state)
        assert f"{input_registers(board(one), one)[2]} {state.value}" in texts["running"].split(", ")
    one = engine(0, (alarm(1), alarm(12)))
    words = input_registers(board(one), one)
    assert words[12:15] == [2, 2, 3] and "3 alarm" in texts["highest priority that stands"]


def test_each_alarm_has_its_bits_coil_and_identifier() -> None:
    """Over every row of the alarm table."""
    rows = list(signals())
    for row in ROWS:
        one = engine(0, (alarm(row.no),))
        bits = discrete_inputs(board(one), one)
        stands, waits = [s for s in rows if s.kind == "discrete input" and s.signal.split(" ")[0] == row.tag]
        assert bits[int(stands.address)] and bits[int(waits.address)] and sum(bits) == 2
        (coil,) = [s for s in rows if s.kind == "coil" and s.signal == f"acknowledge {row.tag}"]
        assert coil.address == waits.address
        (alert,) = [s for s in rows if s.kind == "alert" and s.signal == row.tag]
        assert alert.address == str(alert_id(row.no)) == str(10_001 + row.no)
        assert stands.priority == alert.priority == row.priority.value


def test_the_settings_priorities_and_outlets_are_shown() -> None:
    """One engine's own priority is named with the engine, the units and outlets are there."""
    settings = load_settings(ROOT / "config" / "two-engines.toml")
    tuned = settings.engine[0].alarms | {"lag-near": AlarmTuning(priority=Priority.ALARM)}
    first = replace(settings.engine[0], alarms=tuned)
    rows = list(signals(replace(settings, engine=[first, *settings.engine[1:]])))
    units = [(s.address, s.signal) for s in rows if s.kind == "unit identifier"]
    assert units == [(str(n + 1), f"engine {e.slug}") for n, e in enumerate(settings.engine)]
    (alert,) = [s for s in rows if s.kind == "alert" and s.signal == "lag-near"]
    assert alert.priority == f"{settings.engine[0].slug} alarm, {settings.engine[1].slug} warning"


def test_the_guide_has_the_same_rows() -> None:
    """`deploy/PANEL.md` holds each row of the list that is the same for all ships, and no other."""
    text = (ROOT / "deploy" / "PANEL.md").read_text(encoding="utf-8")
    tables = [line for line in text.splitlines() if line.startswith("|")]
    rows = [line for line in tables if not line.startswith(("| ---", "| address"))]
    assert rows == [guide_row(s) for s in signals()]


def guide_row(s: Signal) -> str:
    """A row of the guide's tables."""
    cells = (s.address, s.signal, s.unit, s.scale, s.number, s.unknown, s.priority, s.text.replace("|", "/"))
    return "| " + " | ".join(cells) + " |"


HEADS = {
    "input register": "Input registers",
    "discrete input": "Discrete inputs",
    "coil": "Coils",
    "alert": "Alerts in sentences",
}
COLUMNS = "| address | signal | unit | scale | number | not known | priority | text |"

if __name__ == "__main__":
    # The guide's tables, to be put into it after a change: PYTHONPATH=tests python tests/encode/test_panel_list.py
    for kind, title in HEADS.items():
        sys.stdout.write(f"\n## {title}\n\n{COLUMNS}\n{'| --- ' * 8}|\n")
        sys.stdout.writelines(guide_row(s) + "\n" for s in signals() if s.kind == kind)
