"""Makes a report for a page, aboard or ashore, as a process of its own: what it is to do on stdin, the file on stdout.

So no report takes the interpreter, or the memory, from what measures; the daemon starts and bounds it
(`app/reports.py`). `kind`: "html", "pdf", or "survey" for a ZIP of the survey file as PDF and its tables as
CSV; "survey-html" for that file alone, "survey-tables" for a ZIP with it as HTML, which needs no extra.
"""

import contextlib
import io
import json
import os
import sys
import tempfile
import time
import zipfile
from pathlib import Path
from typing import Any

from gateway.cli.report_asked import Asked, Named, engines, span
from gateway.cli.report_files import printed
from gateway.cli.report_read import Kept, Record, ship_facts
from gateway.cli.report_survey import survey_period, write_tables
from gateway.model.errors import CamdriftError
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from gateway.outlets.page.mask import Mask
from gateway.report.facts import Period, ShipFacts
from gateway.report.page import page

NICE = 10


def main() -> int:
    """0 with the report; 1 with one line on stderr."""
    give_way()
    asked = json.load(sys.stdin)
    kind = asked["kind"]
    settings = checked_settings(asked["settings"])
    try:
        slugs = engines(settings, asked["engine"])
        record = _record(asked, settings)
        try:
            now_s = max(time.time(), record.latest_s(slugs))
            period = _period(asked, settings, now_s)
            people = Named() if asked["names"] else Mask(u.name for u in settings.page.users)
            facts = ship_facts(settings, record, Asked(slugs, period, kind.startswith("survey")), now_s, people)
            html = page(facts)
            ending = "html" if kind in ("html", "survey-html", "survey-tables") else "pdf"
            made = html.encode() if ending == "html" else printed(html)
            if kind in ("survey", "survey-tables"):
                made = _zipped(made, ending, facts, record)
        finally:
            record.close()
    except CamdriftError as e:
        sys.stderr.write(f"{e}\n")
        return 1
    sys.stdout.buffer.write(made)
    return 0


def _zipped(file: bytes, ending: str, facts: ShipFacts, record: Kept) -> bytes:
    name = f"{facts.vessel.slug}-survey-{facts.period.key}.{ending}"
    out = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as kept:
        kept.writestr(name, file)
        for table in write_tables(Path(folder, name), facts, record):
            kept.write(table, table.name)
    return out.getvalue()


def _period(asked: dict[str, Any], settings: Settings, now_s: float) -> Period:
    """From then to then; or the last `days`, or for a survey file without either since the last survey."""
    if "from_s" in asked:
        return span(asked["from_s"], asked["to_s"], now_s)
    if "days" in asked:
        return span(now_s - asked["days"] * 86_400.0, now_s, now_s)
    return survey_period(settings, None, None, now_s)


def _record(asked: dict[str, Any], settings: Settings) -> Kept:
    """That of the data folder aboard, or the vessel's part of the shore's store."""
    if "store" not in asked:
        return Record(Path(asked["data_dir"]))
    from gateway.cli.shore_record import ShoreRecord

    return ShoreRecord(asked["store"], settings.vessel.slug)


def give_way() -> None:
    """Whatever the kernel lets it: less of the processor, and the first to go where memory is short."""
    with contextlib.suppress(OSError):
        os.nice(NICE)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


if __name__ == "__main__":
    sys.exit(main())
