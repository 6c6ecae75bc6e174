"""The daemon killed with -9 the moment it has answered: what was answered as recorded is on the disk."""

from pathlib import Path
from typing import Any

import daemon_rig as rig
import pytest

from gateway.model.errors import PortError
from gateway.outlets.control_client import ask
from gateway.store.reader import StateReader

KILLS = 6


def answered(socket: Path, request: dict[str, Any]) -> dict[str, Any]:
    """The answer, as soon as the daemon listens."""
    found: dict[str, Any] = {}

    def there() -> bool:
        try:
            found.update(ask(socket, request))
        except PortError:
            return False
        return True

    rig.until(there, "it answers")
    return found


@pytest.mark.slow
def test_killed_right_after_its_answer_an_act_is_on_the_disk(tmp_path: Path) -> None:
    """Silencing and a maintenance record in each of the lives: all of them are in the record afterwards."""
    config = rig.written(tmp_path, rig.example(tmp_path, None) | {"page": {"enabled": False}})
    socket = tmp_path / "data" / "camdrift.sock"
    for n in range(KILLS):
        with rig.daemon(config) as process:
            by = f"watch {n}"
            if n % 2:
                assert answered(socket, {"do": "silence", "by": by})["recorded"]
            else:
                entry = {
                    "kind": "hand-play",
                    "id": f"play-{n}",
                    "person": by,
                    "hours": 21_400.0,
                    "play_links": 0.7 + n / 10,
                }
                assert answered(socket, {"do": "book", "entry": entry, "by": by})["recorded"]
            process.kill()
    reader = StateReader(tmp_path / "data")
    record = b"\n".join(row.payload for row in reader.events(0, 1_000)).decode()
    log = [row.id for row in reader.bookings("main")]
    reader.close()
    assert log == [f"play-{n}" for n in range(0, KILLS, 2)]
    assert all(f"watch {n}" in record for n in range(KILLS))
