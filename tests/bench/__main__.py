"""All that this job costs, in one table: each row beside its bound, its rival or what is due, as a ratio in one run.

Run: `python -m tests.bench [--quick] [--markdown]`. `--quick` takes about three minutes, the whole about 25: what is
written to disk comes in steps of two and of ten minutes and is counted over whole ones. The bench of bytes ashore needs
root and half an hour: `python tests/bench/bench_shore_bytes.py`. Memory is that of the Python that runs the bench: for
the product alone, run it from a fresh environment (`pip install . pytest`), where few other libraries are drawn in.
"""

import argparse
import platform
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent), str(HERE)]

import bench_replay as replay  # noqa: E402
import daemon_rig as rig  # noqa: E402
import page_rig  # noqa: E402
from bench_live import Use, use_of  # noqa: E402
from firmware_sim_voyages import capture  # noqa: E402
from plain_script import Script  # noqa: E402
from service_environment import service_environment  # noqa: E402

from gateway.store.history_reader import HistoryReader  # noqa: E402

DAY_S = 86_400.0
WRITTEN_OVER_S = 600.0
"""Five flushes of the history, five checkpoints, one median: the least that shows how a day's writing goes."""
FIVE_YEARS_D = 1_826


class Row(NamedTuple):
    """`beside`: the bound, the rival or what is due, in the same unit. `ratio`: found over beside."""

    what: str
    found: float | None
    unit: str
    beside: float | None = None
    beside_what: str = ""

    def cells(self) -> list[str]:
        """For the table."""
        found = (
            "not run" if self.found is None else f"{self.found:,.3g}" if self.found < 1_000 else f"{self.found:,.0f}"
        )
        if self.beside is None:
            return [self.what, found, self.unit, "", self.beside_what, ""]
        beside = f"{self.beside:,.3g}" if self.beside < 1_000 else f"{self.beside:,.0f}"
        ratio = "" if self.found is None else f"{self.found / self.beside:.2f}"
        return [self.what, found, self.unit, beside, self.beside_what, ratio]


def cpu_s(work: Callable[[bytes], int], data: bytes, repeats: int) -> float:
    """The least CPU time of several runs: steadier than the wall where others use the machine."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        assert work(data)
        times.append(time.process_time() - begin)
    return min(times)


def plain(data: bytes) -> int:
    """The plain script over the whole file."""
    script, n = Script(), 0
    for at in range(0, len(data), replay.FEED_BYTES):
        n += sum(1 for _ in script.feed(data[at : at + replay.FEED_BYTES]))
    return n


def replayed(quick: bool) -> Iterator[Row]:
    """An hour of a head at 500 Hz, from bytes to sayings."""
    seconds = 900.0 if quick else 3_600.0
    data, repeats = capture("", seconds), 3 if quick else 5
    bound_s, plain_s = cpu_s(replay.bound, data, repeats), cpu_s(plain, data, 1)
    fair_s = cpu_s(replay.figures, data, repeats)
    for what, work in (
        ("bytes to samples", replay.link_only),
        ("bytes to revolutions and seconds", replay.measure_too),
        ("replay, bytes to alarms", replay.whole),
    ):
        took_s = cpu_s(work, data, repeats)
        yield Row(what, seconds / took_s, "x real time", seconds / bound_s, "bound: one vectorised pass")
        if work is not replay.link_only:
            yield Row(what, seconds / took_s, "x real time", seconds / fair_s, "rival: such a pass, with all figures")
    yield Row("replay, bytes to alarms", seconds / took_s, "x real time", seconds / plain_s, "rival: plain script")


def private_mib(pid: int) -> float:
    """Resident memory that is the process's own: without the pages of library files, which others may share."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    found = re.search(r"^Anonymous:\s+(\d+) kB", text, re.MULTILINE)
    assert found is not None
    return int(found[1]) / 1024


def written_bytes(pid: int) -> int:
    """What the process has made the kernel write to a device so far."""
    found = re.search(r"^write_bytes: (\d+)", Path(f"/proc/{pid}/io").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1])


class Live(NamedTuple):
    """One run of the real daemon. `start_s`: from the process's start to the first reading at a subscriber."""

    start_s: float
    cpu_percent: float
    use: Use
    private_mib: float
    written_mb_day: float


def live(seconds: float, engines: int = 1, *, captures: bool = False) -> Live:
    """The daemon without its page, its heads in real time at 500 Hz, Mosquitto, a subscriber."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        data = rig.example(place, broker.port, reading_every_s=10)
        data["page"] = {"enabled": False}
        data["capture"] = {"enabled": captures, "megabytes": 512}
        one_head, one_engine = data["head"][0], data["engine"][0]
        places = [place / f"e{n}" for n in range(engines)]
        for p in places:
            p.mkdir()
        data["head"] = [{**one_head, "slug": f"head-{n}", "port": str(p / "head")} for n, p in enumerate(places)]
        data["engine"] = [{**one_engine, "slug": f"main-{n}", "head": f"head-{n}"} for n in range(engines)]
        heads = [rig.head(p) for p in places]
        try:
            for h in heads:
                h.__enter__()
            with rig.listening(broker.port) as listener:
                env = service_environment()
                begun_s = time.monotonic()
                with rig.daemon(rig.written(place, data), **env) as process:
                    pid = process.child.pid
                    rig.until(lambda: any(h.topic.endswith("/reading") for h in listener.heard), "a reading", 60.0)
                    start_s = time.monotonic() - begun_s
                    time.sleep(5.0 if seconds < 60 else 30.0)
                    before, written, from_s = use_of(pid), written_bytes(pid), time.monotonic()
                    time.sleep(seconds)
                    spent_s, after = time.monotonic() - from_s, use_of(pid)
                    rate, private = (written_bytes(pid) - written) / spent_s, private_mib(pid)
                    assert process.end() == 0
        finally:
            for h in heads:
                h.__exit__(None, None, None)
            broker.stop()
    return Live(start_s, 100 * (after.cpu_s - before.cpu_s) / spent_s, after, private, rate * DAY_S / 1e6)


def plain_live(seconds: float) -> tuple[float, float]:
    """The plain script live: % of a core, resident MiB."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        command = [sys.executable, str(HERE / "plain_script.py"), str(place / "head"), str(broker.port)]
        try:
            with rig.head(place):
                process = rig.Process(command, place / "plain.log")
                time.sleep(5.0)
                before, from_s = use_of(process.child.pid), time.monotonic()
                time.sleep(seconds)
                after, spent_s = use_of(process.child.pid), time.monotonic() - from_s
                process.kill()
        finally:
            broker.stop()
    return 100 * (after.cpu_s - before.cpu_s) / spent_s, after.resident_mib


