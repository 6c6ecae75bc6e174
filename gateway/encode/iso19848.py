"""ISO 19848 packages in JSON: time series of medians, readings or trends, events, and the list of data channels. Pure.

After ISO 19848:2024 in the form of its public JSON schemas (`urn:ISO19848:Ship_Data_Transport` for the time series,
`urn:ISO19848:Ship_Data_Definition` for the list): all values are strings, quality "0" is good. What is not known is an
empty string with a quality for that.

The local identifiers follow our own naming rule, `urn:camdrift:naming:1`: `/camdrift/1/<vessel>/<engine>/<name>`. An
owner who uses another rule gives the mapping in `renamed`.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from gateway.encode.messages import AdjustmentEvent, AlarmEvent, GatewayEvent, TrendMessage
from gateway.encode.times import rfc3339, utc_of
from gateway.model.enums import Quality
from gateway.model.records import Median

GOOD, UNCERTAIN, BAD = "0", "1", "2"
"""Our coding, named in each channel as `QualityCoding`; "0" = good is the standard's usual one."""
QUALITY_CODING = "0 good, 1 uncertain, 2 bad or not known"
NAMING_RULE = "urn:camdrift:naming:1"
_QUALITY = {Quality.GOOD: GOOD, Quality.UNCERTAIN: UNCERTAIN, Quality.BAD: BAD}

Event = AlarmEvent | AdjustmentEvent | GatewayEvent
Kind = Literal["Inst", "Average", "Alert"]
"""Of the standard's types of channels, those used here; their names from memory, the public schema leaves them open."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One data channel of an engine. `cycle_s`: how often it comes; `period_s`: what a value is the median of."""

    name: str
    title: str
    unit: str
    quantity: str
    digits: int
    low: float
    high: float
    kind: Kind = "Average"
    cycle_s: float = 600.0
    period_s: float | None = 600.0


MEDIAN_CHANNELS = (
    Channel("lag_deg", "Timing lag of the camshaft, late is positive", "°", "PlaneAngle", 4, -30, 30),
    Channel("lag_mad_deg", "Spread of the timing lag (median absolute deviation)", "°", "PlaneAngle", 4, 0, 30),
    Channel("spring_mm", "Length of the tightener's spring", "mm", "Length", 3, 0, 2_000),
    Channel("spring_mad_mm", "Spread of the spring's length (median absolute deviation)", "mm", "Length", 3, 0, 2_000),
    Channel("rpm", "Speed of the crankshaft", "1/min", "RotationalFrequency", 2, 0, 2_000),
    Channel("casing_c", "Temperature of the chain casing", "°C", "Temperature", 1, -60, 200),
    Channel("frame_c", "Temperature of the engine's frame", "°C", "Temperature", 1, -60, 200),
    Channel("load", "Fuel index, 0 to 1", "1", "DimensionlessRatio", 3, 0, 1.5),
    Channel("hours", "Running hours", "h", "Time", 3, 0, 1_000_000),
)
"""Ten-minute medians of steady running ahead, as the history keeps them."""

TREND_CHANNELS = (
    Channel("trend_lag_deg", "Timing lag, smoothed", "°", "PlaneAngle", 4, -30, 30, "Inst", 3_600.0, None),
    Channel("trend_lag_deg_per_1000h", "Growth of the lag in 1,000 h", "°", "PlaneAngle", 4, -30, 30, "Inst", 3_600.0,
            None),
    Channel("trend_elongation_percent", "Elongation of the chain", "%", "DimensionlessRatio", 4, -1, 5, "Inst", 3_600.0,
            None),
)  # fmt: skip
"""What the shore has: the hourly trends."""

EVENT_CHANNEL = Channel(
    "event", "Alarms, adjustments and the gateway's own events", "", "", 0, 0, 0, "Alert", 0.0, None
)


