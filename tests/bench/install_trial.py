"""deploy/BY_HAND.md followed line by line in a fresh Debian under a real systemd, with what an operator may do to it.

    python tests/bench/install_trial.py --box DIR [--suite bookworm] [--mirror URL]

Needs root, `debootstrap` and `systemd-container`; takes some minutes and 600 MB in DIR, which may be used again. The
box has no network but its own loopback. Shell lines are the guide's own, but for those that need a hand: see `HANDS`.
Prints what was seen, and ends with status 1 at the first thing that is not as the guide says.
"""

import argparse
import contextlib
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
STICK = "/root/stick/camdrift"
INCLUDE = "systemd,systemd-sysv,dbus,udev,procps,kmod,ca-certificates"
CAMDRIFT = "runuser -u camdrift -- /opt/camdrift/venv/bin/camdrift"
HANDS = (
    ("pip install .", "pip install -q --no-index --find-links wheels camdrift"),
    ('pip" install .', 'pip" install -q --no-index --find-links wheels camdrift'),
    ("/camdrift-passwords display ", "/camdrift-passwords -b display looking "),
    ("mosquitto_passwd /etc/mosquitto/camdrift-passwords -b", "mosquitto_passwd -b /etc/mosquitto/camdrift-passwords"),
)
"""What the guide asks a person for, or offers as the way without Internet."""
SETTINGS = (
    (r'^port = "/dev/.*"', 'port = "/dev/sensor-head"'),
    (r'^name = "ship"$', 'name = "ship"\nuser = "gateway"\npassword_file = "/etc/camdrift/ship-password"'),
)


def blocks(title: str) -> list[str]:
    """The guide's shell blocks under the heading that begins so."""
    text = (ROOT / "deploy/BY_HAND.md").read_text(encoding="utf-8")
    (part,) = [p for p in text.split("\n## ") if p.startswith(title)]
    found = re.findall(r"```sh\n(.*?)```", part, re.DOTALL)
    for i, block in enumerate(found):
        for old, new in HANDS:
            found[i] = block = block.replace(old, new)
    return found


class Box:
    """A container with systemd as its first process."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._inner: str | None = None

    def boot(self) -> None:
        """Start it; it is up when its manager says so."""
        allowed = (
            "--system-call-filter=adjtimex clock_adjtime"  # a box may ask its kernel for the clock, a container not
        )
        command = ["systemd-nspawn", "-q", "-D", str(self.root), "--register=no", "--keep-unit", "-b"]
        command += ["--private-network", "--volatile=overlay"]  # nothing of the trial stays in the folder
        self._nspawn = subprocess.Popen([*command, allowed], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        until(lambda: self._find() is not None, "the container's first process")
        until(lambda: self.run("systemctl is-system-running", ok=None).strip() in ("running", "degraded"), "booted", 60)

    def _find(self) -> str | None:
        children = subprocess.run(["pgrep", "-P", str(self._nspawn.pid)], capture_output=True, text=True, check=False)
        self._inner = children.stdout.split()[0] if children.stdout.split() else None
        return self._inner

    def run(self, line: str, ok: bool | None = True, within_s: float = 200.0) -> str:
        """Run a shell line inside, on the stick; what it printed. Asserts that it went well, or that it did not."""
        enter = ["nsenter", "-t", str(self._inner), "-m", "-p", "-u", "-i", "-n", "-C", "--"]
        shell = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "sh", "-euc", f"cd {STICK}; {line}"]
        done = subprocess.run([*enter, *shell], capture_output=True, text=True, timeout=within_s, check=False)
        said = done.stdout + done.stderr
        assert ok is None or (done.returncode == 0) is ok, f"{line}\n{said}"
        return said

    def off(self) -> None:
        """Power off."""
        if self._inner:
            self.run("systemctl poweroff", ok=None)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._nspawn.wait(60)
        if self._nspawn.poll() is None:
            self._nspawn.kill()


def until(happened: Callable[[], bool], what: str, within_s: float = 30.0) -> float:
    """Wait for something, for a bounded time; how long it took, s."""
    began = time.monotonic()
    while not happened():
        assert time.monotonic() - began < within_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.3)
    return time.monotonic() - began


def prepare(root: Path, suite: str, mirror: str) -> None:
    """A fresh Debian, with the packages that the guide's first line names, and the stick."""
    if not (root / "etc/debian_version").exists():
        command = ["debootstrap", "--variant=minbase", f"--include={INCLUDE}", suite, str(root), mirror]
        subprocess.run([c for c in command if c], check=True, stdout=subprocess.DEVNULL)
    if not (root / "usr/sbin/mosquitto").exists():
        line = blocks("1. ")[0].splitlines()[0]
        subprocess.run(
            ["chroot", str(root), "sh", "-euc", f"export DEBIAN_FRONTEND=noninteractive; {line}"], check=True
        )
    (root / "usr/sbin/policy-rc.d").unlink(missing_ok=True)
    (root / "etc/hosts").write_text("127.0.0.1 localhost\n", encoding="utf-8")
    stick = Path(f"{root}{STICK}")
    shutil.rmtree(stick, ignore_errors=True)
    skip = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", "tests")
    shutil.copytree(ROOT, stick, ignore=skip)
    subprocess.run([sys.executable, "-m", "pip", "wheel", "-q", "-w", str(stick / "wheels"), str(ROOT)], check=True)


