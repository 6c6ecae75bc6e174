"""The ship's clock two days wrong: what TLS makes of it, what is told, and what is ashore once it has been set right.

The clock is libfaketime's, for the daemon alone; head, brokers and keeper have the true time.
"""

import glob
import json
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import daemon_rig as rig
import pytest
import satellite_rig as sat
from satellite_link import SHORE, SatelliteLink, Weather, needs_satellite, satellite
from shore_books import ashore, stored

from gateway.encode.times import utc_of

LIBRARY = next(iter(glob.glob("/usr/lib/*/faketime/libfaketimeMT.so.1")), None)
pytestmark = [
    needs_satellite,
    pytest.mark.skipif(bool(sat.missing()), reason=f"not installed: {sat.missing()}"),
    pytest.mark.skipif(LIBRARY is None, reason="libfaketime is not installed (apt install faketime)"),
]
DAYS = 2


def openssl_time(days: float) -> str:
    """So many days from now."""
    return (datetime.now(UTC) + timedelta(days=days)).strftime("%Y%m%d%H%M%SZ")


def authority(folder: Path, begins: float, ends: float) -> Path:
    """A fleet's certificates; the shore broker's own is valid from `begins` to `ends` days from now, and the
    authority's only from now."""
    tls = sat.authority(folder / "ca")
    made = sat.spoilt(
        folder / "server", tls, openssl_time(begins), openssl_time(ends), name=SHORE,
        extensions=f"subjectAltName=IP:{SHORE}\nextendedKeyUsage=serverAuth\n",
    )  # fmt: skip
    for end in ("pem", "key"):
        shutil.copy(made / f"ship.{end}", tls / f"{SHORE}.{end}")
    return tls


def broken_loop(folder: Path) -> str:
    """A scenario in which the transducer's loop breaks after a second, for good."""
    path = folder / "broken.toml"
    path.write_text(rig.toml_text({"event": [{"at_s": 1, "kind": "loop-broken"}]}))
    return str(path)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("days", "begins", "ends", "words"),
    [
        (DAYS, -1.0, 1.0, "has ended by this box's clock"),
        pytest.param(-DAYS, -1.0, 30.0, "is not valid yet by this box's clock", marks=pytest.mark.slow),
    ],
)
def test_two_days_wrong_tells_what_to_do_and_costs_nothing(
    tmp_path: Path, days: int, begins: float, ends: float, words: str
) -> None:
    """Two days ahead the shore's certificate seems ended, two days behind not yet valid: `status` says so, names the
    day the clock shows and what to do; the alarm stands aboard and reaches the ship's own broker. When the clock is set
    right, under the running daemon, every event is ashore once, in the order of seq, though the times jump by two days.
    """
    with satellite(Weather(delay_s=0.03)) as link:
        run(link, tmp_path, days, authority(tmp_path, begins, ends), words)


def run(link: SatelliteLink, folder: Path, days: int, tls: Path, words: str) -> None:
    """One of the two."""
    table = sat.shore_table(tls, backoff_s_min=0.2, backoff_s_max=1.0)
    (folder / "password").write_text(sat.PASSWORD)
    (folder / "password").chmod(0o600)
    login = {"user": "gateway", "password_file": str(folder / "password")}
    settings = sat.ship_settings(folder, rig.broker_table(1883) | login, table)
    settings["engine"][0]["alarms"]["transducer-fault"] = {"on_delay_s": 0, "off_delay_s": 0}
    settings["alarms"] = {"clock-doubtful": {"on_delay_s": 0}}
    config, store, clock = rig.written(folder, settings), folder / "fleet.db", folder / "clock"
    clock.write_text(f"{days:+d}d\n")
    assert LIBRARY is not None
    wrong = {
        "LD_PRELOAD": LIBRARY, "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_CACHE_DURATION": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    with (
        sat.shore_broker(link.shore, folder / "shore", tls),
        sat.process(link.shore, sat.keeper_words(tls, folder, store), folder / "keeper.log"),
        sat.ships_broker(link.ship, folder / "aboard"),
        rig.head(folder, broken_loop(folder)),
        sat.daemon(link.ship, config, **wrong) as daemon,
    ):
        rig.until(lambda: words in sat.status(config)["brokers"]["shore"]["why_not"], words)
        day = (datetime.now(UTC) + timedelta(days=days)).strftime("%Y-%m-%d")
        why = sat.status(config)["brokers"]["shore"]["why_not"]
        assert f"which shows {day}; set the clock" in why
        rig.until(lambda: "transducer-fault" in standing(config), "the alarm stands aboard")
        rig.until(lambda: sat.status(config)["brokers"]["ship"]["waiting"] == 0, "and at the ship's broker")
        before = len(stored(folder / "data"))
        assert ashore(store) == []
        clock.write_text("+0\n")
        rig.until(lambda: sat.status(config)["brokers"]["shore"]["connected"], "ashore once the clock is right")
        rig.until(lambda: "clock-doubtful" in [a["tag"] for a in sat.status(config)["alarms"]], "it is told aboard")
        assert daemon.end() == 0
        ours = stored(folder / "data")
        assert len(ours) > before
        rig.until(lambda: len(ashore(store)) >= len(ours), "all is ashore")
        theirs = ashore(store)
    assert [seq for seq, _ in theirs] == list(range(1, len(theirs) + 1))
    assert theirs == ours
    times = [utc_of(body["ts"]) - time.time() for _, body in theirs]
    assert abs(times[0] - days * 86_400) < 3_600 and abs(times[-1]) < 3_600


def standing(config: Path) -> list[str]:
    """Tags of the engine's alarms in `status`."""
    return [alarm["tag"] for alarm in sat.status(config)["engines"]["main"]["alarms"]]


def test_the_clock_here_is_really_wrong(tmp_path: Path) -> None:
    """The library gives the daemon another time and leaves ours: without that the tests above would show nothing."""
    clock = tmp_path / "clock"
    clock.write_text("-2d\n")
    assert LIBRARY is not None
    out = tmp_path / "out"
    env = {"LD_PRELOAD": LIBRARY, "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_DONT_FAKE_MONOTONIC": "1"}
    told = "import json, sys, time; print(json.dumps([time.time(), time.monotonic()]), file=sys.stderr)"
    process = rig.Process([rig.ENTRY[0], "-c", told], out, **env)
    assert process.child.wait(180) == 0
    utc_s, mono_s = json.loads(out.read_text())
    assert abs(time.time() - 2 * 86_400 - utc_s) < 3_600 and abs(time.monotonic() - mono_s) < 3_600
