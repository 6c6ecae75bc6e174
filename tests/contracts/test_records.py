"""One concept, one record: no two records have the same fields, but for those below, each with its reason."""

import dataclasses
import importlib
import itertools
import pkgutil

from pydantic import BaseModel

import gateway

RECORD_FIELDS_MIN = 2
ALLOWED = {
    # What is published is text of its own, with the unit and the rounding of its figures in the schema.
    ("encode.shapes.DateRange", "encode.shapes.HoursRange"),
    ("encode.shapes.DateRange", "encode.shapes.Range"),
    ("encode.shapes.DateRange", "wear.forecast.Range"),
    ("encode.shapes.HoursRange", "encode.shapes.Range"),
    ("encode.shapes.HoursRange", "wear.forecast.Range"),
    ("encode.shapes.Range", "wear.forecast.Range"),
    ("encode.shapes.TrendLimit", "wear.trend.LimitAhead"),
    ("model.records.Measured", "outlets.page.shapes.PresentFigure"),
    ("model.snapshot.ShapeDetail", "outlets.page.shapes.CamLoads"),
    # To be written: JSON text. Read back: what it says, checked.
    ("model.output.NewBooking", "store.reader.BookingRow"),
    ("model.output.NewSheetAct", "store.reader.SheetActRow"),
}


def records() -> dict[str, tuple[type, frozenset[str]]]:
    """Each record of the gateway by its place, with the names of its fields."""
    found: dict[str, tuple[type, frozenset[str]]] = {}
    for module in pkgutil.walk_packages(gateway.__path__, "gateway."):
        if module.name.endswith("__main__"):
            continue
        for each in vars(importlib.import_module(module.name)).values():
            if not isinstance(each, type) or each.__module__ != module.name:
                continue
            if dataclasses.is_dataclass(each):
                names = frozenset(f.name for f in dataclasses.fields(each))
            elif issubclass(each, BaseModel):
                names = frozenset(each.model_fields)
            else:
                continue
            found[f"{module.name.removeprefix('gateway.')}.{each.__qualname__}"] = each, names
    return found


def test_no_two_records_have_the_same_fields() -> None:
    """Pins that a concept that crosses a floor is not written down again; one that inherits another is no repeat."""
    pairs = {
        (a, b)
        for (a, (one, fields)), (b, (other, theirs)) in itertools.combinations(sorted(records().items()), 2)
        if fields == theirs and len(fields) >= RECORD_FIELDS_MIN
        and not issubclass(one, other) and not issubclass(other, one)
    }  # fmt: skip
    assert pairs == ALLOWED
