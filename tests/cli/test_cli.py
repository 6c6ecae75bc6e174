"""The command line: exit statuses, messages that say what to do, and never a traceback."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from in_process import camdrift
from jsonschema import Draft202012Validator

from gateway.cli.main import COMMANDS, command, parser
from gateway.encode.checked import SCHEMAS, schema

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"
TERN, TWO = CONFIG / "tern-passage.toml", CONFIG / "two-engines.toml"
CAPTURE = ROOT / "tests" / "replay" / "manoeuvring" / "capture.bin"
COMMAND = [sys.executable, "-m", "gateway.cli"]


TEN_MISTAKES = [
    ('slug = "tern-passage"', 'slug = "Tern Passage"', "vessel.slug", "1 to 32 characters of a-z"),
    ("reading_every_s = 10", "reading_every_s = 0", "gateway.reading_every_s", "at least 1"),
    ('source = "system"', 'source = "sundial"', "time.source", "'system' or 'head'"),
    ("baud = 230400", "baud = 300", "head.0.baud", "at least 1200"),
    ("ratio = 1 ", "ratio = 3 ", "engine.0.ratio", "1 or 2"),
    ("rpm_max = 104", "rpm_max = 50", "engine.0.running", "turning_rpm < rpm_min < rpm_max does not hold"),
    ("pitch_mm = 114.3", "pitch_mm = -114.3", "engine.0.chain.pitch_mm", "at least 4"),
    ("free_length_mm = 203.2", "free_length_mm = 209.0", "engine.0.tightener", "a spring does not grow"),
    ("near_deg = 1.5", "near_deg = 2.5", "engine.0.lag", "near_deg is not below limit_deg"),
    ("gate_revolutions = 11", "gate_revolution = 11", "engine.0.smoothing.gate_revolution", "unknown key"),
]


@pytest.mark.parametrize("command", ["check", "run", "replay"])
def test_ten_mistakes_are_all_told(tmp_path: Path, command: str) -> None:
    """Ten mistakes in the settings give ten lines, each with file, key and what is wrong, and exit status 78."""
    text = TERN.read_text(encoding="utf-8")
    for right, wrong, _, _ in TEN_MISTAKES:
        assert text.count(right) >= 1
        text = text.replace(right, wrong, 1)
    path = tmp_path / "ship.toml"
    path.write_text(text, encoding="utf-8")
    done = camdrift(command, path, *([CAPTURE] if command == "replay" else []))
    lines = done.stderr.splitlines()
    assert (done.returncode, len(lines), done.stdout) == (78, len(TEN_MISTAKES), "")
    for _, _, key, words in TEN_MISTAKES:
        assert [line for line in lines if line.startswith(f"{path}: {key}: ") and words in line], key


def _bytes_of(kind: str) -> bytes:
    return {"empty": b"", "garbage": bytes(range(1, 256)) * 80, "cut": CAPTURE.read_bytes()[:30_001]}[kind]


@pytest.mark.parametrize(
    ("kind", "status", "words"),
    [("empty", 1, "is empty"), ("garbage", 1, "not a capture of the head's link"), ("cut", 0, "revolutions ")],
)
def test_odd_captures(tmp_path: Path, kind: str, status: int, words: str) -> None:
    """An empty capture and garbage are told as such; one that is cut off is replayed up to the cut."""
    path = tmp_path / "capture.bin"
    path.write_bytes(_bytes_of(kind))
    done = camdrift("replay", TERN, path, "--readings")
    assert done.returncode == status
    assert words in done.stderr
    assert bool(done.stdout) == (status == 0)


def test_a_capture_of_another_head_is_named(tmp_path: Path) -> None:
    """Nothing of it is this engine's: which head it is stands on stderr, and the exit status is no."""
    config = tmp_path / "ship.toml"
    config.write_text(TERN.read_text(encoding="utf-8").replace('"port-head"', '"starboard-head"'), encoding="utf-8")
    done = camdrift("replay", config, CAPTURE)
    assert done.returncode == 1
    assert "'port-head'" in done.stderr and "'starboard-head'" in done.stderr


REFUSED = {
    "unknown command": (["watch"], 2, "invalid choice: 'watch'"),
    "no command": ([], 2, "COMMAND"),
    "unknown option": (["check", TERN, "--wears", "1"], 2, "--wears"),
    "unknown schema": (["schema", "lag"], 2, "invalid choice: 'lag'"),
    "no settings": (["check", "nowhere.toml"], 78, "nowhere.toml: cannot be read: No such file or directory"),
    "folder as settings": (
        ["check", ROOT / "tests"],
        78,
        "is a folder, not a regular file; give the path of a",
    ),
    "no capture": (["replay", TERN, "nowhere.bin"], 1, "nowhere.bin: there is no such capture"),
    "folder as capture": (["replay", TERN, ROOT / "tests"], 1, "is a folder"),
    "start": (["replay", TERN, CAPTURE, "--start", "yesterday"], 1, "--start: 'yesterday' is not an RFC 3339 time"),
    "engine not said": (["replay", TWO, CAPTURE], 1, "several engines; name one with --engine: main, aux"),
    "engine not there": (["replay", TWO, CAPTURE, "--engine", "port"], 1, "not among the engines: main, aux"),
    "no daemon": (["status", TERN, "--data-dir", ROOT / "nowhere"], 74, "`camdrift run` starts it"),
    "kept folder": (["demo", "--keep", ROOT / "tests"], 1, "give a new folder"),
}


