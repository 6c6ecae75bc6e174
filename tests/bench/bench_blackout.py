"""A new alarm after a black-out of 30 days with 50,000 events waiting: how long from the link's return to the shore?

The store is filled through the daemon's own writer. Each time: a copy of it, the real daemon with its settings as
shipped except that its pauses between tries are at their longest from the start (so they are after a long silence), the
link down. Then the transducer's loop breaks, the alarm is raised aboard, and after a random spell the link comes back:
600 ms there and back, 2 % loss, 64 kbit/s. Measured is the time from the link's return to the alarm's state at a
subscriber ashore; and while the backlog drains, a second alarm's time from its being raised aboard. TLS with the
certificates of `certificates.sh`, broker and access list as shipped.

Run: `python tests/bench/bench_blackout.py [TIMES] [SEED] [DELAY_S]` as root, about 45 s each time; DELAY_S is one way.
"""

import random
import shutil
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
import satellite_rig as sat  # noqa: E402
from satellite_link import GEOSTATIONARY, SatelliteLink, satellite, why_not  # noqa: E402

EVENTS, DAYS = 50_000, 30.0
GOAL_S = 10.0
FIRST, SECOND = "transducer-fault", "cam-encoder-fault"
SECOND_AT_S = 30.0


def raising(tag: str) -> str:
    """What the daemon's log shows of an alarm that is raised."""
    return f'"tag": "{tag}", "came_from": "normal"'


def settings(folder: Path, table: dict[str, Any]) -> dict[str, Any]:
    """The example vessel, two alarms without delay."""
    data = sat.ship_settings(folder, table)
    data["engine"][0]["alarms"] |= {tag: {"on_delay_s": 0} for tag in (FIRST, SECOND)}
    return data


def prepared(link: SatelliteLink, folder: Path, table: dict[str, Any]) -> Path:
    """A store that was connected once, with the black-out's events after that."""
    folder.mkdir()
    config = rig.written(folder, settings(folder, table))
    with sat.daemon(link.ship, config):
        rig.until(lambda: sat.status(config)["brokers"]["shore"]["waiting"] == 0, "connected and delivered", 60.0)
        time.sleep(6.0)
    sat.fill(folder / "data", table, EVENTS, DAYS, time.time())
    return folder / "data"


def once(
    link: SatelliteLink, folder: Path, store: Path, table: dict[str, Any], tls: Path, wait_s: float
) -> list[float]:
    """Seconds to the shore of an alarm that waits at the link's return, and of one raised while the backlog drains."""
    folder.mkdir()
    shutil.copytree(store, folder / "data", ignore=shutil.ignore_patterns("*.sock"))
    config = rig.written(folder, settings(folder, table))
    faults = [
        {"at_s": 2.0, "kind": "loop-broken"},
        {"at_s": 2.0 + SECOND_AT_S, "kind": "cam-invalid"},
    ]
    (folder / "faults.toml").write_text(rig.toml_text({"event": faults}), encoding="utf-8")
    came: dict[str, float] = {}

    def take(line: str) -> None:
        topic, _, said = line.partition(" ")
        if '"state":"unacknowledged"' in said:
            came.setdefault(topic.rsplit("/", 1)[-1], time.time())

    link.set(up=False)
    with (
        sat.reading_lines(link.shore, [*sat.watcher_words(tls, "%t %p"), "-R"], take),
        sat.daemon(link.ship, config) as daemon,
        rig.head(folder, str(folder / "faults.toml")),
    ):
        rig.until(lambda: daemon.told(raising(FIRST)), "the first alarm aboard")
        time.sleep(wait_s)
        returned = time.time()
        link.set(up=True)
        rig.until(lambda: FIRST in came, "the first alarm ashore", 120.0)
        rig.until(lambda: daemon.told(raising(SECOND)), "the second alarm aboard", 60.0)
        rig.until(lambda: SECOND in came, "the second alarm ashore", 120.0)
        raised = next(x for x in daemon.lines() if x.get("tag") == SECOND and x.get("came_from") == "normal")[
            "timestamp"
        ]
        waiting = sat.status(config)["brokers"]["shore"]["waiting"]
    assert waiting > EVENTS / 2, "the backlog is still there"
    return [came[FIRST] - returned, came[SECOND] - datetime.fromisoformat(raised).timestamp()]


def main(times: int, seed: int, delay_s: float) -> None:
    """Measure and print."""
    if why_not() or sat.missing():
        sys.exit(f"cannot run here: {why_not() or sat.missing() + ' not installed'}")
    lot = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="camdrift-blackout-") as name, satellite(GEOSTATIONARY, seed) as link:
        link.set(delay_s=delay_s)
        folder = Path(name)
        tls = sat.authority(folder / "tls")
        table = sat.shore_table(tls)
        with sat.shore_broker(link.shore, folder / "shore", tls):
            words = sat.keeper_words(tls, folder, folder / "fleet.db")
            with sat.process(link.shore, words, folder / "keeper.log"):
                time.sleep(3.0)
                store = prepared(link, folder / "first", table)
                longest = table | {"backoff_s_min": 300.0, "backoff_s_max": 300.0}
                rows = []
                for n in range(times):
                    rows.append(once(link, folder / f"n{n}", store, longest, tls, lot.uniform(5.0, 15.0)))
                    print(f"{n + 1}: waiting {rows[-1][0]:.1f} s, new {rows[-1][1]:.1f} s", flush=True)
                    shutil.rmtree(folder / f"n{n}")
    for which, column in (("waiting at the link's return", 0), ("raised while the backlog drains", 1)):
        took = sorted(row[column] for row in rows)
        print(
            f"{which}: {sum(t <= GOAL_S for t in took)} of {len(took)} within {GOAL_S:g} s; "
            f"least {took[0]:.1f}, median {took[len(took) // 2]:.1f}, most {took[-1]:.1f} s"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 12,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
        float(sys.argv[3]) if len(sys.argv) > 3 else GEOSTATIONARY.delay_s,
    )