@dataclass(frozen=True, slots=True)
class Ship:
    """Whose data. `ship_id`: as the standard has it, for instance `IMO` and seven figures; else the vessel's name."""

    ship_id: str
    vessel: str
    author: str = "camdrift"
    renamed: Mapping[str, str] | None = None

    def local_id(self, engine: str, name: str) -> str:
        """The channel's identifier; `renamed` maps `engine/name` to another rule's."""
        short = f"{engine}/{name}" if engine else name
        return (self.renamed or {}).get(short) or f"/camdrift/1/{self.vessel}/{short}"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows at points of time of one engine: values in the order of `channels`, None = not known."""

    engine: str
    channels: Sequence[Channel]
    rows: Sequence[tuple[float, Sequence[float | None]]]
    quality: Quality = Quality.GOOD
    """Of the values that are there."""


def median_table(engine: str, medians: Iterable[Median]) -> Table:
    """The history of an engine."""
    names = [c.name for c in MEDIAN_CHANNELS]
    return Table(engine, MEDIAN_CHANNELS, [(m.utc_s, [getattr(m, n) for n in names]) for m in medians])


def trend_table(engine: str, trends: Iterable[TrendMessage]) -> Table:
    """The trends of an engine: medians of each range."""
    return Table(
        engine,
        TREND_CHANNELS,
        [(utc_of(t.ts), [t.lag_deg.p50, t.lag_deg_per_1000h.p50, t.elongation_percent.p50]) for t in trends],
    )


def package(
    ship: Ship, tables: Sequence[Table], events: Iterable[tuple[str, Event]], created_utc_s: float
) -> dict[str, Any]:
    """A time-series package. `events`: (engine's slug or '', event). Empty tables and no events are left out."""
    given = list(events)
    stamps = [t for table in tables for t, _ in table.rows] + [utc_of(e.ts) for _, e in given]
    header: dict[str, Any] = {"ShipID": ship.ship_id}
    if stamps:
        header["TimeSpan"] = {"Start": rfc3339(min(stamps)), "End": rfc3339(max(stamps))}
    header |= {"DateCreated": rfc3339(created_utc_s), "Author": ship.author}
    configuration = {"ID": list_id(ship), "TimeStamp": rfc3339(created_utc_s)}
    series: dict[str, Any] = {"DataConfiguration": configuration}
    tabular = [_tabular(ship, table) for table in tables if table.rows]
    if tabular:
        series["TabularData"] = tabular
    if given:
        series["EventData"] = {"NumberOfDataSet": len(given), "DataSet": [_event(ship, *pair) for pair in given]}
    return {"Package": {"Header": header, "TimeSeriesData": [series]}}


def channel_list(ship: Ship, engines: Mapping[str, Sequence[Channel]], created_utc_s: float) -> dict[str, Any]:
    """The package that describes each channel. `engines`: slug → its channels beside events; '' = the gateway."""
    channels = [
        _channel(ship, engine, channel) for engine, held in engines.items() for channel in (*held, EVENT_CHANNEL)
    ]
    header = {
        "ShipID": ship.ship_id,
        "DataChannelListID": {"ID": list_id(ship), "Version": "1", "TimeStamp": rfc3339(created_utc_s)},
        "VersionInformation": [{"NamingRule": NAMING_RULE, "NamingSchemeVersion": "1"}],
        "Author": ship.author,
        "DateCreated": rfc3339(created_utc_s),
    }
    return {"Package": {"Header": header, "DataChannelList": {"DataChannel": channels}}}


def list_id(ship: Ship) -> str:
    """The name of the ship's data channel list."""
    return f"camdrift/{ship.vessel}/channels"


def text(made: Mapping[str, Any]) -> str:
    """JSON, indented; the same input gives the same text."""
    return json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False)


def _tabular(ship: Ship, table: Table) -> dict[str, Any]:
    return {
        "NumberOfDataSet": len(table.rows),
        "NumberOfDataChannel": len(table.channels),
        "DataChannelID": [ship.local_id(table.engine, c.name) for c in table.channels],
        "DataSet": [_data_set(table, utc_s, values) for utc_s, values in table.rows],
    }


def _data_set(table: Table, utc_s: float, values: Sequence[float | None]) -> dict[str, Any]:
    known = _QUALITY[table.quality]
    return {
        "TimeStamp": rfc3339(utc_s),
        "Value": [_figure(v, c.digits) for v, c in zip(values, table.channels, strict=True)],
        "Quality": [BAD if v is None else known for v in values],
    }


def _figure(value: float | None, digits: int) -> str:
    """Decimal, never with an exponent, no negative zero."""
    return "" if value is None else f"{round(value, digits) + 0.0:.{digits}f}"


def _event(ship: Ship, engine: str, e: Event) -> dict[str, Any]:
    """On the engine's event channel; the value is what happened, in one line of `key=value`, the free text last."""
    if isinstance(e, AlarmEvent):
        pairs = [f"tag={e.tag}", f"from={e.came_from.value}", f"to={e.to.value}", f"priority={e.priority.value}"]
        pairs += [f"value={e.value:g} {e.unit}".rstrip()] if e.value is not None else []
    else:
        pairs = [f"what={e.what}"]
    why = f"; {e.why}" if isinstance(e, AlarmEvent) and e.why else ""
    value = ";".join([f"seq={e.seq}", f"kind={e.kind}", *pairs, f"text={e.text}{why}"])
    return {"TimeStamp": e.ts, "DataChannelID": ship.local_id(engine, "event"), "Value": value, "Quality": GOOD}


def _channel(ship: Ship, engine: str, c: Channel) -> dict[str, Any]:
    kind: dict[str, Any] = {"Type": c.kind}
    if c.cycle_s:
        kind["UpdateCycle"] = c.cycle_s
    if c.period_s:
        kind["CalculationPeriod"] = c.period_s
    properties: dict[str, Any] = {"DataChannelType": kind}
    if c.unit:
        properties |= {
            "Format": {"Type": "Decimal", "Restriction": {"FractionDigits": c.digits}},
            "Range": {"High": c.high, "Low": c.low},
            "Unit": {"UnitSymbol": c.unit, "QuantityName": c.quantity},
        }
    else:
        properties["Format"] = {"Type": "String"}
    properties |= {"QualityCoding": QUALITY_CODING, "Name": c.title}
    return {
        "DataChannelID": {"LocalID": ship.local_id(engine, c.name), "NameObject": {"NamingRule": NAMING_RULE}},
        "Property": properties,
    }
