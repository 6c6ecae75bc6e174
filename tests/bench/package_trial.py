"""The packages tried in a fresh Debian under a real systemd, the network cut: ashore, from a head to the store ashore,
aboard, a spare box.

    python tests/bench/package_trial.py --box DIR [--suite bookworm] [--mirror URL] [--debs DIR]

Needs root, `debootstrap`, `systemd-container` and what `deploy/deb/build.py` needs; takes some minutes and 1 GB in DIR,
which may be used again. Builds both packages, and each a second time to compare the bytes (`--debs`: takes those of an
earlier run). What a person says at a pier is counted and timed: goal five commands and ten minutes each.
"""

import argparse
import base64
import re
import subprocess
import sys
import time
from pathlib import Path

from install_trial import INCLUDE, ROOT, Box, step, until

STICK = "/root/stick"
NEEDED = "python3 mosquitto mosquitto-clients openssl chrony debconf libpq5 postgresql"
OLD, NEW = "0.1.0", "0.1.1"
BUILD = [sys.executable, str(ROOT / "deploy/deb/build.py")]
SHORE_ANSWERS = f"""host = "shore.example"
ship = "tern-passage"
ship_settings = "{STICK}/ship.toml"
bundle_dir = "{STICK}"
notice_address = "https://fleet.example"
[[people]]
name = "anna"
addresses_file = "{STICK}/anna"
[[fleet_users]]
name = "superintendent"
password_file = "{STICK}/second"
"""
WORK = (
    '{"v":1,"gateway":"6f0d8a52-3c1b-4d0e-9a54-2b7a1f6f2c11","seq":1,"ts":"2031-02-03T04:05:07.000Z","hours":21450.5,'
    '"kind":"adjustment","what":"camshaft-set","by":"trial","before":{},"after":{"gauge_mm":0.0,"raw_deg":17.5,'
    '"record_id":"set-1","work_utc":"2031-02-03T04:00:00.000Z"},"text":"booked by root"}'
)
LINK_ANSWERS = f"""name = "Tern Passage"
slug = "tern-passage"
head_port = "/dev/sensor-head"
bundle = "{STICK}/tern-passage.bundle"
"""
"""Without a broker aboard: both packages are on one box, and the broker on it is the shore's."""
SPARE_ANSWERS = 'head_port = "/dev/sensor-head"\n'
HOOK = """
import http.server
class Taken(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        open("/root/notices", "ab").write(self.rfile.read(int(self.headers["Content-Length"])) + b"\\n")
        self.send_response(200); self.end_headers()
http.server.HTTPServer(("127.0.0.1", 9999), Taken).serve_forever()
"""
NEWER = """
import sqlite3
db = sqlite3.connect("/var/lib/camdrift/state.db")
db.execute("PRAGMA user_version=99"); db.execute(f"PRAGMA application_id={0x43440000 + 99}")
"""
ANSWERS = f"""name = "Tern Passage"
slug = "tern-passage"
head_port = "/dev/sensor-head"
ship_broker = true
display_password_file = "{STICK}/display"
bundle = "{STICK}/tern-passage.bundle"
[[page_users]]
name = "second.engineer"
password_file = "{STICK}/second"
"""
MODBUS = """
import socket, struct, sys
with socket.create_connection(("127.0.0.1", 1502), 10) as s:
    s.sendall(struct.pack(">HHHBBHH", 1, 0, 6, 1, 2, int(sys.argv[1]), 1))
    print(s.recv(64)[9] & 1)
"""


class Person:
    """What a person says, counted."""

    def __init__(self, box: Box) -> None:
        self.box, self.commands, self.seconds = box, 0, 0.0

    def says(self, line: str, ok: bool | None = True) -> str:
        """One command of the guide."""
        self.commands += 1
        began = time.monotonic()
        try:
            return self.box.run(line, ok=ok, within_s=900)
        finally:
            self.seconds += time.monotonic() - began

    def sum(self) -> str:
        """For the closing line."""
        return f"{self.commands} commands, {self.seconds / 60:.1f} min of waiting for them"


