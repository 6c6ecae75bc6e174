"""The survey file's own parts: its period, the commissioning records, and its data as CSV beside it."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gateway.cli.report_asked import span
from gateway.model.csv_text import csv_text
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.report.facts import Commissioning, Period, ShipFacts
from gateway.report.survey_tables import TABLES, median_rows, trend_rows
from gateway.store.commission_file import KeptRecord, kept_records
from gateway.store.whole_file import write_whole

if TYPE_CHECKING:
    from gateway.cli.report_read import Kept

TREND_ROWS, MEDIAN_ROWS = 5_000, 20_000
"""Eleven years of days; of medians as many means as rows."""


def survey_period(settings: Settings, from_utc: str | None, to_utc: str | None, now_s: float) -> Period:
    """Since the last survey. Raises Refused where neither settings nor command name it."""
    begin = from_utc or (settings.vessel.last_survey and f"{settings.vessel.last_survey}T00:00:00Z")
    if begin is None:
        raise Refused("the day of the last survey is not set: set vessel.last_survey in the settings, or give --from")
    return span(begin, to_utc, now_s)


def commissionings(folder: Path, settings: Settings, slugs: Sequence[str]) -> list[Commissioning]:
    """The kept commissioning records of these engines, earlier fittings among them."""
    return [
        Commissioning(
            engine=r.engine,
            title=f"{'earlier record' if r.earlier else 'record'}, {_signed(r)}",
            text=r.text,
            open=() if r.earlier else (r.fault,) if r.fault else r.open,
        )
        for r in kept_records(folder, settings.vessel.slug)
        if r.engine in slugs
    ]


def _signed(r: KeptRecord) -> str:
    names = ", ".join(f"{s['role']} {s['name']}" for s in r.signed if s["valid"])
    return f"signed by {names}" if names else "not signed"


def write_tables(path: Path, s: ShipFacts, record: "Kept") -> list[Path]:
    """The data beside the file, `<its name>-<table>.csv`. Raises StorageError."""
    made = []
    for table in TABLES:
        rows = table.rows(s)
        for e in s.engines if table.name in ("trends", "readings") else ():
            slug, p = e.settings.slug, s.period
            if table.name == "trends":
                rows += trend_rows(slug, record.history.trends(slug, p.from_s, p.to_s, TREND_ROWS))
            elif not s.ashore:
                points = min(MEDIAN_ROWS, max(1, int((p.to_s - p.from_s) / 3_600)))
                rows += median_rows(slug, record.history.median_points(slug, p.from_s, p.to_s, points))
        to = path.with_name(f"{path.stem}-{table.name}.csv")
        write_whole(to, csv_text([[c.name for c in table.columns], *rows]).encode())
        made.append(to)
    return made
