"""Damage to the store of a daemon that was killed: it starts at the first try, and alarms.

Many more, of the store alone: `python tests/attack/store_damage.py`.
"""

import random
import shutil

from daemon_rig import until

from gateway.model.settings_file import load_settings
from gateway.store.reader import StateReader
from tests.attack import store_damage
from tests.attack.case import case
from tests.attack.on_sockets import works
from tests.attack.rig import Ship, restarted


@case("the store damaged in 14 ways, each followed by a start", together=False, grows_mib=30.0)
def damaged_store(ship: Ship) -> None:
    """Kill, damage `state.db` or `history.db`, start: Modbus, page and shell answer, and the record goes on."""
    rng = random.Random(17)
    for kind, damage in store_damage.KINDS.items():
        ship.process.kill()
        name = rng.choice(("state.db", "history.db"))
        path = ship.folder / "data" / name
        if path.is_dir():
            shutil.rmtree(path)
        if path.exists() and path.stat().st_size:
            damage(path, rng)
        restarted(ship)
        until(lambda: works(ship), f"shell and page answer after {kind} of {name}", 30.0)
    data = load_settings(ship.config).gateway.data_dir
    reader = StateReader(data)
    assert reader.events(0, 10), "the record goes on"
    reader.close()
