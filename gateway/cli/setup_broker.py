"""The broker beside the gateway, or ashore: Mosquitto with our settings, access list and users."""

import re

from gateway.cli.setup_system import System
from gateway.model.errors import Refused

PLACE = "/etc/mosquitto"


def broker(box: System, name: str, settings: str, acl: str, users: dict[str, str]) -> None:
    """Put settings, access list and users in place as `name` and restart it. Raises Refused."""
    if not box.has("mosquitto_passwd"):
        raise Refused("Mosquitto is not installed: apt install mosquitto (its package may lie on the stick)")
    # Debian's own file names the place already; named twice, the broker does not start.
    others = box.read(f"{PLACE}/mosquitto.conf") or ""
    for key in ("persistence", "persistence_location"):
        if re.search(rf"(?m)^\s*{key}\s", others):
            settings = re.sub(rf"(?m)^{key}\s.*\n", "", settings)
    passwords = f"{PLACE}/{name}-passwords"
    box.write(passwords, _users(box, passwords, users), 0o600, "mosquitto", "mosquitto")
    box.write(f"{PLACE}/{name}-acl", acl, 0o600, "mosquitto", "mosquitto")
    box.write(f"{PLACE}/conf.d/{name}.conf", settings, 0o644)
    box.run("systemctl", "restart", "mosquitto")


def _users(box: System, place: str, users: dict[str, str]) -> str:
    """A password file of Mosquitto with these users; others that are in it stay. Passwords go by a file, not by a
    command line, which everybody can read."""
    lines = (box.read(place) or "").splitlines()
    others = [line for line in lines if line and line.partition(":")[0] not in users]
    temporary = f"{place}.plain"
    box.write(temporary, "".join(f"{name}:{password}\n" for name, password in users.items()), 0o600)
    try:
        box.run("mosquitto_passwd", "-U", box.at(temporary))
        made = (box.read(temporary) or "").splitlines()
    finally:
        box.at(temporary).unlink(missing_ok=True)
    return "\n".join([*others, *made]) + "\n"
