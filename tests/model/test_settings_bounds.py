"""Every setting has bounds: nothing in a settings file can disable an alarm, end the program, or hide a slip."""

import math
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon_rig import toml_text
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.alarm.table import ENGINE_TAGS, GATEWAY_TAGS
from gateway.cli import main as cli
from gateway.encode.checked import schema
from gateway.model.alarm_tags import ENGINE_ALARM_TAGS, GATEWAY_ALARM_TAGS
from gateway.model.errors import SettingsError
from gateway.model.outlet_checks import outlet_warnings
from gateway.model.settings import EngineSettings, spring_force_n
from gateway.model.settings_file import checked_settings, load_settings, shipped_config
from gateway.model.validate import faults
from gateway.wear import geometry
from gateway.wear.plausibility import plausibility

EXAMPLE = tomllib.loads(shipped_config("tern-passage.toml").read_text(encoding="utf-8"))
LEGAL_DERIVED = 1e15
"""No figure that follows from settings within their bounds comes near this."""


def changed(path: str, value: object) -> dict[str, Any]:
    """The example with one value set; a path such as `engine.0.chain.pitch_mm`."""
    return _set(EXAMPLE, path.split("."), value)


def _set(node: Any, keys: list[str], value: object) -> Any:
    if not keys:
        return value
    if isinstance(node, list):
        at = int(keys[0])
        return [_set(x, keys[1:], value) if n == at else x for n, x in enumerate(node)]
    return node | {keys[0]: _set(node.get(keys[0], {}), keys[1:], value)}


def faults_of(folder: Path, data: dict[str, Any]) -> list[str]:
    """The lines with which a file of these settings is refused, without the file's name."""
    path = folder / "ship.toml"
    path.write_text(toml_text(data), encoding="utf-8")
    with pytest.raises(SettingsError) as refused:
        load_settings(path)
    assert all(line.startswith(f"{path}: ") for line in refused.value.faults)
    return [line.removeprefix(f"{path}: ") for line in refused.value.faults]


REFUSED = [
    ("engine.0.alarms", {"lag-neer": {"on_delay_s": 1}}, "lag-neer: there is no such alarm; do you mean lag-near?"),
    ("engine.0.alarms", {"storage-fault": {}}, "storage-fault: this alarm does not belong here; move it to [alarms"),
    ("alarms", {"storage-falt": {}}, "alarms.storage-falt: there is no such alarm; do you mean storage-fault?"),
    ("alarms", {"lag-near": {}}, "alarms.lag-near: this alarm does not belong here; move it to [engine.alarms"),
    ("engine.0.alarms", {"lag-near": {"on_delay_s": 1e18}}, "on_delay_s: 1e+18 is not allowed, at most 172800"),
    ("engine.0.running.settle_min", 1e12, "settle_min: 1000000000000.0 is not allowed, at most 1440"),
    ("engine.0.running.steady_s", 1e12, "steady_s: 1000000000000.0 is not allowed, at most 3600"),
    ("engine.0.chain.pitch_mm", 1e300, "pitch_mm: 1e+300 is not allowed, at most 250"),
    ("engine.0.chain.pitch_mm", "114.3", "pitch_mm: '114.3' is not allowed, a number is needed"),
    ("engine.0.chain.pitch_mm", True, "pitch_mm: True is not allowed, a number is needed"),
    ("engine.0.chain.loop_links", "150", "loop_links: '150' is not allowed, a whole number is needed"),
    ("engine.0.lag.limit_deg", 1e6, "limit_deg: 1000000.0 is not allowed, at most 20"),
    ("engine.0.tightener.wrap_deg", 1e-300, "wrap_deg: 1e-300 is not allowed, at least 5"),
    ("capture.enabled", "yes", "capture.enabled: 'yes' is not allowed, true or false is needed"),
    ("gateway.data_dir", "/var/\0lib", "gateway.data_dir: a path without NUL"),
    ("gateway.data_dir", "/" + "x" * 5_000, "gateway.data_dir: a path without NUL of at most 4095 characters"),
    ("head.0.port", "/dev/tty\0", "head.0.port: '/dev/tty\\x00' is not allowed, a text on one line"),
    ("vessel.name", "a\nb", "vessel.name: 'a\\nb' is not allowed, a text on one line"),
    ("page.cert_file", "/a\0", "page.cert_file: '/a\\x00' is not allowed"),
    ("modbus_tcp", {"acknowledge_from": [3]}, "acknowledge_from.0: 3 is not allowed, an address as text is needed"),
    ("time.start", "yesterday", "time.start: 'yesterday' is not allowed"),
]