@contextlib.contextmanager
def step(name: str) -> Iterator[list[str]]:
    """One part of the trial; what is put into the list is printed behind its name."""
    seen: list[str] = []
    began = time.monotonic()
    yield seen
    print(f"{time.monotonic() - began:6.1f} s  {name:<22} {'; '.join(seen)}", flush=True)


def install(box: Box) -> None:
    """Sections 1 to 6."""
    with step("1 user, folders"):
        box.run("\n".join(blocks("1. ")[0].splitlines()[1:]))
    with step("2 the program") as seen:
        box.run(blocks("2. ")[0])
        seen.append(box.run(f"{CAMDRIFT} --version").strip())
    with step("3 the head"):
        # No adapter here: a pseudo terminal that belongs to `dialout` stands in for it.
        box.run("\n".join(line for line in blocks("3. ")[0].splitlines() if line.startswith("cp ")))
        head = "systemd-run -q --unit=head /opt/camdrift/venv/bin/camdrift-head steady --pty --link /dev/sensor-head"
        box.run(head)
        until(
            lambda: box.run("chgrp dialout /dev/sensor-head && chmod 0660 /dev/sensor-head", ok=None) == "", "the head"
        )
    with step("4 settings") as seen:
        box.run(blocks("4. ")[0])
        text = box.run("cat /etc/camdrift/ship.toml")
        for old, new in SETTINGS:
            text, n = re.subn(old, new, text, flags=re.MULTILINE)
            assert n == 1, (old, n)
        box.run(f"cat >/etc/camdrift/ship.toml <<'E'\n{text}E")
        seen.append(box.run(f"{CAMDRIFT} check /etc/camdrift/ship.toml").splitlines()[0])
    with step("5 the broker"):
        box.run(blocks("5. ")[0])
    with step("6 the service") as seen:
        box.run(blocks("6. ")[0].split("systemctl status")[0])
        seen.append(shown(box, "StatusText", "NRestarts", "MemoryCurrent"))
        until(lambda: "ahead" in box.run(f"{CAMDRIFT} status /etc/camdrift/ship.toml", ok=None), "the engine runs", 60)
        seen.append(box.run("systemd-analyze security camdrift | tail -1").strip())
        assert box.run("systemd-analyze verify /etc/systemd/system/camdrift.service") == ""


def shown(box: Box, *names: str) -> str:
    """Properties of the service."""
    return box.run(f"systemctl show camdrift -p {','.join(names)}").strip().replace("\n", ", ")


def restarts(box: Box) -> int:
    """How often the manager has begun it anew."""
    return int(shown(box, "NRestarts").split("=")[1])


def again(box: Box, act: str, within_s: float) -> str:
    """Do something to the service's process; how long until it is ready again."""
    before = restarts(box)
    box.run(act)
    took = until(lambda: restarts(box) > before and "ActiveState=active" in shown(box, "ActiveState"), act, within_s)
    return f"ready again after {took:.0f} s"


