"""deploy/SECURITY.md says only what is so: its tests are there, its capabilities complete, its ports the defaults."""

import re
import tomllib
from pathlib import Path

from gateway.model.page_settings import PageSettings
from gateway.model.panel_settings import ModbusTcpSettings, SentenceSettings
from gateway.model.settings_file import checked_settings
from tests.attack import cases
from tests.attack.case import CASES
from tests.attack.rig import DESCRIPTORS

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "deploy/SECURITY.md").read_text(encoding="utf-8")
STATES = {"met", "partly", "operator", "none", "not"}


def rows(heading: str) -> list[list[str]]:
    """Cells of the table under a heading."""
    (part,) = [p for p in TEXT.split("\n## ") if p.startswith(heading)]
    lines = [line for line in part.splitlines() if line.startswith("| ")][2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def capabilities() -> dict[int, list[str]]:
    """Each number's row."""
    found: dict[int, list[str]] = {}
    for row in rows("For all systems") + rows("With a link ashore"):
        for number in map(int, row[0].split(",")):
            assert number not in found, number
            found[number] = row
    return found


def test_every_file_and_folder_named_is_there() -> None:
    """Tests, settings and scripts that the page points to exist."""
    named = set(re.findall(r"`(tests/[A-Za-z0-9_./]+)`", TEXT))
    assert len(named) > 20 and [n for n in sorted(named) if not (ROOT / n).is_file()] == []
    beside = set(re.findall(r"\b((?:ship|shore)/[a-z0-9-]+\.[a-z]+)", TEXT))
    assert beside and [n for n in sorted(beside) if not (ROOT / "deploy" / n).is_file()] == []


def test_all_41_capabilities_have_a_state_and_what_is_met_a_reason() -> None:
    """None is missing, none is there twice; `met` and `partly` say how, `not` says why not."""
    assert sorted(capabilities()) == list(range(1, 42))
    for number, row in capabilities().items():
        assert row[2] in STATES and len(row[3]) > 15, number


def test_what_is_met_by_the_program_names_a_test() -> None:
    """But for those that are met by there being nothing, or by a recognised part of the system."""
    without = {n for n, row in capabilities().items() if row[2] == "met" and "`tests/" not in row[3]}
    assert without == {22, 29}


def test_attacks_named_are_cases_and_every_case_is_named() -> None:
    """Names beside a file of attacks are its cases, none is left out, and the unit sets the descriptors
    that they run with."""
    assert cases.ALL
    known = {f"{c.attack.__module__.rpartition('.')[2]}.py {c.name}" for c in CASES}
    named = {
        f"{file} {name}"
        for file, names in re.findall(r"`tests/attack/(on_[a-z]+\.py)`, ([a-z0-9-]+(?:, [a-z0-9-]+)*)", TEXT)
        for name in names.split(", ")
    }
    assert named - known == set() and known - named == set()
    unit = (ROOT / "deploy/ship/camdrift.service").read_text(encoding="utf-8")
    assert f"\nLimitNOFILE={DESCRIPTORS}\n" in unit


def test_listening_ports_are_the_defaults_of_the_settings() -> None:
    """The numbers and addresses of the page are those that the settings have, and nothing else is on by default."""
    ports = {(who, port): default for port, who, default, _ in rows("Every listening port")}
    page, modbus = PageSettings(), ModbusTcpSettings()
    assert ports["page", f"{page.port}/tcp"] == page.listen == "127.0.0.1"
    assert ports["Modbus TCP", f"{modbus.port}/tcp"] == modbus.listen == "127.0.0.1"
    assert SentenceSettings(port="/dev/x").receive_port is None
    least = checked_settings(tomllib.loads((ROOT / "config/minimal.toml").read_text(encoding="utf-8")))
    assert least.modbus_tcp is None and not least.sentences and not least.requests.enabled


def test_brokers_listen_where_the_page_says() -> None:
    """Every listener that is switched on in the shipped brokers' settings is in the list with its address."""
    listed = {(row[0].split("/")[0], row[2]) for row in rows("Every listening port")}
    for name in ("ship/mosquitto-ship.conf", "shore/mosquitto-shore.conf"):
        text = (ROOT / "deploy" / name).read_text(encoding="utf-8")
        listeners = re.findall(r"^listener (\d+)(?: (\S+))?", text, re.MULTILINE)
        assert listeners
        for port, address in listeners:
            assert (port, address or "all") in listed, (name, port)
    assert "listener" not in (ROOT / "deploy/ship/mosquitto-bridge.conf").read_text(encoding="utf-8")


LISTENING = {
    "outlets/control.py", "outlets/modbus/tcp.py", "web/server.py", "outlets/sentences/carriers.py",
    "cli/embedded_broker.py",  # the demo's broker, on loopback
    "cli/demo.py",  # looks whether the page's usual port is free
}  # fmt: skip


def test_the_code_opens_no_other_listener() -> None:
    """Sockets are bound in the files of the ports listed (and of the demo), and nowhere else in the gateway."""
    opens = re.compile(r"create_server\(|\.bind\(\(|\bs\.bind\(|start_server\(|start_unix_server\(|\bs\.listen\(")
    sources = {p.relative_to(ROOT / "gateway").as_posix(): p.read_text() for p in (ROOT / "gateway").rglob("*.py")}
    assert {name for name, text in sources.items() if opens.search(text)} == LISTENING
