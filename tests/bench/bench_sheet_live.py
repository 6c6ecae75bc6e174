"""How often the live figures of an open work sheet change on a phone's screen: at least four times a second are due.

Real processes: a simulated head while the nut of a standing engine is turned, the daemon with its page, headless
Chromium at 390 by 844. Counted are the changes of the spring's length as the card of the step shows it, and those of
the list's large figure. Run: `python tests/bench/bench_sheet_live.py [SECONDS]`.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from tests import page_browser as b  # noqa: E402
from tests import sheet_rig as rig  # noqa: E402
from tests.daemon_rig import free_port  # noqa: E402

DUE_HZ = 4.0
TURNS, TURN_S, BEAT_S = 3.0, 180.0, 0.05
"""0.1 mm a second, so that each reading differs in its last digit; the head's bytes come twenty times a second."""
NUT_S, FROM_S, RATE_HZ = 60.0, 70.0, 500.0
CHANGES = """
const [selector, ms, done] = arguments, t0 = performance.now(), at = [];
const shown = () => [...document.querySelectorAll(selector)].find((x) => x.textContent.includes('mm'))?.textContent;
let before = shown();
const seen = new MutationObserver(() => {
  const now = shown();
  if (now !== before) { at.push(performance.now() - t0); before = now; }
});
seen.observe(document.querySelector('.sheet'), { subtree: true, childList: true, characterData: true });
setTimeout(() => { seen.disconnect(); done([performance.now() - t0, at, before ?? '']); }, ms);
"""


def main(seconds: float) -> None:
    """Measure and print."""
    if b.WHY_NOT is not None:
        sys.exit(b.WHY_NOT)
    turned = rig.standing({"at_s": NUT_S, "kind": "nut-turn", "turns": TURNS, "for_s": TURN_S})
    # As the head sends aboard: its frames hold so many samples that at 100 Hz two come in a second.
    turned = turned.changed(head={"rate_hz": RATE_HZ})
    rig.BEAT_S, port = BEAT_S, free_port()
    page = {"port": port}
    with (
        tempfile.TemporaryDirectory() as folder,
        rig.aboard(Path(folder), turned, page) as ship,
        b.chromium() as driver,
    ):
        with ship.beating():
            ship.until(FROM_S)
            ship.act("retighten", "open")
            for key in [s["key"] for s in ship.sheet("retighten")["steps"]]:
                if key == "before":
                    break
                ship.act("retighten", "tick", key=key)
            driver.set_script_timeout(seconds + 60)
            b.sized(driver, b.PHONE)
            driver.get(f"http://127.0.0.1:{port}/#sheets/retighten")
            end = time.monotonic() + 60
            while not driver.execute_script("return document.querySelector('.figure-now dd')?.textContent"):
                assert time.monotonic() < end, "the card shows no figure"
            print(f"load average before: {os.getloadavg()[0]:.1f}")
            for what, selector in (("card", ".figure-now dd"), ("list", ".bigs dd")):
                took_ms, at_ms, last = driver.execute_async_script(CHANGES, selector, seconds * 1_000)
                gaps = sorted(y - x for x, y in zip([0.0, *at_ms], [*at_ms, took_ms], strict=True))
                hz = len(at_ms) / (took_ms / 1_000)
                print(
                    f"{what}: {len(at_ms)} changes in {took_ms / 1_000:.1f} s, {hz:.2f} a second (due {DUE_HZ:g}); "
                    f"between them {gaps[len(gaps) // 2]:.0f} ms (median), {gaps[-1]:.0f} ms at most; last shown {last}"
                )
            asked, seen, end = 0, [], time.monotonic() + seconds / 2
            while time.monotonic() < end:
                asked += 1
                value = rig.figure(ship.sheet("retighten"), "spring_mm")
                seen += [] if seen and seen[-1] == value else [value]
            hz = len(seen) / (seconds / 2)
            print(
                f"without page and browser: {hz:.2f} changes a second, asked {asked / (seconds / 2):.1f} times a second"
            )
            print(f"load average after: {os.getloadavg()[0]:.1f}")
        driver.get("about:blank")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