def life(box: Box) -> None:
    """What service manager, kernel and operator do to it."""
    with step("broker aboard") as seen:
        listen = "mosquitto_sub -u display -P looking -W 20 -C 1 -t camdrift/1/tern-passage/presence"
        seen.append(box.run(listen).strip())
        box.run(listen.replace("looking", "wrong"), ok=False)
    with step("clock") as seen:
        told = f"{CAMDRIFT} status /etc/camdrift/ship.toml"
        until(lambda: "clock-doubtful" in box.run(told, ok=None), "no time server: clock-doubtful", 90)
        seen.append("clock-doubtful is raised through the unit's restrictions")
    with step("kill -9") as seen:
        seen.append(again(box, "systemctl kill -s KILL camdrift", 30))
    with step("hangs (watchdog)") as seen:
        seen.append(again(box, "kill -STOP $(systemctl show camdrift -p MainPID --value)", 60))
        assert "watchdog" in box.run("journalctl -u camdrift").lower()
    with step("read-only system") as seen:
        inside = "nsenter -t $(systemctl show camdrift -p MainPID --value) -m -- touch"
        seen += [
            box.run(f"{inside} {p}/x", ok=False).split(": ")[-1].strip() for p in ("/etc", "/opt/camdrift", "/root")
        ]
        box.run(f"{inside} /var/lib/camdrift/x && rm /var/lib/camdrift/x")


def care(box: Box) -> None:
    """Back-up, restore, upgrade, roll-back, uninstall."""
    book = f"{CAMDRIFT} book /etc/camdrift/ship.toml retightened --person trial"
    export = f"{CAMDRIFT} export /etc/camdrift/ship.toml"
    with step("back-up, restore") as seen:
        box.run(f"{book} --free-length-mm 203.2 --spring-after-mm 182.0")
        kept = box.run(f"{export} bookings")
        assert "trial" in kept
        seen.append(box.run("/opt/camdrift/share/backup.sh save /root/b.tar.gz").strip())
        refused = box.run("/opt/camdrift/share/backup.sh restore /root/b.tar.gz", ok=False)
        assert "the gateway runs" in refused
        box.run("systemctl stop camdrift && rm -r /var/lib/camdrift/* /etc/camdrift/ship.toml")
        seen.append(box.run("/opt/camdrift/share/backup.sh restore /root/b.tar.gz").splitlines()[-1])
        box.run("systemctl start camdrift")
        assert box.run(f"{export} bookings") == kept
    upgrade, rollback, uninstall = blocks("Upgrade")
    with step("upgrade") as seen:
        before = box.run("readlink /opt/camdrift/venv").strip()
        box.run(upgrade)
        seen.append(f"{before} -> {box.run('readlink /opt/camdrift/venv').strip()}")
        assert "active" in shown(box, "ActiveState") and box.run(f"{export} bookings") == kept
    with step("roll-back") as seen:
        box.run(rollback)
        assert box.run("readlink /opt/camdrift/venv").strip() == before
        seen.append(shown(box, "StatusText"))
    with step("stop") as seen:
        box.run("systemctl stop camdrift")
        seen.append(shown(box, "Result", "ExecMainStatus"))
        assert "Result=success" in seen[0]
    with step("uninstall") as seen:
        box.run(uninstall)
        left = box.run(
            "ls /opt/camdrift /etc/systemd/system/camdrift.service /etc/mosquitto/conf.d/camdrift.conf", ok=None
        )
        assert left.count("No such file") == 3
        box.run("test -e /var/lib/camdrift/state.db && systemctl is-active mosquitto")
        box.run("rm -r /etc/camdrift /var/lib/camdrift; deluser camdrift")


def main() -> int:
    """The whole trial."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--box", type=Path, required=True)
    parser.add_argument("--suite", default="bookworm")
    parser.add_argument("--mirror", default="")
    args = parser.parse_args()
    with step("fresh Debian, wheels"):
        prepare(args.box, args.suite, args.mirror)
    box = Box(args.box)
    try:
        with step("boot"):
            box.boot()
        install(box)
        life(box)
        care(box)
    finally:
        box.off()
    return 0


if __name__ == "__main__":
    sys.exit(main())
