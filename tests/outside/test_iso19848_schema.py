"""Our ISO 19848 packages against the standard's public JSON schemas.

Source: ISO 19848:2024, "Standard data for shipboard machinery and equipment", in the JSON schemas that are published
in an open repository with the identifiers `urn:ISO19848:Ship_Data_Transport` and `urn:ISO19848:Ship_Data_Definition`
(read in November 2026). Their facts, which keys stand where, which must, of which type, are put down below in our own
notation and made into a JSON Schema by `schema`; `*` marks a key that must be there, `+` an object that takes others.
"""

from typing import Any

import jsonschema
import pytest

from gateway.encode import iso19848 as iso
from gateway.encode import messages as m
from gateway.encode.checked import parse_event, trend_of
from gateway.model.enums import AlarmState, Priority, Quality
from gateway.model.records import Median, Transition

UTC = 1_795_000_000.0
TIME, TEXT, COUNT, NUMBER = "time", "text", "count", "number"
REFERENCE = {"ID*": TEXT, "TimeStamp*": TIME}
TRANSPORT = {
    "Package*": {
        "Header": {"+": True, "ShipID*": TEXT, "TimeSpan": {"Start*": TIME, "End*": TIME}, "DateCreated": TIME,
                   "DateModified": TIME, "Author": TEXT, "SystemConfiguration": [REFERENCE]},
        "TimeSeriesData*": [
            {"+": True,
             "DataConfiguration": REFERENCE,
             "TabularData": [
                 {"NumberOfDataSet": COUNT, "NumberOfDataChannel": COUNT, "DataChannelID": [TEXT],
                  "DataSet": [{"TimeStamp*": TIME, "Value*": [TEXT], "Quality": [TEXT]}]}],
             "EventData": {
                 "NumberOfDataSet": COUNT,
                 "DataSet": [{"TimeStamp*": TIME, "DataChannelID*": TEXT, "Value*": TEXT, "Quality": TEXT}]}}],
    }
}  # fmt: skip
RESTRICTION = {
    "Enumeration": [TEXT], "FractionDigits": COUNT, "Length": COUNT, "MaxExclusive": NUMBER, "MaxInclusive": NUMBER,
    "MaxLength": COUNT, "MinExclusive": NUMBER, "MinInclusive": NUMBER, "MinLength": COUNT, "Pattern": TEXT,
    "TotalDigits": COUNT, "WhiteSpace": TEXT,
}  # fmt: skip
DEFINITION = {
    "Package*": {
        "Header*": {"+": True, "ShipID*": TEXT, "DataChannelListID*": {**REFERENCE, "Version": TEXT}, "Author": TEXT,
                    "VersionInformation": [{"NamingRule*": TEXT, "NamingSchemeVersion*": TEXT, "ReferenceURL": TEXT}],
                    "DateCreated": TIME},
        "DataChannelList*": {"DataChannel*": [
            {"DataChannelID*": {"LocalID*": TEXT, "ShortID": TEXT, "NameObject": {"+": True, "NamingRule*": TEXT}},
             "Property*": {
                 "+": True,
                 "DataChannelType*": {"Type*": TEXT, "UpdateCycle": NUMBER, "CalculationPeriod": NUMBER},
                 "Format*": {"Type*": TEXT, "Restriction": RESTRICTION},
                 "Range": {"High*": NUMBER, "Low*": NUMBER},
                 "Unit": {"+": True, "UnitSymbol*": TEXT, "QuantityName": TEXT},
                 "QualityCoding": TEXT, "AlertPriority": TEXT, "Name": TEXT, "Remarks": TEXT}}]},
    }
}  # fmt: skip
RFC3339 = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$"
LEAVES: dict[str, dict[str, Any]] = {
    TIME: {"type": "string", "pattern": RFC3339},
    TEXT: {"type": "string"},
    COUNT: {"type": "integer", "minimum": 0},
    NUMBER: {"type": "number"},
}


def schema(shape: Any) -> dict[str, Any]:
    """The notation above as JSON Schema."""
    if isinstance(shape, str):
        return LEAVES[shape]
    if isinstance(shape, list):
        return {"type": "array", "items": schema(shape[0])}
    keys = {k.rstrip("*"): schema(v) for k, v in shape.items() if k != "+"}
    must = [k[:-1] for k in shape if k.endswith("*")]
    return {"type": "object", "properties": keys, "required": must, "additionalProperties": "+" in shape}


def judge(shape: Any, made: Any) -> None:
    """Raises what the schema says."""
    jsonschema.Draft202012Validator(schema(shape)).validate(made)


SHIP = iso.Ship("IMO0000000", "tern-passage")
MEDIANS = [
    Median(UTC + 600 * n, 21_400.0 + n / 6, 900, 1.25 + n, 0.01, 180.1, None, 92.0, 51.2, None, 0.75) for n in range(3)
]


def events() -> list[tuple[str, iso.Event]]:
    """One of each kind."""
    t = Transition(
        0, "main", "lag-limit", Priority.ALARM, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, 2.05, 2.0, "°", "late"
    )
    bodies = [
        ("main", m.alarm_event_body(t, UTC, 1.0)),
        ("main", m.adjustment_event_body("retightened", UTC + 5, 1.0, by="c/e", before={}, after={})),
        ("", m.gateway_event_body("started", UTC + 9_000, version="0.1.0")),
    ]
    uuid = "3f0c1d2e-0000-4000-8000-00000000abcd"
    return [(e, parse_event(m.event_payload(uuid, n, body))) for n, (e, body) in enumerate(bodies, start=1)]


