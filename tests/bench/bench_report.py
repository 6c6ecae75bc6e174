"""How long does a report take, and how much memory, over a year and over five years of one engine?

As HTML, as PDF, and as survey file with its CSV. The store is written by the product's own writers: ten-minute
medians for 400 days, hourly before, a trend for each day. Each report is a process of its own; beside it stands that
with nothing to read (`camdrift schema event`).
Run: `python tests/bench/bench_report.py`.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import report_rig as rig  # noqa: E402

from gateway.encode.messages import dump  # noqa: E402
from gateway.model.settings_file import load_settings  # noqa: E402
from gateway.store.history import History  # noqa: E402

# The peak is the process's own since it began (VmHWM); getrusage would count the one that started it.
RUN = """
import sys
from pathlib import Path
from gateway.cli.main import main
status = main(sys.argv[1:])
peak = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmHWM"))
print(peak.split()[1], file=sys.stderr)
sys.exit(status)
"""


def cost(*words: str) -> tuple[float, float]:
    """Seconds, and peak resident MiB, of a command."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RUN, *words], capture_output=True, text=True, cwd=rig.CONFIG.parent, check=True
    )
    return time.perf_counter() - began, int(done.stderr.split()[-1]) / 1024


def main() -> None:
    """Measure and print."""
    print(f"{'':24s} {'seconds':>8s} {'MiB':>8s} {'file, kB':>9s}")
    s, mib = cost("schema", "event")
    print(f"{'nothing to read':24s} {s:8.2f} {mib:8.1f}")
    for years in (1, 5):
        with tempfile.TemporaryDirectory() as folder:
            config = rig.settings_file(Path(folder))
            settings = load_settings(config)
            voyage = rig.Voyage(days=365 * years)
            rig.write(settings, {"main": voyage}, events=[rig.started(rig.BEGIN_S)])
            end_s = rig.BEGIN_S + voyage.days * rig.DAY_S
            history = History(settings.gateway.data_dir, settings.gateway.history_mb)
            for day in range(voyage.days):
                at_s = rig.BEGIN_S + (day + 0.9) * rig.DAY_S
                history.add_trend("main", at_s, dump(rig.trend(at_s, 21_500.0 + 20 * day)))
            while history.thin(end_s):
                pass
            history.close()
            span = ("--from", "2027-03-01T00:00:00Z", "--to", f"{2027 + years}-02-27T00:00:00Z")
            for what, name, more in (
                ("HTML", "x.html", ()),
                ("PDF", "x.pdf", ()),
                ("survey file", "s.pdf", ("--survey",)),
            ):
                out = Path(folder) / name
                s, mib = cost("report", str(config), "--out", str(out), *span, *more)
                kb = sum(
                    p.stat().st_size for p in Path(folder).glob(f"{out.stem}*") if p.suffix in (out.suffix, ".csv")
                )
                print(f"{f'{years} years, {what}':24s} {s:8.2f} {mib:8.1f} {kb / 1000:9.1f}")


if __name__ == "__main__":
    main()