def built(folder: Path) -> None:
    """Both packages, twice; the ship's also under a newer version, signed, and with a signature of somebody else."""
    for kind, name in (("ship", "camdrift"), ("shore", "camdrift-shore")):
        first, second = folder / "first", folder / "second"
        subprocess.run([*BUILD, "--out", str(first), "--only", kind, "--version", OLD], check=True)
        wheels = ["--wheels", str(first / f"wheels-{name}")]
        subprocess.run([*BUILD, "--out", str(second), "--only", kind, "--version", OLD, *wheels], check=True)
        (a,), (b,) = first.glob(f"{name}_*.deb"), second.glob(f"{name}_*.deb")
        assert a.read_bytes() == b.read_bytes(), f"{name}: two builds differ"
    newer = ["--out", str(folder / "newer"), "--only", "ship", "--version", NEW]
    subprocess.run([*BUILD, *newer, "--wheels", str(folder / "first/wheels-camdrift")], check=True)


def prepare(root: Path, suite: str, mirror: str, debs: Path) -> None:
    """A fresh Debian with the packages that can be carried in the same folder, and the stick."""
    if not (root / "etc/debian_version").exists():
        command = ["debootstrap", "--variant=minbase", f"--include={INCLUDE}", suite, str(root), mirror]
        subprocess.run([c for c in command if c], check=True, stdout=subprocess.DEVNULL)
    if not (root / "usr/sbin/mosquitto").exists():
        quiet = (
            "export DEBIAN_FRONTEND=noninteractive; apt-get update -qq; apt-get install -y -qq --no-install-recommends"
        )
        subprocess.run(["chroot", str(root), "sh", "-euc", f"{quiet} {NEEDED}"], check=True, stdout=subprocess.DEVNULL)
    (root / "usr/sbin/policy-rc.d").unlink(missing_ok=True)
    (root / "etc/hosts").write_text("127.0.0.1 localhost\n", encoding="utf-8")
    stick = Path(f"{root}{STICK}")
    # The trial's lines are run where the stick is.
    (stick / "camdrift").mkdir(parents=True, exist_ok=True)
    for old in (p for p in stick.iterdir() if p.is_file()):
        old.unlink()
    for deb in (*debs.glob("first/*.deb"), *debs.glob("newer/*.deb")):
        (stick / deb.name).write_bytes(deb.read_bytes())
    ship = (ROOT / "config/tern-passage.toml").read_text(encoding="utf-8")
    panel = '\n[modbus_tcp]\nlisten = "127.0.0.1"\n'
    texts = {"ship.toml": ship + panel, "answers.toml": ANSWERS, "shore.toml": SHORE_ANSWERS, "modbus.py": MODBUS}
    texts |= {"display": "looking at it all\n", "second": "a long pass word\n", "anna": "json://127.0.0.1:9999/\n"}
    texts |= {"link.toml": LINK_ANSWERS, "spare.toml": SPARE_ANSWERS, "hook.py": HOOK, "newer.py": NEWER}
    texts["postgresql.toml"] = 'store = "postgresql"\n' + SHORE_ANSWERS
    for name, text in texts.items():
        (stick / name).write_text(text, encoding="utf-8")