@pytest.mark.parametrize(("args", "status", "words"), REFUSED.values(), ids=REFUSED.keys())
def test_refusals(args: list[object], status: int, words: str) -> None:
    """What cannot be done as asked is refused with the reason and the right exit status."""
    done = camdrift(*args)
    assert done.returncode == status
    assert words in done.stderr


def test_not_toml_and_not_text(tmp_path: Path) -> None:
    """A settings file that is no TOML, or no text at all, is refused with its place."""
    (tmp_path / "a.toml").write_text("[vessel\n")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    first, second = camdrift("check", tmp_path / "a.toml"), camdrift("check", tmp_path / "b.toml")
    assert (first.returncode, second.returncode) == (78, 78)
    assert "not valid TOML" in first.stderr
    assert "line 1" in first.stderr
    assert "not UTF-8" in second.stderr


def test_reader_who_leaves() -> None:
    """A reader that closes the pipe, as `head` does, ends the replay quietly and without a fault."""
    command = [*COMMAND, "replay", str(TERN), str(CAPTURE), "--readings"]
    read, write = os.pipe()
    with subprocess.Popen(command, cwd=ROOT, stdout=write, stderr=subprocess.PIPE, text=True) as child:
        os.close(read)
        os.close(write)
        _, said = child.communicate(timeout=180)
    assert child.returncode == 0
    assert said == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_output_that_cannot_be_written() -> None:
    """A full disk behind stdout is told as a failure of the output, exit status 74."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*COMMAND, "schema", "event"], cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, timeout=180
        )
    assert done.returncode == 74
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", SCHEMAS)
def test_schemas_are_schemas(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each name that `schema` offers prints a valid JSON Schema that describes an object or a choice of them."""
    args = parser().parse_args(["schema", name])
    assert command("schema").main(args) == 0
    printed = json.loads(capsys.readouterr().out)
    Draft202012Validator.check_schema(printed)
    assert printed.get("type") == "object" or printed.get("oneOf")


def test_replayed_messages_fit_their_schemas() -> None:
    """Every line of a replay is a topic and a message that the schema of its kind accepts."""
    capture = ROOT / "tests" / "replay" / "wear-in-bursts"
    done = camdrift("replay", capture / "settings.toml", capture / "capture.bin", "--readings")
    schemas = {name: Draft202012Validator(schema(name)) for name in SCHEMAS}
    seen = set()
    for line in done.stdout.splitlines():
        said = json.loads(line)
        kind = re.fullmatch(r"camdrift/1/tern-passage/main/(reading|trend|event|alarm)(/[a-z-]+)?", said["topic"])
        assert kind is not None, said["topic"]
        schemas[kind[1]].validate(said["message"])
        seen.add(kind[1])
    assert seen == {"reading", "trend", "event", "alarm"}


def test_version() -> None:
    """`--version` answers on stdout."""
    done = subprocess.run([*COMMAND, "--version"], cwd=ROOT, capture_output=True, text=True, timeout=180)
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"camdrift \d+\.\d+\.\d+\n", done.stdout)


def test_a_refusal_leaves_the_process_with_its_status() -> None:
    """What the other tests here ask in their own process is so of a process: message on stderr, exit status."""
    done = subprocess.run([*COMMAND, "check", "nowhere.toml"], cwd=ROOT, capture_output=True, text=True, timeout=180)
    assert (done.returncode, done.stdout) == (78, "")
    assert done.stderr == camdrift("check", "nowhere.toml").stderr != ""


@pytest.mark.parametrize("command", COMMANDS)
def test_help_carries_the_caution(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command has help, and the help says that this is a monitoring aid."""
    with pytest.raises(SystemExit) as left:
        parser().parse_args([command, "--help"])
    assert left.value.code == 0
    assert "monitoring aid" in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.parametrize("words", [("check", TERN), ("--help",), ("book", "--help")], ids=["check", "help", "book"])
def test_without_docstrings_it_says_the_same(words: tuple[object, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Under -OO, as the service runs, a command says what it says otherwise."""
    monkeypatch.setenv("COLUMNS", "100")
    bare = subprocess.run(
        [sys.executable, "-OO", "-m", "gateway.cli", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert (bare.returncode, bare.stderr) == (0, "")
    assert bare.stdout == camdrift(*words).stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_help_is_the_first_line_of_the_module(name: str) -> None:
    """The two places that say what a command does say the same."""
    assert (command(name).__doc__ or "").strip().splitlines()[0] == COMMANDS[name]
