"""Black-outs with kills: is every event and every hourly trend ashore once, in order, none missing, whatever died?

Real daemon (two alarms that come and go without end; head time sixty times faster than the wall, so a trend a minute),
keeper and shore broker as shipped, over a satellite link of 600 ms, 2 % loss and 64 kbit/s. Each round: the link goes,
then by turns nothing else, the gateway, the broker with its disk, the broker without its disk, or the keeper is killed
with -9 (killed ones come back during the black-out), the link comes back, and one of them dies in the middle of
delivery. At the end the keeper's store is compared with the ship's to the byte: events with the ship's record, trends
with what stood in line aboard at each return of the link, and with the hour by which they follow one another.

Run: `python tests/bench/bench_blackout_kills.py [ROUNDS] [SEED] [MINUTES]` as root. Without MINUTES a black-out lasts
4 to 24 s and a round about 35 s; with it each lasts so long, and the gateway, too, is killed in each.
"""

import json
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
import satellite_rig as sat  # noqa: E402
from satellite_link import GEOSTATIONARY, SatelliteLink, satellite, why_not  # noqa: E402

from gateway.encode.times import rfc3339, utc_of  # noqa: E402
from gateway.store.reader import StateReader  # noqa: E402

TIMES_FASTER = 60.0
FAULT_EVERY_S, FAULT_S = 1_800, 120
BEGUN_S = 30 * 86_400
TURNS = ("nothing", "gateway", "broker", "broker and its disk", "keeper")


class Ashore:
    """Broker and keeper, and the gateway aboard, each to be killed and begun again."""

    def __init__(self, link: SatelliteLink, folder: Path) -> None:
        tls = sat.authority(folder / "tls")
        self._link, self._folder, self.store = link, folder, folder / "fleet.db"
        data = sat.ship_settings(folder, sat.shore_table(tls, backoff_s_max=5.0))
        data["engine"][0]["alarms"] |= {tag: {"on_delay_s": 0, "off_delay_s": 0} for tag in rig.RESTLESS_TAGS}
        data["engine"][0]["running"] |= {"trend_after_min": 10}
        # Not so long ago that what is delivered would be taken out by its age, nor ever ahead of the shore's clock.
        data["time"] = {"source": "head", "start": rfc3339(time.time() - BEGUN_S)}
        self.config = rig.written(folder, data)
        self.broker = sat.ShoreBroker(link.shore, folder / "shore", tls)
        self.heard: list[str] = []
        """Trends at a subscriber ashore, in the order of coming."""
        self._watcher = sat.watcher_words(tls, "%t %p")
        self._listening = ExitStack()
        self.listen()
        self._words = sat.keeper_words(tls, folder, self.store)
        self.begin_keeper()
        self.begin_gateway()

    def begin_keeper(self) -> None:
        """Start it."""
        self.keeper = rig.Process(self._link.shore.command(self._words), self._folder / "keeper.log")

    def begin_gateway(self) -> None:
        """Start it."""
        words = self._link.ship.command([*rig.ENTRY, "run", str(self.config)])
        self.gateway = rig.Process(words, self.config.with_suffix(".log"))

    def kill(self, what: str) -> None:
        """Kill it and start it again."""
        if what == "gateway":
            self.gateway.kill()
            self.begin_gateway()
        elif what.startswith("broker"):
            self.broker.kill(forgetting=what != "broker")
            self.broker.start()
            self.listen()
        elif what == "keeper":
            self.keeper.kill()
            self.begin_keeper()

    def listen(self) -> None:
        """Begin a subscriber; one whose broker is killed may end with it."""
        self._listening.close()
        self._listening.enter_context(sat.reading_lines(self._link.shore, self._watcher, self._hear))

    def _hear(self, line: str) -> None:
        topic, _, said = line.partition(" ")
        if topic.endswith("/trend"):
            self.heard.append(said)

    def in_line(self) -> list[str]:
        """Trends that wait aboard, oldest first."""
        db = sqlite3.connect(f"file:{self.config.parent / 'data' / 'state.db'}?mode=ro", uri=True)
        try:
            return [said.decode() for (said,) in db.execute("SELECT payload FROM trend ORDER BY n")]
        finally:
            db.close()

    def close(self) -> None:
        """End all."""
        self.gateway.kill()
        self.keeper.kill()
        self._listening.close()
        self.broker.stop()

    def ours(self) -> list[tuple[int, str]]:
        """The ship's record."""
        reader = StateReader(self.config.parent / "data")
        rows = reader.events(0, 1_000_000)
        reader.close()
        return [(row.seq, row.payload.decode()) for row in rows]

    def theirs(self) -> list[tuple[int, str]]:
        """The keeper's, in the order of keeping."""
        try:
            return sat.kept(self.store)
        except sqlite3.Error:
            return []


