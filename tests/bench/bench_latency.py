"""From the last byte of the deciding revolution to the alert at a local subscriber, over a hundred alarms.

The bench is the head: it writes the frames to a pty itself and so knows when each one's last byte went. Which frame
decides is known beforehand: the pipeline is pure, so the same bytes through the same code say after which frame each
alarm is raised. The lag crosses its near limit once in twelve seconds of head time (a coupling that slips there and
back), with the alarm's delays set to nought; head time runs eight times faster than the wall, so a hundred take about
three minutes. Due: 99 of 100 within 100 ms. Run: `python tests/bench/bench_latency.py [ALARMS] [TIMES_FASTER]`.
"""

import os
import sys
import tempfile
import time
import tty
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402

from firmware_sim.head import Head  # noqa: E402
from firmware_sim.scenario import checked  # noqa: E402
from gateway.measure.timeline import Now  # noqa: E402
from gateway.model.settings import Settings  # noqa: E402
from gateway.model.settings_file import checked_settings  # noqa: E402
from gateway.pipeline import AlarmChanged, EnginePipeline  # noqa: E402

TAG = "lag-near"
FIRST_S, PERIOD_S = 60.0, 12.0
DUE_MS, DUE_SHARE = 100.0, 0.99


def settings_of(place: Path, port: int) -> dict[str, object]:
    """No delays, quick means, the drive counts as warm at once: every crossing is an alarm within a few turns."""
    data = rig.example(place, port)
    data["time"] = {"source": "head", "start": "2026-03-01T00:00:00Z"}
    engine = data["engine"][0]
    engine["running"] |= {"settle_min": 0}
    engine["smoothing"] = {"gate_revolutions": 3, "fast_s": 1.0, "slow_s": 3_600}
    engine["alarms"][TAG] = {"on_delay_s": 0, "off_delay_s": 0}
    return data


def frames_of(alarms: int) -> list[tuple[bytes, int]]:
    """The head's frames and when each is due, µs."""
    slips = [
        {"kind": "coupling-slip", "at_s": FIRST_S + n * PERIOD_S / 2, "deg": 1.0 if n % 2 == 0 else -1.0}
        for n in range(2 * alarms)
    ]
    end_us = (FIRST_S + alarms * PERIOD_S) * 1e6
    out = []
    for data, due_us in Head(checked({"event": slips}, "bench")).frames():
        if due_us > end_us:
            break
        out.append((data, due_us))
    return out


def deciding(settings: Settings, frames: list[tuple[bytes, int]]) -> list[int]:
    """The frames after which the alarm is raised."""
    pipeline = EnginePipeline(settings, "main", 1_772_323_200.0)
    out = []
    for n, (data, due_us) in enumerate(frames):
        outputs = pipeline.feed(data, Now(due_us / 1e6, due_us / 1e6))
        found = [s.transition for s in outputs if isinstance(s, AlarmChanged)]
        out += [n for t in found if t.tag == TAG and t.to == "unacknowledged"]
    return out


def main(alarms: int, faster: float) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        data = settings_of(place, broker.port)
        frames = frames_of(alarms)
        decide = deciding(checked_settings(data), frames)
        master, slave = os.openpty()
        tty.setraw(slave)
        data["head"][0]["port"] = os.ttyname(slave)  # type: ignore[index]
        try:
            with rig.listening(broker.port) as listener, rig.daemon(rig.written(place, data)) as process:
                rig.until(lambda: reads(process.child.pid, os.ttyname(slave)), "the daemon has opened the pty")
                time.sleep(1.0)
                sent_s = play(master, frames, faster)
                time.sleep(2.0)
                heard_s = [
                    h.at_s
                    for h in rig.story_of(listener.events()).first
                    if h.body.get("tag") == TAG and h.body["to"] == "unacknowledged"
                ]
                assert process.end() == 0
        finally:
            broker.stop()
    assert len(heard_s) == len(decide), f"{len(heard_s)} alerts came, {len(decide)} were due"
    late_ms = sorted(1e3 * (h - sent_s[n]) for h, n in zip(heard_s, decide, strict=True))
    within = sum(x <= DUE_MS for x in late_ms)
    p50, p99 = (late_ms[min(len(late_ms) - 1, int(q * len(late_ms)))] for q in (0.50, 0.99))
    print(f"{'what':44s} {'found':>8s} {'due':>8s} {'found/due':>10s}")
    print(f"{'alerts':44s} {len(late_ms):8d}")
    print(f"{'half within, ms':44s} {p50:8.1f} {DUE_MS:8.0f} {p50 / DUE_MS:10.2f}")
    print(f"{'99 of 100 within, ms':44s} {p99:8.1f} {DUE_MS:8.0f} {p99 / DUE_MS:10.2f}")
    print(f"{'the latest, ms':44s} {late_ms[-1]:8.1f}")
    print(f"{'share within 100 ms':44s} {within / len(late_ms):8.2f} {DUE_SHARE:8.2f}")


def reads(pid: int, name: str) -> bool:
    """Does the process have this pty open?"""
    return any(os.readlink(fd) == name for fd in Path(f"/proc/{pid}/fd").iterdir() if fd.is_symlink())


def play(master: int, frames: list[tuple[bytes, int]], faster: float) -> list[float]:
    """Write the frames at their pace; when each one's last byte had gone, monotonic seconds."""
    begun, sent_s = time.monotonic(), []
    for data, due_us in frames:
        left = begun + due_us / 1e6 / faster - time.monotonic()
        if left > 0:
            time.sleep(left)
        rest = data
        while rest:
            rest = rest[os.write(master, rest) :]
        sent_s.append(time.monotonic())
    return sent_s


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 100,
        float(sys.argv[2]) if len(sys.argv) > 2 else 8.0,
    )
