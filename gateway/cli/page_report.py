"""Makes a report for the page, as a process of its own: what it is to do on stdin, the HTML on stdout.

So no report takes the interpreter, or the memory, from what measures; the daemon starts and bounds it
(`app/reports.py`).
"""

import contextlib
import json
import os
import sys
import time
from pathlib import Path

from gateway.cli.report_asked import Asked, Named, engines, span
from gateway.cli.report_read import Record, ship_facts
from gateway.model.errors import CamdriftError
from gateway.model.settings_file import checked_settings
from gateway.outlets.page.mask import Mask
from gateway.report.page import page

NICE = 10


def main() -> int:
    """0 with the report; 1 with one line on stderr."""
    give_way()
    asked = json.load(sys.stdin)
    settings = checked_settings(asked["settings"])
    try:
        slugs = engines(settings, asked["engine"])
        record = Record(Path(asked["data_dir"]))
        try:
            now_s = max(time.time(), record.latest_s(slugs))
            period = span(asked["from_s"], asked["to_s"], now_s)
            people = Named() if asked["names"] else Mask(u.name for u in settings.page.users)
            html = page(ship_facts(settings, record, Asked(slugs, period), now_s, people))
        finally:
            record.close()
    except CamdriftError as e:
        sys.stderr.write(f"{e}\n")
        return 1
    sys.stdout.write(html)
    return 0


def give_way() -> None:
    """Whatever the kernel lets it: less of the processor, and the first to go where memory is short."""
    with contextlib.suppress(OSError):
        os.nice(NICE)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


if __name__ == "__main__":
    sys.exit(main())
