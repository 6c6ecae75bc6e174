"""What the page costs the daemon, and how long it lets people wait.

Real processes: one engine at 500 Hz live, Mosquitto, the daemon with and without its page, five viewers on its live
stream. Printed: share of a core and resident memory beside what is due (5 %, 80 MiB), and what the page and its viewers
add. Then a store with a year of medians behind it: the first view of `now` and the year's course in headless Chromium,
cold, and the server's own part (1 s, 500 ms). Run: `python tests/bench/bench_page.py [SECONDS]`.
"""

import contextlib
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as daemons  # noqa: E402
import page_browser as b  # noqa: E402
import page_rig as pages  # noqa: E402
from bench_live import WARM_S, Use, use_of  # noqa: E402
from mqtt_fakes import free_port  # noqa: E402

VIEWERS = 5
CPU_DUE_PERCENT, RESIDENT_DUE_MIB, FIRST_DUE_MS, COURSE_DUE_MS = 5.0, 80.0, 1_000.0, 500.0
TRIES = 5
YEAR_S = 365 * 86_400.0
# From pressing the year's button to the last picture being inked: uPlot draws in a microtask, hence two frames.
COURSE = """
const done = arguments[0], t0 = performance.now();
document.querySelector('#view .charts').replaceChildren();
document.querySelector('input[value="1y"]').click();
const look = () => {
  const drawn = document.querySelectorAll('.charts canvas').length === 3;
  if (drawn) requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - t0)));
  else setTimeout(look, 2);
};
look();
"""
FIRST = """
const done = arguments[0];
const look = () => {
  const there = document.querySelector('[data-figure=spring_mm]')?.textContent.length > 1;
  if (there) done(performance.now()); else setTimeout(look, 2);
};
look();
"""


def follow(url: str, stop: threading.Event, got: list[int]) -> None:
    """One viewer; `got` counts its seconds."""
    with httpx.stream("GET", f"{url}/api/stream", timeout=30) as answer:
        for line in answer.iter_lines():
            got[0] += line.startswith("event: present")
            if stop.is_set():
                return


@contextlib.contextmanager
def viewers(url: str, number: int) -> Iterator[list[list[int]]]:
    """So many of them, until the end."""
    stop, counts = threading.Event(), [[0] for _ in range(number)]
    threads = [threading.Thread(target=follow, args=(url, stop, c), daemon=True) for c in counts]
    for t in threads:
        t.start()
    yield counts
    stop.set()
    for t in threads:
        t.join(5)


def live(seconds: float, *, page: bool, watching: int) -> tuple[float, Use]:
    """Share of a core in percent, and what is used at the end."""
    port = free_port()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = daemons.lasting_broker(place)
        data: dict[str, Any] = daemons.example(place, broker.port, reading_every_s=10)
        data["page"] = {"enabled": page, "port": port}
        try:
            with daemons.head(place), daemons.daemon(daemons.written(place, data)) as process:
                time.sleep(WARM_S)
                with viewers(f"http://127.0.0.1:{port}", watching) as counts:
                    before, begun = use_of(process.child.pid), time.monotonic()
                    time.sleep(seconds)
                    after, spent_s = use_of(process.child.pid), time.monotonic() - begun
                    assert all(c[0] >= 0.8 * seconds for c in counts), f"a viewer saw too little: {counts}"
                assert process.end() == 0
        finally:
            broker.stop()
    return 100 * (after.cpu_s - before.cpu_s) / spent_s, after


def shown(folder: Path) -> dict[str, float]:
    """Milliseconds: the first view, the year's course in the browser, and the server's part of it."""
    settings = pages.settings(folder)
    now_s = time.time()
    pages.fill(settings, now_s)
    crew = pages.Crew(pages.present(now_s, *pages.two_alarms(now_s)))
    first, drawn, served = [], [], []
    with pages.Served(pages.inputs(settings, crew)) as page, b.chromium() as driver:
        driver.set_script_timeout(30)
        b.sized(driver, b.DESK)
        driver.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": True})
        for _ in range(TRIES):
            driver.get("about:blank")
            driver.get(f"{page.url}/#now")
            first.append(float(driver.execute_async_script(FIRST)))
        driver.get(f"{page.url}/#course")
        driver.execute_async_script("const d = arguments[0]; setTimeout(d, 1500)")
        for _ in range(TRIES):
            drawn.append(float(driver.execute_async_script(COURSE)))
            driver.execute_async_script(
                "document.querySelector('input[value=\"2d\"]').click(); setTimeout(arguments[0], 700)"
            )
        ask = {"engine": "main", "from": now_s - YEAR_S, "to": now_s, "points": 1280}
        with httpx.Client() as client:
            for _ in range(TRIES):
                begun = time.monotonic()
                client.get(f"{page.url}/api/history", params=ask).raise_for_status()
                served.append(1_000 * (time.monotonic() - begun))
        driver.get("about:blank")
    return {"first": statistics.median(first), "course": statistics.median(drawn), "server": statistics.median(served)}


def main(seconds: float) -> None:
    """Measure and print."""
    without, bare = live(seconds, page=False, watching=0)
    alone, idle = live(seconds, page=True, watching=0)
    cpu, full = live(seconds, page=True, watching=VIEWERS)
    print(f"one engine at 500 Hz, over {seconds:.0f} s each: no page; page unwatched; page with {VIEWERS} viewers")
    print(f"{'CPU, % of a core':44s} {without:8.2f} {alone:8.2f} {cpu:8.2f}")
    print(f"{'resident, MiB':44s} {bare.resident_mib:8.2f} {idle.resident_mib:8.2f} {full.resident_mib:8.2f}")
    rows = [
        (f"CPU with {VIEWERS} viewers, % of a core", cpu, CPU_DUE_PERCENT),
        (f"resident at most with {VIEWERS} viewers, MiB", full.peak_mib, RESIDENT_DUE_MIB),
    ]
    if b.WHY_NOT is None:
        with tempfile.TemporaryDirectory() as folder:
            ms = shown(Path(folder))
        rows += [
            (f"first view, cold, median of {TRIES}, ms", ms["first"], FIRST_DUE_MS),
            (f"a year's course drawn, median of {TRIES}, ms", ms["course"], COURSE_DUE_MS),
            ("  the server's part of it, ms", ms["server"], COURSE_DUE_MS),
        ]
    print(f"\n{'what':44s} {'found':>8s} {'due':>8s} {'found/due':>10s}")
    for what, found, due in rows:
        print(f"{what:44s} {found:8.2f} {due:8.0f} {found / due:10.2f}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