def lived(quick: bool) -> Iterator[Row]:
    """One engine live, then several in one daemon."""
    seconds = 30.0 if quick else WRITTEN_OVER_S
    one = live(seconds)
    plain_cpu, plain_mib = plain_live(15.0 if quick else 60.0)
    yield Row("live, one engine at 500 Hz", one.cpu_percent, "% of a core", 1.5, "due")
    yield Row("live, one engine at 500 Hz", one.cpu_percent, "% of a core", plain_cpu, "rival: plain script")
    yield Row("resident, without the page", one.use.resident_mib, "MiB", 56.0, "due")
    yield Row("resident, without the page", one.use.resident_mib, "MiB", plain_mib, "rival: plain script")
    yield Row("of this, the process's own", one.private_mib, "MiB", None, "the rest: pages of library files")
    yield Row("start to the first reading", one.start_s, "s", 10.0, "readings come every 10 s")
    yield Row("written to disk, captures off", None if quick else one.written_mb_day, "MB a day", 20.0, "due")
    ring = live(30.0 if quick else 180.0, captures=True)
    raw_mb = len(capture("", 60.0)) * DAY_S / 60 / 1e6
    yield Row("written to disk, captures on", ring.written_mb_day, "MB a day", raw_mb, "bound: the raw bytes")
    for engines in (2, 4, 8):
        more = live(15.0 if quick else 60.0, engines)
        each = more.cpu_percent / engines
        yield Row(f"{engines} engines in one daemon, each", each, "% of a core", one.cpu_percent, "one alone")
        yield Row(f"{engines} engines in one daemon", more.use.resident_mib, "MiB", one.use.resident_mib, "one alone")


def latency(quick: bool) -> Iterator[Row]:
    """From the deciding revolution's last byte to the alert at a subscriber."""
    command = [sys.executable, str(HERE / "bench_latency.py"), *(("20", "8") if quick else ("100", "8"))]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=900).stdout
    for name, due in (("half within, ms", 100.0), ("99 of 100 within, ms", 100.0)):
        found = re.search(rf"^{name}\s+([\d.]+)", told, re.MULTILINE)
        assert found is not None, told
        yield Row(f"alert, {name.removesuffix(', ms')}", float(found[1]), "ms", due, "due")


def history(quick: bool) -> Iterator[Row]:
    """Five years of medians, thinned by SQL to the points of a plot, as the page asks for them."""
    days = 365 if quick else FIVE_YEARS_D
    with tempfile.TemporaryDirectory() as folder:
        settings = page_rig.settings(Path(folder))
        now_s = time.time()
        page_rig.fill(settings, now_s, days)
        reader = HistoryReader(settings.gateway.data_dir)
        times = []
        for _ in range(5):
            begin = time.perf_counter()
            assert len(reader.median_points("main", now_s - days * DAY_S, now_s, 600)) > 300
            times.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        rows = reader.medians("main", now_s - days * DAY_S, now_s, 1_000_000)
        read_s = time.perf_counter() - begin
        size_mb = sum(p.stat().st_size for p in settings.gateway.data_dir.glob("history*")) / 1e6
        reader.close()
    years = days / 365.25
    yield Row(f"course of {years:.0f} years ({len(rows):,} medians)", 1e3 * min(times), "ms", 500.0, "due")
    yield Row(f"course of {years:.0f} years", 1e3 * min(times), "ms", 1e3 * read_s, "rival: reading all rows")
    yield Row("history a year, before it is thinned", size_mb / years, "MB")


def shore(_quick: bool) -> Iterator[Row]:
    """Told of only: it takes half an hour and root."""
    yield Row("bytes ashore a day", None, "kB", None, "python tests/bench/bench_shore_bytes.py, as root")


def main() -> None:
    """Run all, print one table."""
    given = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    given.add_argument("--quick", action="store_true", help="about three minutes")
    given.add_argument("--markdown", action="store_true", help="a table for a page instead of a terminal")
    asked = given.parse_args()
    rows: list[Row] = []
    for part in (replayed, history, latency, lived, shore):
        sys.stderr.write(f"{part.__name__} ...\n")
        rows += part(asked.quick)
    heads = ["what", "found", "unit", "beside", "which is", "ratio"]
    table = [heads, *(row.cells() for row in rows)]
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {platform.machine()}, Python {platform.python_version()}")
    if asked.markdown:
        table.insert(1, ["---"] * len(heads))
        print("\n".join("| " + " | ".join(cells) + " |" for cells in table))
        return
    widths = [max(len(cells[k]) for cells in table) for k in range(len(heads))]
    print("\n".join("  ".join(c.ljust(w) for c, w in zip(cells, widths, strict=True)).rstrip() for cells in table))


if __name__ == "__main__":
    main()