def made() -> dict[str, Any]:
    return iso.package(SHIP, [iso.median_table("main", MEDIANS)], events(), UTC + 10_000)


def test_a_package_is_valid_by_the_transport_schema() -> None:
    """Pins medians and events of all kinds to the public schema."""
    judge(TRANSPORT, made())


def test_an_empty_package_is_valid() -> None:
    """Pins that a ship that has nothing to say gives a valid package."""
    judge(TRANSPORT, iso.package(SHIP, [iso.median_table("main", [])], [], UTC))


def test_the_channel_list_is_valid_by_the_definition_schema() -> None:
    """Pins the list, with engines and the gateway's own, to the public schema."""
    engines = {"main": iso.MEDIAN_CHANNELS, "aux": iso.TREND_CHANNELS, "": ()}
    judge(DEFINITION, iso.channel_list(SHIP, engines, UTC))


@pytest.mark.parametrize("spoil", ["ShipID", "Value", "Quality", "TimeStamp"])
def test_the_transcribed_schema_can_refuse(spoil: str) -> None:
    """Pins that the schema above is no rubber stamp: a figure for a string, or a missing key, is refused."""
    wrong = made()
    header, series = wrong["Package"]["Header"], wrong["Package"]["TimeSeriesData"][0]
    first = series["TabularData"][0]["DataSet"][0]
    if spoil == "ShipID":
        del header["ShipID"]
    elif spoil == "TimeStamp":
        first["TimeStamp"] = "yesterday"
    else:
        first[spoil][0] = 0
    with pytest.raises(jsonschema.ValidationError):
        judge(TRANSPORT, wrong)


def test_values_are_strings_and_quality_nought_is_good() -> None:
    """Pins the standard's two rules on values; what is not known is empty and not good."""
    table = made()["Package"]["TimeSeriesData"][0]["TabularData"][0]
    at = {name.rsplit("/", 1)[1]: i for i, name in enumerate(table["DataChannelID"])}
    row = table["DataSet"][1]
    assert (row["Value"][at["lag_deg"]], row["Quality"][at["lag_deg"]]) == ("2.2500", "0")
    assert (row["Value"][at["frame_c"]], row["Quality"][at["frame_c"]]) == ("", iso.BAD)
    uncertain = iso.Table("main", iso.MEDIAN_CHANNELS[:1], [(UTC, [-0.00001])], Quality.UNCERTAIN)
    (set_,) = iso.package(SHIP, [uncertain], [], UTC)["Package"]["TimeSeriesData"][0]["TabularData"][0]["DataSet"]
    assert (set_["Value"], set_["Quality"]) == (["0.0000"], [iso.UNCERTAIN])


def test_counts_and_span_are_those_of_the_data() -> None:
    """Pins the numbers of data sets and channels, and the span from the first to the last."""
    package = made()["Package"]
    series = package["TimeSeriesData"][0]
    table = series["TabularData"][0]
    assert (table["NumberOfDataSet"], table["NumberOfDataChannel"]) == (3, len(iso.MEDIAN_CHANNELS))
    assert all(len(d["Value"]) == len(d["Quality"]) == table["NumberOfDataChannel"] for d in table["DataSet"])
    assert series["EventData"]["NumberOfDataSet"] == len(series["EventData"]["DataSet"]) == 3
    assert package["Header"]["TimeSpan"] == {"Start": m.rfc3339(UTC), "End": m.rfc3339(UTC + 9_000)}


def test_every_channel_that_a_package_uses_is_in_the_list() -> None:
    """Pins that a reader finds what each identifier means, also under another naming rule."""
    ship = iso.Ship("IMO0000000", "tern-passage", renamed={"main/lag_deg": "/other/rule/lag"})
    package = iso.package(ship, [iso.median_table("main", MEDIANS)], events(), UTC)["Package"]["TimeSeriesData"][0]
    used = set(package["TabularData"][0]["DataChannelID"]) | {
        d["DataChannelID"] for d in package["EventData"]["DataSet"]
    }
    channels = iso.channel_list(ship, {"main": iso.MEDIAN_CHANNELS, "": ()}, UTC)["Package"]["DataChannelList"]
    listed = [c["DataChannelID"]["LocalID"] for c in channels["DataChannel"]]
    assert used <= set(listed) and len(listed) == len(set(listed))
    assert "/other/rule/lag" in used


def test_the_trends_of_the_shore_make_a_package_too() -> None:
    """Pins the table that the shore exports."""
    unknown = {"p05": None, "p50": None, "p95": None}
    trend = trend_of(
        {"ts": m.rfc3339(UTC), "hours": 1.0, "lag_deg": {**unknown, "p50": 1.5}, "lag_deg_per_1000h": unknown,
         "elongation_percent": {**unknown, "p50": 0.4}, "elongation_percent_per_1000h": unknown, "limits": [],
         "hours_since": {"retightened": None, "camshaft_set": None}, "agreement": "unknown", "causes": [],
         "decision": {"do": "nothing", "why": ""}}
    )  # fmt: skip
    package = iso.package(SHIP, [iso.trend_table("main", [trend])], [], UTC)
    judge(TRANSPORT, package)
    (row,) = package["Package"]["TimeSeriesData"][0]["TabularData"][0]["DataSet"]
    assert row["Value"] == ["1.5000", "", "0.4000"]
    assert iso.text(package) == iso.text(package) and '"ShipID": "IMO0000000"' in iso.text(package)