def ashore(box: Box, root: Path) -> None:
    """Broker, SQLite, keepers; a bundle for the ship; a message from her to the store."""
    person = Person(box)
    with step("shore: install") as seen:
        person.says(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift-shore_*.deb")
        seen.append(box.run("systemctl is-active 'camdrift-keep@*'", ok=None).strip() or "nothing runs")
    with step("shore: setup") as seen:
        box.run(f"systemd-run -q --unit=hook python3 {STICK}/hook.py")
        told = person.says(f"camdrift-shore setup --answers {STICK}/shore.toml")
        seen.append(next(x for x in told.splitlines() if x.startswith("trial notice")))
        keepers = "systemctl is-active camdrift-keep@1 camdrift-keep@2"
        until(lambda: box.run(keepers, ok=None).split() == ["active", "active"], "keepers", 60)
        until(lambda: "keeper.connected" in box.run("journalctl -u camdrift-keep@1", ok=None), "connected", 60)
        seen.append(person.sum())
    with step("shore: a ship's message") as seen:
        place = "/etc/camdrift-shore/authority"
        sent = f"mosquitto_pub -h shore.example -p 8883 --cafile {place}/ca.pem --cert {place}/tern-passage.pem"
        said = '{"v":1,"state":"online","ts":"2031-02-03T04:05:06.000Z","version":"0.1.0"}'
        box.run(f"{sent} --key {place}/tern-passage.key -q 1 -t camdrift/1/tern-passage/presence -m '{said}'")
        rows = '/usr/lib/camdrift-shore/venv/bin/python -c "import sqlite3; print(sqlite3.connect('
        rows += "'/var/lib/camdrift-shore/fleet.db').execute('select * from vessel').fetchall())\""
        until(lambda: "tern-passage" in box.run(rows, ok=None), "kept", 30)
        seen.append("kept")
    with step("shore: notices, page") as seen:
        units = "systemctl is-active camdrift-notify@1 camdrift-notify@2 camdrift-fleet"
        until(lambda: box.run(units, ok=None).split() == ["active"] * 3, "notifiers and page", 60)
        assert "Trial notice" in box.run("cat /root/notices")
        page = "python3 -c 'import urllib.request as u; print(u.urlopen(\"http://127.0.0.1:8485/\").status)'"
        until(lambda: box.run(page, ok=None).strip() == "200", "the fleet's page", 30)
        seen.append("active; the notice has come; the page answers")
    head_to_shore(box)
    with step("shore: PostgreSQL") as seen:
        box.run(f"camdrift-shore setup --answers {STICK}/postgresql.toml", within_s=600)
        until(lambda: box.run(keepers, ok=None).split() == ["active", "active"], "keepers", 60)
        until(lambda: box.run(units, ok=None).split() == ["active"] * 3, "notifiers and page", 60)
        box.run(f"{sent} --key {place}/tern-passage.key -q 1 -t camdrift/1/tern-passage/main/event -m '{WORK}'")
        count = "cd /; runuser -u camdrift-shore -- psql -tA fleet -c 'select count(*) from event'"
        until(lambda: box.run(count, ok=None).strip().endswith("1"), "kept in PostgreSQL", 60)
        seen.append("an event of work is kept in it")
    with step("shore: a bundle for a spare box") as seen:
        told = box.run("camdrift-shore setup --ship tern-passage --spare")
        seen += [x.strip() for x in told.splitlines() if "Not ashore" in x][:1]
    with step("shore: signs an update") as seen:
        key = "sh /usr/lib/camdrift-shore/certificates.sh sign /etc/camdrift-shore/authority"
        seen.append(box.run(f"{key} {STICK}/camdrift_{NEW}*.deb").strip())
        for name in (
            "tern-passage.bundle",
            *(p.name + ".sig" for p in Path(f"{root}{STICK}").glob(f"camdrift_{NEW}*.deb")),
        ):
            # What is carried from one box to the other.
            held = box.run(f"base64 -w0 {STICK}/{name}")
            Path(f"{root}{STICK}/{name}").write_bytes(base64.b64decode(held))
    with step("shore: remove, purge") as seen:
        box.run("apt-get remove -y -qq camdrift-shore")
        box.run("test -e /var/lib/camdrift-shore/fleet.db")
        purge(box, "camdrift-shore", "true")
        gone = box.run("ls -d /var/lib/camdrift-shore /etc/camdrift-shore /usr/lib/camdrift-shore", ok=None)
        assert gone.count("No such file") == 3, gone


def head_to_shore(box: Box) -> None:
    """A head aboard, its gateway with the shore's bundle, the broker, a keeper, the store: no stand-in between them."""
    asked = "/usr/lib/camdrift-shore/venv/bin/python -c 'import sqlite3, sys; print(sqlite3.connect("
    asked += '"/var/lib/camdrift-shore/fleet.db").execute(sys.argv[1]).fetchall())\' '

    def store(query: str) -> str:
        return box.run(f'{asked} "{query}"', ok=None)

    events = "select count(*) from event where vessel = 'tern-passage'"
    with step("head to shore: alarms") as seen:
        box.run(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift_{OLD}*.deb")
        head(box)
        told = box.run(f"camdrift setup --answers {STICK}/link.toml", within_s=600)
        assert "the trial alarm stands" in told, told
        of_trial = "select vessel, engine, state from alarm where tag = 'trial'"
        until(lambda: "'tern-passage'" in store(of_trial), "the trial alarm in the store ashore", 60)
        status = "camdrift status /etc/camdrift/ship.toml"
        until(lambda: "ahead" in box.run(status, ok=None), "the engine runs", 60)
        silent = "select engine, state from alarm where tag = 'head-silent'"
        assert "unacknowledged'" not in store(silent), store(silent)
        box.run("systemctl stop head")
        seconds = until(lambda: "unacknowledged'" in store(silent), "the head's end in the store ashore", 60)
        until(lambda: "kept ashore up to" in box.run(status, ok=None), "the receipt aboard", 60)
        seen += [store(of_trial).strip(), f"head pulled: ashore after {seconds:.0f} s, {store(silent).strip()}"]
    with step("head to shore: a keeper is emptied") as seen:
        box.run("systemctl stop 'camdrift-keep@*'")
        before = store(events)
        box.run("camdrift book /etc/camdrift/ship.toml note --person trial --note later")
        time.sleep(10)  # what was sent waits at the broker, which has no command that shows it
        assert store(events) == before
        guide = (ROOT / "deploy/shore/README.md").read_text(encoding="utf-8")
        (lines,) = [x for x in re.findall(r"```sh\n(.*?)```", guide, re.DOTALL) if "keep --drain" in x]
        told = box.run(lines, within_s=300)
        assert store(events) != before, told
        seen += [x for x in told.splitlines() if x.startswith("kept ")]
        box.run("systemctl start camdrift-keep@1 camdrift-keep@2")
        purge(box, "camdrift", "true")


def purge(box: Box, package: str, answer: str) -> str:
    """With the question answered beforehand."""
    box.run(f"echo '{package} {package}/purge-data boolean {answer}' | debconf-set-selections")
    return box.run(f"DEBIAN_FRONTEND=noninteractive apt-get purge -y -qq {package}")


def head(box: Box) -> None:
    """No adapter here: a pseudo terminal that belongs to `dialout` stands in for it."""
    box.run("systemctl stop head; systemctl reset-failed head", ok=None)
    box.run("systemd-run -q --unit=head /usr/lib/camdrift/venv/bin/camdrift-head steady --pty --link /dev/sensor-head")
    until(lambda: box.run("chgrp dialout /dev/sensor-head && chmod 0660 /dev/sensor-head", ok=None) == "", "the head")


def aboard(box: Box) -> None:
    """Install, setup from answers, alarm at panel and broker, update, back, remove, purge, a spare box."""
    person = Person(box)
    with step("install") as seen:
        person.says(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift_{OLD}*.deb")
        state = [box.run(f"systemctl {ask} camdrift", ok=None).strip() for ask in ("is-active", "is-enabled")]
        assert state == ["inactive", "disabled"], state
        seen.append(f"{', '.join(state)}; {box.run('camdrift --version').strip()}")
    head(box)
    with step("setup") as seen:
        told = person.says(f"camdrift setup --answers {STICK}/answers.toml")
        assert "the trial alarm stands" in told and "figures" not in told.partition("Left to do")[2], told
        seen.append(person.sum())
        seen += [x for x in told.splitlines() if x.startswith(("trial", "broker"))]
    with step("alarm at the broker") as seen:
        listen = "mosquitto_sub -u display -P 'looking at it all' -W 20 -C 1 -t 'camdrift/1/tern-passage/+/alarm/trial'"
        listen += " -t 'camdrift/1/tern-passage/alarm/trial'"
        state = box.run(listen)
        assert '"unacknowledged"' in state or '"acknowledged"' in state, state
        box.run(listen.replace("looking", "wrong"), ok=False)
        seen.append(state[:100])
    with step("alarm at the panel") as seen:
        listed = box.run("camdrift panel /etc/camdrift/ship.toml --csv")
        (line, *_) = [x for x in listed.splitlines() if "trial" in x.lower() and "discrete" in x.lower()]
        number = next(word for word in line.replace('"', "").split(",") if word.isdecimal())
        bit = box.run(f"python3 {STICK}/modbus.py {number}").strip()
        assert bit == "1", (line, bit)
        seen.append(f"discrete input {number} is {bit}")
    with step("doctor") as seen:
        until(lambda: "ahead" in box.run("camdrift status /etc/camdrift/ship.toml", ok=None), "the engine runs", 60)
        told = person.says("camdrift doctor --bundle /root/out.tar.gz", ok=None)
        wrong = [x for x in told.splitlines() if x.startswith("WRONG")]
        assert all("shore" in x for x in wrong), told
        seen.append("; ".join(wrong))
    export = "camdrift export /etc/camdrift/ship.toml bookings"
    with step("work is booked, settings and conffile changed"):
        book = "camdrift book /etc/camdrift/ship.toml retightened --person trial"
        box.run(f"{book} --free-length-mm 203.2 --spring-after-mm 182.0")
        box.run("sed -i 's/^limit_deg = 2.0 /limit_deg = 1.9 /' /etc/camdrift/ship.toml; systemctl restart camdrift")
        box.run("echo '# mine' >> /etc/default/camdrift")
    kept, settings = box.run(export), box.run("cat /etc/camdrift/ship.toml")
    assert "trial" in kept
    kept = update(box, export, kept, settings)
    spare(box, export, kept)
    print(f"aboard, install to trial alarm and doctor: {person.sum()}")


def update(box: Box, export: str, kept: str, settings: str) -> str:
    """By stick: refused without a right signature; then up, and back; back again where the older one refuses the store.
    Returns the log book."""
    new = f"{STICK}/camdrift_{NEW}+deb12_*.deb"
    with step("update: a changed package") as seen:
        box.run(
            f"mkdir -p /root/bad; cp {new} {new}.sig /root/bad/; printf x | tee -a /root/bad/camdrift_{NEW}+deb12_*.deb"
        )
        refused = box.run(f"camdrift-update /root/bad/camdrift_{NEW}+deb12_*.deb", ok=False)
        assert "nothing was changed" in refused, refused
        assert box.run("dpkg-query -W -f '${Version}' camdrift").startswith(OLD)
        seen.append(refused.strip().splitlines()[-1])
    with step("update") as seen:
        told = box.run(f"camdrift-update {new}", within_s=900)
        assert box.run("dpkg-query -W -f '${Version}' camdrift").startswith(NEW)
        seen += [x for x in told.splitlines() if x.startswith(("updated", "the alarm path"))]
        assert box.run(export) == kept and box.run("cat /etc/camdrift/ship.toml") == settings
        assert "# mine" in box.run("cat /etc/default/camdrift")
        assert box.run(f"ls /var/backups/camdrift/before-{NEW}*")
        box.run("systemctl is-active camdrift")
    with step("back") as seen:
        told = box.run("camdrift-update back", within_s=900)
        assert box.run("dpkg-query -W -f '${Version}' camdrift").startswith(OLD)
        seen += [x for x in told.splitlines() if x.startswith(("back", "the alarm path"))]
        assert box.run(export) == kept and box.run("cat /etc/camdrift/ship.toml") == settings
        box.run("systemctl is-active camdrift")
    with step("back from a store of a newer one") as seen:
        box.run(f"camdrift-update {new}", within_s=900)
        book = "camdrift book /etc/camdrift/ship.toml note --person trial --note later"
        box.run(book)
        kept = box.run(export)
        box.run(f"systemctl stop camdrift; python3 {STICK}/newer.py")
        told = box.run("camdrift-update back", within_s=900)
        assert "cannot read the store" in told and "later" in kept and box.run(export) == kept, told
        box.run("systemctl is-active camdrift; ls /var/lib/camdrift/state.db.before-*")
        seen += [x for x in told.splitlines() if x.startswith(("version", "back", "the alarm path"))]
    return kept


def spare(box: Box, export: str, kept: str) -> None:
    """Remove keeps, purge asks; an empty box takes over from the stick."""
    state = '/usr/lib/camdrift/venv/bin/python -c "import sqlite3; print([r[0] for r in sqlite3.connect('
    state += "'/var/lib/camdrift/state.db').execute('select value from fact where key=?', ['gateway_id'])])\""
    with step("back-up onto the stick") as seen:
        old_id = box.run(state).strip()
        seen.append(box.run(f"/usr/lib/camdrift/backup.sh save {STICK}/back-up.tar.gz").strip())
    with step("remove") as seen:
        box.run("apt-get remove -y -qq camdrift")
        box.run("test -e /var/lib/camdrift/state.db; test -e /etc/camdrift/ship.toml; ! test -e /usr/lib/camdrift")
        seen.append("data and settings stay")
    with step("purge, answered no, then yes") as seen:
        purge(box, "camdrift", "false")
        box.run("test -e /var/lib/camdrift/state.db")
        box.run(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift_{OLD}*.deb")
        purge(box, "camdrift", "true")
        gone = box.run(
            "ls -d /var/lib/camdrift /etc/camdrift /etc/mosquitto/conf.d/camdrift.conf /usr/lib/camdrift", ok=None
        )
        assert gone.count("No such file") == 4, gone
        seen.append("kept, then gone")
    person = Person(box)
    with step("a spare box takes over") as seen:
        person.says(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift_{OLD}*.deb")
        head(box)
        told = person.says(f"camdrift setup --restore {STICK}/back-up.tar.gz --answers {STICK}/answers.toml")
        assert "the trial alarm stands" in told, told
        assert box.run(export) == kept
        assert "limit_deg = 1.9" in box.run("cat /etc/camdrift/ship.toml")
        new_id = box.run(state).strip()
        link = [x for x in box.run("camdrift export /etc/camdrift/ship.toml events").splitlines() if "restored" in x]
        # The way back from a store of a newer one was a restore too; each has a link of its own.
        assert new_id != old_id and len(link) == 2 and old_id.strip("[]'") in link[-1], link
        seen += [person.sum(), link[-1][:160]]
    person = Person(box)
    with step("a spare box takes over from ashore") as seen:
        purge(box, "camdrift", "true")
        person.says(f"apt-get install -y -qq --no-install-recommends {STICK}/camdrift_{OLD}*.deb")
        head(box)
        told = person.says(f"camdrift setup --restore {STICK}/tern-passage.bundle --answers {STICK}/spare.toml")
        assert "the trial alarm stands" in told and "not ashore" in told, told
        assert "camshaft-set" in box.run(export) and "hours_at_start = 21450.5" in box.run(
            "cat /etc/camdrift/ship.toml"
        )
        seen.append(person.sum())


def main() -> int:
    """The whole trial."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--box", type=Path, required=True)
    parser.add_argument("--suite", default="bookworm")
    parser.add_argument("--mirror", default="")
    parser.add_argument("--debs", type=Path, help="packages of an earlier run; built where they are not there")
    args = parser.parse_args()
    debs = args.debs or args.box.with_name(f"{args.box.name}-debs")
    if not (debs / "newer").exists():
        with step("packages, twice"):
            built(debs)
    with step("fresh Debian"):
        prepare(args.box, args.suite, args.mirror, debs)
    for part in (lambda b: ashore(b, args.box), aboard):
        box = Box(args.box)
        try:
            with step("boot"):
                box.boot()
            part(box)
        finally:
            box.off()
    return 0


if __name__ == "__main__":
    sys.exit(main())
