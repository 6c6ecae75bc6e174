"""Black-outs with kills: is every event ashore once, in order, none missing, whatever died meanwhile?

Real daemon (two alarms that come and go without end), keeper and shore broker as shipped, over a satellite link of
600 ms, 2 % loss and 64 kbit/s. Each round: the link goes, then by turns nothing else, the gateway, the broker with its
disk, the broker without its disk, or the keeper is killed with -9 (killed ones come back during the black-out), the
link comes back. At the end the keeper's store is compared with the ship's to the byte.

Run: `python tests/bench/bench_blackout_kills.py [ROUNDS] [SEED]` as root, about 35 s a round.
"""

import random
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
import satellite_rig as sat  # noqa: E402
from satellite_link import GEOSTATIONARY, SatelliteLink, satellite, why_not  # noqa: E402

from gateway.store.reader import StateReader  # noqa: E402

TURNS = ("nothing", "gateway", "broker", "broker and its disk", "keeper")


class Ashore:
    """Broker and keeper, and the gateway aboard, each to be killed and begun again."""

    def __init__(self, link: SatelliteLink, folder: Path) -> None:
        tls = sat.authority(folder / "tls")
        self._link, self._folder, self.store = link, folder, folder / "fleet.db"
        data = sat.ship_settings(folder, sat.shore_table(tls, backoff_s_max=5.0))
        data["engine"][0]["alarms"] |= {tag: {"on_delay_s": 0, "off_delay_s": 0} for tag in rig.RESTLESS_TAGS}
        self.config = rig.written(folder, data)
        self.broker = sat.ShoreBroker(link.shore, folder / "shore", tls)
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
        elif what == "keeper":
            self.keeper.kill()
            self.begin_keeper()

    def close(self) -> None:
        """End all."""
        self.gateway.kill()
        self.keeper.kill()
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


def main(rounds: int, seed: int) -> None:
    """Run it and print the figures."""
    if why_not() or sat.missing():
        sys.exit(f"cannot run here: {why_not() or sat.missing() + ' not installed'}")
    lot = random.Random(seed)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-kills-")))
        link = stack.enter_context(satellite(GEOSTATIONARY, seed))
        stack.enter_context(rig.head(folder, rig.restless(folder, rounds=2_000)))
        scene = Ashore(link, folder)
        stack.callback(scene.close)
        voyage(link, scene, rounds, lot)


def voyage(link: SatelliteLink, scene: Ashore, rounds: int, lot: random.Random) -> None:
    """The rounds, then the comparison."""
    pause: Callable[[float, float], None] = lambda a, b: time.sleep(lot.uniform(a, b))  # noqa: E731
    rig.until(lambda: len(scene.theirs()) > 3, "the first events are ashore", 60.0)
    for n in range(rounds):
        link.set(up=False)
        pause(2.0, 12.0)
        scene.kill(TURNS[n % len(TURNS)])
        pause(2.0, 12.0)
        link.set(up=True)
        pause(2.0, 14.0)
        # And once more in the middle of delivery.
        scene.kill(TURNS[lot.randrange(len(TURNS))])
    rig.until(lambda: len(scene.theirs()) > 3 and scene.theirs()[-1][0] >= scene.ours()[-1][0] - 3, "caught up", 300.0)
    time.sleep(5.0)
    scene.gateway.end()
    ours = scene.ours()
    scene.begin_gateway()
    rig.until(lambda: len(scene.theirs()) >= len(ours), "all is ashore", 120.0)
    theirs = scene.theirs()
    seqs = [seq for seq, _ in theirs]
    same = sum(dict(theirs).get(seq) == text for seq, text in ours)
    late = sum(b < a for a, b in pairwise(seqs))
    print(f"rounds {rounds}; events aboard {len(ours)}; ashore {len(set(seqs) & {seq for seq, _ in ours})}, kept twice "
          f"{len(seqs) - len(set(seqs))}, the same to the byte {same}, kept after a later one {late}")  # fmt: skip
    assert same == len(ours) and len(set(seqs)) == len(seqs)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
