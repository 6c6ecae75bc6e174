"""What one engine at 500 Hz costs live, all parts running: share of a core, resident memory, threads, descriptors.

Real processes: head on a pty in real time, Mosquitto, the daemon with capture ring, history, outbox and local socket.
Due: under 3 % of a core and under 75 MiB resident, with the page on. Also printed: how much of the memory is the
interpreter's and the libraries' own before the daemon has done anything (`import gateway.app.daemon`), the bound below
which no part of the daemon can bring it. Run: `python tests/bench/bench_live.py [SECONDS]`.
"""

import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
from service_environment import service_environment  # noqa: E402

WARM_S = 15.0
CPU_DUE_PERCENT, RESIDENT_DUE_MIB = 3.0, 75.0
IMPORTS = "import gateway.app.daemon; print(open('/proc/self/status').read())"


@dataclass(frozen=True, slots=True)
class Use:
    """What a process uses: CPU seconds so far, resident MiB now and at most, threads, descriptors."""

    cpu_s: float
    resident_mib: float
    peak_mib: float
    threads: int
    descriptors: int


def use_of(pid: int) -> Use:
    """From /proc."""
    place = Path("/proc") / str(pid)
    stat = (place / "stat").read_text().rpartition(")")[2].split()
    status = status_fields((place / "status").read_text())
    return Use(
        cpu_s=(int(stat[11]) + int(stat[12])) / 100,
        resident_mib=status["VmRSS"] / 1024,
        peak_mib=status["VmHWM"] / 1024,
        threads=status["Threads"],
        descriptors=len(list((place / "fd").iterdir())),
    )


def status_fields(text: str) -> dict[str, int]:
    """The figures of /proc/PID/status, kB where they are sizes."""
    pairs = (line.split(":", 1) for line in text.splitlines() if ":" in line)
    return {key: int(value.split()[0]) for key, value in pairs if value.split() and value.split()[0].isdigit()}


def main(seconds: float) -> None:
    """Measure and print."""
    env = service_environment()
    print("environment as in the unit:", " ".join(f"{k}={v}" for k, v in env.items()))
    imported = subprocess.run(
        [sys.executable, "-c", IMPORTS],
        capture_output=True,
        text=True,
        cwd=rig.ROOT,
        check=True,
        env={**os.environ, **env},
    )
    bare_mib = status_fields(imported.stdout)["VmRSS"] / 1024
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        data = rig.example(place, broker.port, reading_every_s=10) | {"page": {"port": 0}}
        try:
            with rig.head(place), rig.daemon(rig.written(place, data), **env) as process:
                time.sleep(WARM_S)
                before, begun = use_of(process.child.pid), time.monotonic()
                time.sleep(seconds)
                after, spent_s = use_of(process.child.pid), time.monotonic() - begun
                assert process.end() == 0
        finally:
            broker.stop()
    cpu = 100 * (after.cpu_s - before.cpu_s) / spent_s
    print(f"{'what':44s} {'found':>8s} {'due':>8s} {'found/due':>10s}")
    for what, found, due in (
        (f"CPU over {spent_s:.0f} s, % of a core", cpu, CPU_DUE_PERCENT),
        ("resident at the end, MiB", after.resident_mib, RESIDENT_DUE_MIB),
        ("resident at most, MiB", after.peak_mib, RESIDENT_DUE_MIB),
    ):
        print(f"{what:44s} {found:8.2f} {due:8.0f} {found / due:10.2f}")
    print(f"{'  of this, interpreter and imports alone, MiB':44s} {bare_mib:8.2f}")
    print(f"{'threads':44s} {after.threads:8d}")
    print(f"{'descriptors':44s} {after.descriptors:8d}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