def faults(folder: Path) -> str:
    """A scenario in which transducer and cam encoder fail by turns and mend, for a hundred hours."""
    events = [
        {
            "at_s": FAULT_EVERY_S * n + (FAULT_EVERY_S // 2 if kind == "cam-invalid" else 60),
            "kind": kind,
            "for_s": FAULT_S,
        }
        for n in range(400)
        for kind in ("loop-broken", "cam-invalid")
    ]
    path = folder / "faults.toml"
    path.write_text(rig.toml_text({"event": events}), encoding="utf-8")
    return str(path)


def main(rounds: int, seed: int, minutes: float) -> None:
    """Run it and print the figures."""
    if why_not() or sat.missing():
        sys.exit(f"cannot run here: {why_not() or sat.missing() + ' not installed'}")
    lot = random.Random(seed)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-kills-")))
        link = stack.enter_context(satellite(GEOSTATIONARY, seed))
        stack.enter_context(rig.head(folder, faults(folder), "--speed", str(TIMES_FASTER), "--rate", "100"))
        scene = Ashore(link, folder)
        stack.callback(scene.close)
        waited = voyage(link, scene, rounds, minutes, lot)
        compare_events(scene)
        compare_trends(scene, waited)


def voyage(link: SatelliteLink, scene: Ashore, rounds: int, minutes: float, lot: random.Random) -> list[str]:
    """The rounds, until all is ashore; the trends that waited aboard at the returns of the link."""
    rig.until(lambda: len(scene.theirs()) > 3, "the first events are ashore", 60.0)
    waited: list[str] = []
    for n in range(rounds):
        link.set(up=False)
        began, least, most = time.monotonic(), 20.0 * minutes or 2.0, 40.0 * minutes or 12.0
        time.sleep(lot.uniform(least, most))
        scene.kill(TURNS[n % len(TURNS)])
        if minutes and TURNS[n % len(TURNS)] != "gateway":
            scene.kill("gateway")
        time.sleep(max(0.0, 60.0 * minutes - (time.monotonic() - began)) if minutes else lot.uniform(2.0, 12.0))
        fresh = [said for said in scene.in_line() if said not in waited]
        waited += fresh
        events = len(scene.ours()) - len(scene.theirs())
        print(
            f"black-out of {time.monotonic() - began:.0f} s: {events} events and {len(fresh)} trends wait", flush=True
        )
        link.set(up=True)
        time.sleep(lot.uniform(2.0, 14.0))
        # And once more in the middle of delivery.
        scene.kill(TURNS[lot.randrange(len(TURNS))])
    rig.until(lambda: len(scene.theirs()) > 3 and scene.theirs()[-1][0] >= scene.ours()[-1][0] - 3, "caught up", 600.0)
    time.sleep(5.0)
    scene.gateway.end()
    ours = scene.ours()
    waited += [said for said in scene.in_line() if said not in waited]
    scene.begin_gateway()
    rig.until(lambda: len(scene.theirs()) >= len(ours), "all is ashore", 120.0)
    rig.until(lambda: set(waited) <= set(sat.kept_trends(scene.store)), "the trends, too", 120.0)
    scene.gateway.end()
    return waited


def compare_events(scene: Ashore) -> None:
    """The keeper's against the ship's."""
    ours, theirs = scene.ours(), scene.theirs()
    seqs = [seq for seq, _ in theirs]
    ashore = dict(theirs)
    same = sum(ashore.get(seq) == text for seq, text in ours)
    late = sum(b < a for a, b in pairwise(seqs))
    print(f"events aboard {len(ours)}; ashore {len(set(seqs) & {seq for seq, _ in ours})}, kept twice "
          f"{len(seqs) - len(set(seqs))}, the same to the byte {same}, kept after a later one {late}")  # fmt: skip
    assert same == len(theirs) and len(set(seqs)) == len(seqs)


def compare_trends(scene: Ashore, waited: list[str]) -> None:
    """The keeper's against what stood in line aboard, and against the hour."""
    kept = sat.kept_trends(scene.store)
    times = [utc_of(json.loads(text)["ts"]) for text in kept]
    holes = sum(b - a > 3_600 * 1.5 for a, b in pairwise(times))
    first = list(dict.fromkeys(scene.heard))
    late = sum(json.loads(b)["ts"] < json.loads(a)["ts"] for a, b in pairwise(first))
    print(f"trends that waited aboard {len(waited)}; of them kept ashore, the same to the byte "
          f"{len(set(waited) & set(kept))}; kept in all {len(kept)}, twice {len(kept) - len(set(times))}, more than an "
          f"hour and a half apart {holes}; heard ashore {len(first)}, as a copy {len(scene.heard) - len(first)}, "
          f"after a later one {late}")  # fmt: skip
    assert first and set(waited) <= set(kept) and len(set(times)) == len(kept) and late == 0


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 10,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
        float(sys.argv[3]) if len(sys.argv) > 3 else 0.0,
    )