@pytest.mark.parametrize(("path", "value", "line"), REFUSED, ids=[f"{n}-{p}" for n, (p, _, _) in enumerate(REFUSED)])
def test_what_would_disable_an_alarm_or_end_the_program_is_refused(
    tmp_path: Path, path: str, value: object, line: str
) -> None:
    """One line, which names the key, what is wrong and what is allowed."""
    lines = faults_of(tmp_path, changed(path, value))
    assert any(line in x for x in lines), lines
    assert all(x.isprintable() for x in lines)


def test_the_alarms_that_can_be_set_are_those_of_the_table() -> None:
    """Whoever adds an alarm to the table makes it known here, too."""
    assert set(ENGINE_TAGS) <= set(ENGINE_ALARM_TAGS)
    assert set(GATEWAY_TAGS) <= set(GATEWAY_ALARM_TAGS)
    assert not set(ENGINE_ALARM_TAGS) & set(GATEWAY_ALARM_TAGS)


def unbounded(node: dict[str, Any], name: str) -> Iterator[str]:
    """Fields of a JSON Schema without bounds on both sides."""
    for option in node.get("anyOf", []):
        yield from unbounded(option, name)
    if any(k in node for k in ("enum", "const", "$ref", "format", "anyOf")):
        return
    kind = node.get("type")
    low, high = node.keys() & {"minimum", "exclusiveMinimum"}, node.keys() & {"maximum", "exclusiveMaximum"}
    if kind in ("number", "integer") and not (low and high):
        yield name
    if kind == "string" and "maxLength" not in node and "{" not in node.get("pattern", ""):
        yield name
    if kind == "array":
        if "maxItems" not in node:
            yield name
        for item in (node.get("items", {}), *node.get("prefixItems", [])):
            yield from unbounded(item if isinstance(item, dict) else {}, f"{name}[]")


def test_every_field_has_bounds() -> None:
    """Read from the published schema: numbers, texts and lists of all sections."""
    whole = schema("settings")
    sections = {"Settings": whole, **whole["$defs"]}
    found = [
        name
        for section, body in sections.items()
        for key, node in body.get("properties", {}).items()
        for name in unbounded(node, f"{section}.{key}")
    ]
    assert found == []
    assert len(sections) > 20


WARNED = [
    (
        {"modbus_rtu": [{"port": "/dev/ttyUSB0"}], "sentences": [{"port": "/dev/ttyUSB0", "mnemonic": "CDR"}]},
        "/dev/ttyUSB0 is used by modbus_rtu.0 and sentences.0",
    ),
    ({"modbus_rtu": [{"port": "@head"}]}, "is used by head main and modbus_rtu.0"),
    (
        {"modbus_tcp": {"port": 8_484, "listen": "192.0.2.7"}, "page": {"port": 8_484}},
        "TCP port 8484 is used by modbus_tcp and page",
    ),
    ({"modbus_tcp": {"listen": "0.0.0.0", "acknowledge_enabled": True}}, "listens on all addresses and anybody may"),
    ({"sentences": [{"port": "/dev/ttyS7"}]}, "sentences.0: mnemonic is not set"),
    ({"modbus_tcp": {}}, "only this computer can read; set listen to this computer's address on the panel network"),
    ({"modbus_tcp": {"port": 502, "listen": "192.0.2.7"}}, "port 502 is below 1024"),
    ({"modbus_tcp": {"listen": "192.0.2.7", "acknowledge_from": ["192.0.2.9/32"]}}, "acknowledge_from has no effect"),
    ({"modbus_rtu": [{"port": "/dev/ttyS7", "parity": "N"}]}, "modbus_rtu.0: no parity with 1 stop bit"),
    (
        {"sentences": [{"transport": "udp", "mnemonic": "CDR", "interface": "192.0.2.7", "accept": True}]},
        "sentences.0: accept is true and receive_port is not set",
    ),
    ({"sentences": [{"transport": "udp", "mnemonic": "CDR"}]}, "sentences.0: interface is not set"),
    (
        {"alarms": {"storage-fault": {"priority": "caution"}}},
        "alarms.storage-fault: priority is caution, usually warning",
    ),
]


