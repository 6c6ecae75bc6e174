"""Scenarios: what engine, drive, sensors and faults are played. Every default is the invented vessel's."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from pydantic import Field, ValidationError, model_validator

from firmware_sim.chain_path import Layout, LoopOpenError, chain_path
from firmware_sim.events import Event
from firmware_sim.sea_tables import BuildTable, CamsTable, ClockTable, SeaTable, WiringTable
from firmware_sim.sections import Section
from firmware_sim.tables import (
    ChainTable,
    EngineTable,
    HeadTable,
    RunSettings,
    ShaftsTable,
    ThermalTable,
    TightenerTable,
    TransducerTable,
)


class ScenarioError(Exception):
    """The scenario is refused (exit status 78). `faults`: one line per mistake, `file: key: what is wrong`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Scenario(Section):
    """The whole file."""

    run: RunSettings = RunSettings()
    head: HeadTable = HeadTable()
    engine: EngineTable = EngineTable()
    shafts: ShaftsTable = ShaftsTable()
    chain: ChainTable = ChainTable()
    tightener: TightenerTable = TightenerTable()
    transducer: TransducerTable = TransducerTable()
    thermal: ThermalTable = ThermalTable()
    sea: SeaTable = SeaTable()
    cams: CamsTable = CamsTable()
    wiring: WiringTable = WiringTable()
    clock: ClockTable = ClockTable()
    build: BuildTable = BuildTable()
    event: list[Event] = Field(default=[], max_length=10_000)

    @model_validator(mode="after")
    def _restarts_apart(self) -> Scenario:
        ups = sorted((e.at_s, e.at_s + e.down_s) for e in self.event if e.kind == "restart")
        if any(later[0] < earlier[1] for earlier, later in pairwise(ups)):
            raise ValueError("a restart begins before the one before it is over")
        return self

    @model_validator(mode="after")
    def _loop_closes(self) -> Scenario:
        try:
            chain_path(self.layout)
        except LoopOpenError as e:
            raise ValueError(f"chain, tightener: {e}") from None
        return self

    @property
    def layout(self) -> Layout:
        """The chain's way round its wheels."""
        c = self.chain
        return Layout(
            pitch=c.pitch_mm,
            crank_teeth=c.crank_teeth,
            cam_teeth=c.cam_teeth,
            tightener_teeth=c.tightener_teeth,
            links=c.loop_links,
            taut_links=c.taut_links,
            wrap_rad=math.radians(self.tightener.wrap_deg),
            ride_out=c.ride_out,
            outside=c.tightener_outside,
        )

    def changed(self, **tables: dict[str, Any]) -> Scenario:
        """A copy with some keys of some tables set anew: `changed(head={"rate_hz": 200})`. Raises ScenarioError."""
        data = self.model_dump()
        for table, keys in tables.items():
            data[table] |= keys
        return checked(data, "changed")


def checked(data: object, source: str) -> Scenario:
    """The scenario in parsed TOML; `source` names it in errors. Raises ScenarioError with one line per fault."""
    try:
        return Scenario.model_validate(data)
    except ValidationError as e:
        raise ScenarioError([_line(source, dict(err)) for err in e.errors()]) from None


def _line(source: str, err: dict[str, object]) -> str:
    loc = err["loc"]
    assert isinstance(loc, tuple)
    key = ".".join(str(p) for p in loc) or "(whole file)"
    text = str(err["msg"]).removeprefix("Value error, ")
    if err["type"] == "extra_forbidden":
        text = "unknown key; remove it or correct its spelling"
    elif err["type"] == "missing":
        text = "missing; this key must be given"
    elif err["type"] == "union_tag_not_found":
        key, text = f"{key}.kind", "missing; this key must be given"
    elif err["type"] == "union_tag_invalid":
        key, text = f"{key}.kind", f"{_context(err, 'tag')!r} is unknown; allowed: {_context(err, 'expected_tags')}"
    elif not isinstance(err.get("input"), dict | list):
        text = f"{text}, not {err.get('input')!r}"
    return f"{source}: {key}: {text}"


def _context(err: dict[str, object], name: str) -> object:
    context = err.get("ctx")
    return context.get(name, "") if isinstance(context, dict) else ""