@pytest.mark.parametrize(("outlets", "words"), WARNED, ids=[w for _, w in WARNED])
def test_check_warns_of_a_slip_at_the_outlets(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], outlets: dict[str, Any], words: str
) -> None:
    """Allowed, since a configuration of an earlier version still runs, but printed by `check`."""
    data = EXAMPLE | {"relay": [], "modbus_rtu": [], "sentences": []} | outlets
    data["head"] = [EXAMPLE["head"][0] | {"slug": "main", "port": "/dev/ttyHEAD"}]
    data["engine"] = [EXAMPLE["engine"][0] | {"head": "main"}]
    text = toml_text(data).replace("@head", "/dev/ttyHEAD")
    path = tmp_path / "ship.toml"
    path.write_text(text, encoding="utf-8")
    assert cli.main(["check", str(path)]) == 0
    odd = [line for line in capsys.readouterr().out.splitlines() if line.startswith("odd: ")]
    assert len(odd) == 1 and words in odd[0]


def test_check_shows_what_the_panel_gets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each outlet with its port; where there is none, what to set."""
    assert cli.main(["check", str(shipped_config("tern-passage.toml"))]) == 0
    assert "for a panel set modbus_tcp, modbus_rtu, sentences or relay" in capsys.readouterr().out
    path = tmp_path / "ship.toml"
    relay = {"engine": "main", "through": "rts", "port": "/dev/ttyS9"}
    path.write_text(toml_text(EXAMPLE | {"modbus_tcp": {"listen": "192.0.2.7"}, "relay": [relay]}), encoding="utf-8")
    assert cli.main(["check", str(path)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Modbus TCP 192.0.2.7:1502: reading only" in shown and "relay RTS of /dev/ttyS9: engine main" in shown


def test_the_examples_have_no_slip() -> None:
    """What travels with the package is an example in this, too: unset is only what the panel's maker must give."""
    for name in ("tern-passage.toml", "minimal.toml", "two-engines.toml"):
        assert [w for w in outlet_warnings(load_settings(shipped_config(name))) if "mnemonic" not in w] == []


def derived(engine: EngineSettings) -> Iterator[float]:
    """All figures that `check` prints of an engine."""
    f, t = geometry.figures(engine), engine.tightener
    yield from (f.deg_per_tenth_percent, *f.tooth_deg, f.spring_mm_per_deg, t.rate, t.target_length_mm)
    yield from (*f.band_length_mm, *f.band_force_n, *f.band_tension_n, spring_force_n(t, t.required_compression_mm))
    yield from (x for limit in f.limits for x in (limit.growth_percent, limit.hours(0.02) or 0.0))


def leaves(node: Any, path: str = "") -> Iterator[str]:
    """Paths of all values that are no tables."""
    if isinstance(node, dict | list):
        for key, inner in node.items() if isinstance(node, dict) else enumerate(node):
            yield from leaves(inner, f"{path}.{key}" if path else str(key))
    else:
        yield path


numbers = st.one_of(
    st.floats(),
    st.integers(-(10**30), 10**30),
    st.sampled_from([0, 1, 2, 5, 1e-300, 5e-324, 1e300, 1.7e308, 0.001, 0.01, 4, 20, 100, 330, 1_440, 10_000, 10**400]),
)
values = st.one_of(
    numbers,
    numbers,
    st.text(max_size=20),
    st.booleans(),
    st.lists(numbers, max_size=3),
    st.dictionaries(st.text(max_size=8), numbers, max_size=2),
    st.sampled_from(["\0", "lag-near", "sprung", "locked", "x" * 300, "2026-03-01T12:00:00Z", {}, []]),
)


@given(changes=st.lists(st.tuples(st.sampled_from(sorted(leaves(EXAMPLE))), values), min_size=1, max_size=3))
@example(changes=[("engine.0.chain.pitch_mm", 1e300)])
@example(changes=[("engine.0.tightener.wrap_deg", 5e-324)])
def test_settings_are_refused_in_lines_or_give_finite_figures(changes: list[tuple[str, object]]) -> None:
    """No document ends in an unexpected fault, and whatever is accepted gives finite figures and warnings."""
    data = EXAMPLE
    for path, value in changes:
        data = _set(data, path.split("."), value)
    try:
        settings = checked_settings(data)
    except ValidationError as e:
        lines = faults(e, whole="(whole file)", toml=True)
        assert lines and all(line.isprintable() and len(line) < 2_000 for line in lines)
        return
    outlet_warnings(settings)
    for engine in settings.engine:
        assert all(math.isfinite(x) and abs(x) < LEGAL_DERIVED for x in derived(engine)), list(derived(engine))
        assert all(isinstance(x, str) for x in plausibility(engine))
