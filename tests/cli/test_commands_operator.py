"""The operator's commands against a real daemon: what they do, what they refuse, what outlives a restart."""

import csv
import io
import json
import os
import pwd
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from daemon_rig import Listener, Process, daemon, example, free_port, head, listening, until, written
from mqtt_fakes import mosquitto, needs_mosquitto

from gateway.app.stores import Stores
from gateway.cli.main import main
from gateway.encode.messages import utc_of
from gateway.encode.times import rfc3339
from gateway.encode.topics import Topics
from gateway.model.errors import PortError
from gateway.model.output import Batch, NewRetained
from gateway.model.settings_file import load_settings
from gateway.outlets.control_client import ask
from gateway.store.reader import StateReader

ME = pwd.getpwuid(os.getuid()).pw_name
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command: exit status, stdout, stderr."""

    def call(*args: object) -> tuple[int, str, str]:
        capsys.readouterr()
        status = main([str(a) for a in args])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return status, said.out, said.err

    return call


@contextmanager
def running(config: Path) -> Iterator[Process]:
    """A daemon that answers at its socket."""
    with daemon(config) as process:
        until(lambda: answers(config), "it answers")
        yield process


def answers(config: Path) -> bool:
    try:
        ask(load_settings(config).gateway.socket or config.parent / "data" / "camdrift.sock", {"do": "status"})
    except PortError:
        return False
    return True


def status(run: Run, config: Path) -> dict[str, Any]:
    code, out, err = run("status", config, "--json")
    assert code == 0, err
    found = json.loads(out)
    assert isinstance(found, dict)
    return found


def alarm(run: Run, config: Path, tag: str) -> dict[str, Any] | None:
    """What the status tells of an alarm; None while it is normal."""
    found = status(run, config)
    everyone = found["alarms"] + found["engines"]["main"]["alarms"]
    return next((a for a in everyone if a["tag"] == tag), None)


def state(run: Run, config: Path, tag: str) -> str:
    told = alarm(run, config, tag)
    return "normal" if told is None else str(told["state"])


def events(folder: Path, **wanted: object) -> list[dict[str, Any]]:
    """Stored events with these values, oldest first."""
    reader = StateReader(folder / "data")
    rows = [json.loads(row.payload) for row in reader.events(0, 10_000)]
    reader.close()
    return [e for e in rows if all(e.get(k) == v for k, v in wanted.items())]


def recorded(folder: Path, **wanted: object) -> dict[str, Any]:
    """The last such event, once the writer has written it."""
    until(lambda: bool(events(folder, **wanted)), f"an event with {wanted}")
    return events(folder, **wanted)[-1]


def without_head(tmp_path: Path) -> Path:
    """Settings for a daemon whose head never comes, so that head-silent calls after five seconds."""
    return written(tmp_path, example(tmp_path, None))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Such a daemon for the tests that leave it as they find it: its settings."""
    config = without_head(tmp_path_factory.mktemp("shared"))
    with running(config):
        yield config


def silent(run: Run, config: Path) -> None:
    until(lambda: state(run, config, "head-silent") == "unacknowledged", "head-silent calls")


def test_no_daemon(tmp_path: Path, run: Run) -> None:
    """Where no daemon runs each command says so and what to do, with the status of a port."""
    config = without_head(tmp_path)
    for command in (["status"], ["acknowledge"], ["silence"], ["unshelve", "lag-near"], ["in-service", "lag-near"]):
        code, out, err = run(command[0], config, *command[1:])
        assert (code, out) == (74, "")
        assert "is it running?" in err


def test_a_trial_goes_by_the_same_way_in_and_ends_by_itself(shared: Path, run: Run) -> None:
    """Raised with the priority asked for; recorded with who; a second one is refused while it stands."""
    code, out, err = run("try-alarm", shared, "--priority", "alarm", "--by", "Second")
    assert (code, err) == (0, "")
    assert "ends by itself after 2 minutes" in out
    told = alarm(run, shared, "trial")
    assert told is not None and (told["state"], told["priority"]) == ("unacknowledged", "alarm")
    assert "do nothing at the engine" in told["text"]
    assert run("try-alarm", shared)[0] == 1
    assert "Second" in recorded(shared.parent, tag="trial")["by"]


def test_acts_are_done_refused_and_on_record(shared: Path, run: Run) -> None:
    """Each act changes the state it should, is refused with its reason where it cannot be done, and stands in the
    record with who, when and why."""
    config, folder, began = shared, shared.parent, time.time()
    silent(run, config)
    assert run("status", config, "--check")[0] == 1
    assert run("acknowledge", config, "head-silent")[1] == f"head-silent: acknowledged by {ME}\n"
    assert state(run, config, "head-silent") == "acknowledged"
    assert run("acknowledge", config, "head-silent") == (
        1,
        "",
        "camdrift: head-silent: is acknowledged; there is nothing to acknowledge\n",
    )
    assert run("shelve", config, "head-silent", "--minutes", "1441", "--why", "x")[0] == 1
    assert "at most 1440 min" in run("shelve", config, "head-silent", "--minutes", "1441", "--why", "x")[2]
    assert run("shelve", config, "head-silent", "--minutes", "30", "--why", " ")[0] == 1
    assert state(run, config, "head-silent") == "acknowledged"
    shelved = run("shelve", config, "head-silent", "--minutes", "30", "--why", "cable work", "--by", "Second")
    assert shelved[0] == 0
    told = alarm(run, config, "head-silent")
    assert told is not None and told["state"] == "shelved"
    assert time.time() + 1_000 < utc_of(told["until"]) < time.time() + 1_801
    assert run("unshelve", config, "head-silent")[0] == 0
    assert state(run, config, "head-silent") == "unacknowledged"
    assert run("unshelve", config, "head-silent")[0] == 1
    assert run("out-of-service", config, "head-silent", "--why", "head ashore")[0] == 0
    assert run("out-of-service", config, "head-silent", "--why", "again")[0] == 1
    assert run("acknowledge", config, "head-silent")[0] == 1
    assert run("in-service", config, "head-silent")[0] == 0
    assert "no alarm 'no-such'" in run("acknowledge", config, "no-such")[2]
    shelving = recorded(folder, tag="head-silent", to="shelved")
    assert shelving["by"] == f"Second ({ME})"
    assert "cable work" in shelving["why"] and "30 min" in shelving["why"]
    out = recorded(folder, tag="head-silent", to="out-of-service")
    assert out["by"] == ME and "head ashore" in out["why"]
    assert recorded(folder, tag="head-silent", to="acknowledged")["by"] == ME
    assert all(began - 2 <= utc_of(e["ts"]) <= time.time() for e in events(folder, tag="head-silent") if e["by"])


@pytest.mark.slow
def test_all_at_once_and_the_gateways_own(tmp_path: Path, run: Run) -> None:
    """Acknowledging without a tag takes all that wait, the gateway's own among them, and says how many."""
    data = example(tmp_path, free_port(), delivery_stalled_after_min=0.01)
    config = written(tmp_path, data)
    with running(config):
        silent(run, config)
        until(lambda: state(run, config, "delivery-stalled") == "unacknowledged", "delivery-stalled calls")
        assert run("acknowledge", config)[1] == f"2 alarms: acknowledged by {ME}\n"
        assert state(run, config, "head-silent") == state(run, config, "delivery-stalled") == "acknowledged"
        assert run("acknowledge", config)[1] == f"0 alarms: acknowledged by {ME}\n"
        assert run("shelve", config, "delivery-stalled", "--minutes", "5", "--why", "no link here")[0] == 0
        assert state(run, config, "delivery-stalled") == "shelved"
        broker = status(run, config)["brokers"]["ship"]
        assert not broker["connected"] and broker["why_not"] and broker["waiting"] > 0


def test_silence_stops_the_sound_once_and_is_on_record(shared: Path, run: Run) -> None:
    """Silence is told, changes no alarm, is recorded once with the name, and ends with the next announcement."""
    silent(run, shared)
    for _ in range(2):
        assert run("silence", shared, "--by", "Third")[0] == 0
    found = status(run, shared)
    assert found["silenced"]
    assert state(run, shared, "head-silent") == "unacknowledged"
    assert f"Third ({ME})" in recorded(shared.parent, what="silenced")["text"]
    assert len(events(shared.parent, what="silenced")) == 1
    run("shelve", shared, "head-silent", "--minutes", "1", "--why", "x")
    run("unshelve", shared, "head-silent")
    until(lambda: not status(run, shared)["silenced"], "the sound is back")


@pytest.mark.slow
@pytest.mark.parametrize("how", ["SIGTERM", "kill -9"])
def test_put_away_over_a_restart(tmp_path: Path, run: Run, how: str) -> None:
    """Shelved and out of service are as before, with the same end and the same reason, however the daemon ended; and
    a shelving whose time passed meanwhile is over soon after, with no head to carry the time."""
    config = without_head(tmp_path)
    with running(config) as process:
        silent(run, config)
        run("shelve", config, "head-silent", "--minutes", "60", "--why", "cable work")
        run("shelve", config, "link-poor", "--minutes", "0.05", "--why", "short")
        run("out-of-service", config, "transducer-fault", "--why", "sensor ashore")
        before = [alarm(run, config, tag) for tag in ("head-silent", "transducer-fault")]
        for tag, to in (("head-silent", "shelved"), ("link-poor", "shelved"), ("transducer-fault", "out-of-service")):
            recorded(tmp_path, tag=tag, to=to)
        process.end() if how == "SIGTERM" else process.kill()
    # Its end passes while no daemon runs.
    time.sleep(3.0)
    with running(config):
        after = [alarm(run, config, tag) for tag in ("head-silent", "transducer-fault")]
        assert before[0] and after[0] and before[1]
        assert abs(utc_of(before[0].pop("until")) - utc_of(after[0].pop("until"))) < 1.0
        assert after == before
        until(lambda: state(run, config, "link-poor") == "normal", "the short shelving is over")
        assert recorded(tmp_path, tag="link-poor", to="normal")["by"] is None


# -- readings and bookings ----------------------------------------------------------------------------------------


def test_status_and_bookings_with_a_head(tmp_path: Path, run: Run) -> None:
    """With a head heard the status shows its figures in lines of at most 80 columns; a booking takes effect at once,
    is refused with each reason on a line of its own, outlives a restart, and comes out again as CSV."""
    config = written(tmp_path, example(tmp_path, None))
    with head(tmp_path), running(config) as process:
        until(lambda: status(run, config)["engines"]["main"]["spring_mm"]["value"] is not None, "the spring is read")
        code, out, _ = run("status", config)
        assert code == 0 and "spring" in out and "alarm load" in out
        assert max(map(len, out.splitlines())) <= 80
        before = status(run, config)["engines"]["main"]
        book = ("book", config, "retightened", "--person", "Second Engineer")
        code, out, err = run(*book, "--free-length-mm", "210", "--spring-after-mm", "300")
        assert code == 1 and out == ""
        assert "does not grow" in err and "spring length after" in err and len(err.strip().splitlines()) == 2
        assert status(run, config)["engines"]["main"]["bookings"] == 0
        code, out, err = run(*book, "--free-length-mm", "202.4", "--note", "at anchor")
        assert code == 0 and "booked retightened" in out
        assert "taken from the present readings" in err and "spring_after_mm" in err and "hours" in err
        after = status(run, config)["engines"]["main"]
        assert after["bookings"] == 1 and after["booking_faults"] == []
        free = [e["compression_mm"] + e["spring_mm"]["value"] for e in (before, after)]
        assert free == pytest.approx([203.2, 202.4])
        old = run(*book, "--free-length-mm", "202.4", "--at", "2026-01-01T00:00:00Z")
        assert old[0] == 1 and "hours: must be given" in old[2] and "spring_after_mm: must be given" in old[2]
        assert process.end() == 0
    event = recorded(tmp_path, kind="adjustment")
    assert event["by"] == "Second Engineer" and event["what"] == "retightened" and ME in event["text"]
    assert event["after"]["free_length_mm"] == 202.4
    assert utc_of(event["after"]["work_utc"]) == pytest.approx(utc_of(event["ts"]), abs=10.0)
    rows = list(csv.DictReader(io.StringIO(run("export", config, "bookings")[1])))
    assert [(r["kind"], r["person"], r["note"]) for r in rows] == [("retightened", "Second Engineer", "at anchor")]
    listed = list(csv.DictReader(io.StringIO(run("export", config, "events", "--engine", "main")[1])))
    assert [r["tag_or_what"] for r in listed if r["kind"] == "adjustment"] == ["retightened"]
    assert all(r["topic"].endswith("/main/event") for r in listed)
    assert run("export", config, "history")[0] == 0


@pytest.mark.slow
def test_booking_without_a_daemon_counts_from_the_next_start(tmp_path: Path, run: Run) -> None:
    """Booked into the store while no daemon runs: the next start takes it up, once."""
    config = written(tmp_path, example(tmp_path, None))
    with running(config) as process:
        assert process.end() == 0
    args = ("book", config, "spring-renewed", "--person", "Chief", "--free-length-mm", "204", "--hours", "21400")
    code, out, err = run(*args, "--id", "spring-1")
    assert code == 0 and "booked spring-renewed as spring-1" in out and "no daemon runs" in err
    code, out, err = run(*args, "--id", "spring-1")
    assert (code, out, err) == (1, "", "camdrift: the id spring-1 was booked before; take a new one\n")
    for _ in range(2):
        with running(config) as process:
            found = status(run, config)["engines"]["main"]
            assert found["bookings"] == 1 and found["booking_faults"] == []
            assert process.end() == 0
    assert len(events(tmp_path, kind="adjustment")) == 1


def test_booking_without_a_daemon_drops_no_trend_that_waits(tmp_path: Path, run: Run) -> None:
    """The store is opened with the brokers as the daemon opens it: trends that wait for a shore stay."""
    data = example(tmp_path, free_port())
    data["broker"][0]["every_trend"] = True
    config = written(tmp_path, data)
    settings = load_settings(config)
    stores = Stores(settings, Topics("camdrift/1", settings.vessel.slug), tmp_path / "data", 300.0)
    stores.state.commit(Batch(retained=[NewRetained("t", "trend", b"%d" % n) for n in range(3)]))
    stores.close()
    args = ("book", config, "spring-renewed", "--person", "Chief", "--free-length-mm", "204", "--hours", "21400")
    assert run(*args)[0] == 0
    assert StateReader(tmp_path / "data").trends_in_line(settings.broker[0].name) == (3, 0)


def test_loading_note_and_corrected_are_booked(tmp_path: Path, run: Run) -> None:
    """Loading from a past hour on, a note, and a correction under its other name; a condition of no kind is refused."""
    config = written(tmp_path, example(tmp_path, None))
    settings = load_settings(config)
    Stores(settings, Topics("camdrift/1", settings.vessel.slug), tmp_path / "data", 300.0).close()
    head = ("--person", "C/O", "--hours", "21400")
    code, out, err = run(
        "book", config, "loading", *head, "--condition", "laden", "--draught-m", "11.4", "--id", "leg-1"
    )
    assert (code, out) == (0, "booked loading as leg-1 at 21,400 running hours, by C/O\n"), err
    code, _, err = run("book", config, "loading", *head, "--condition", "full")
    assert code == 1 and "condition: 'full' is not allowed" in err
    assert run("book", config, "note", *head, "--note", "oil jets cleaned")[0] == 0
    code, out, _ = run("book", config, "corrected", *head, "--replaces", "leg-1", "--id", "fix-1")
    assert (code, out) == (0, "booked correction as fix-1 at 21,400 running hours, by C/O\n")
    found = events(tmp_path, kind="adjustment")
    assert [e["what"] for e in found] == ["loading", "note", "correction"]
    after = found[0]["after"]
    assert after == {"condition": "laden", "draught_m": 11.4, "work_utc": after["work_utc"], "record_id": "leg-1"}
    assert (found[2]["after"]["replaces"], found[2]["after"]["record_id"]) == ("leg-1", "fix-1")
    assert found[1]["text"].startswith("oil jets cleaned (booked by ")


def test_booking_into_a_folder_that_is_held(shared: Path, run: Run) -> None:
    """A daemon whose socket is elsewhere holds the folder: the booking is refused, not written behind its back."""
    folder = shared.parent
    elsewhere = written(folder, example(folder, None, socket=str(folder / "other.sock")), "other.toml")
    args = ("book", elsewhere, "links-measured", "--person", "C", "--links", "10", "--length-mm", "1144")
    code, _, err = run(*args, "--hours", "21400")
    assert code == 1 and "another camdrift" in err


# -- requests over MQTT -------------------------------------------------------------------------------------------


def asking(**fields: object) -> str:
    basic = {"v": 1, "id": "r1", "do": "acknowledge", "engine": "main", "alarm": "head-silent"}
    return json.dumps(basic | {"ts": rfc3339(time.time())} | fields)


@needs_mosquitto
def test_requests_by_mqtt(tmp_path: Path, run: Run) -> None:
    """Where enabled a request is done once, answered on `done`, refused with its reason, and recorded with its name;
    a retained one is not done; what is no request is answered as such."""
    with mosquitto(tmp_path) as broker:
        data = example(tmp_path, broker.port) | {"requests": {"enabled": True, "broker": "ship"}}
        config = written(tmp_path, data)
        with listening(broker.port) as listener:

            def publish(payload: str, retain: bool = False) -> None:
                listener._client.publish("camdrift/1/tern-passage/do", payload, qos=1, retain=retain).wait_for_publish(
                    10
                )

            def done() -> list[dict[str, Any]]:
                return [h.body for h in listener.heard if h.topic.endswith("/done")]

            publish(asking(by="Ghost", id="old"), retain=True)
            with running(config):
                silent(run, config)
                until(lambda: status(run, config)["brokers"]["ship"]["connected"], "connected")
                first = asking(by="Watch")
                publish(first)
                publish(first)
                until(lambda: len(done()) == 2, "both are answered")
                assert done() == [{"v": 1, "id": "r1", "ok": True, "why": ""}] * 2
                publish(asking(by="Watch", id="r2"))
                publish(asking(by="Watch", id="r3", do="shelve", minutes=9_999))
                until(lambda: len(done()) == 4, "these, too")
                assert [a["ok"] for a in done()[2:]] == [False, False]
                assert "nothing to acknowledge" in done()[2]["why"]
                assert state(run, config, "head-silent") == "acknowledged"
            with running(config):
                until(lambda: status(run, config)["brokers"]["ship"]["connected"], "connected again")
                publish(asking(by="Watch", id="r1"))
                publish(asking(by="Watch", id="r4", ts=rfc3339(time.time() - 125.0)))
                until(lambda: len(done()) == 6, "an id of before the restart, and an old request")
                assert [a["ok"] for a in done()[4:]] == [False, False]
                assert "24 h" in done()[4]["why"] and "120 s" in done()[5]["why"]
    acts = [e for e in events(tmp_path, tag="head-silent") if e["to"] == "acknowledged"]
    assert [e["by"] for e in acts] == ["stated by Watch, by MQTT from broker ship"]


@pytest.fixture(scope="module")
def linked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Process, Listener]]:
    """A daemon with a broker, as shipped but for the broker: its settings, itself, and who listens."""
    folder = tmp_path_factory.mktemp("linked")
    with mosquitto(folder) as broker:
        config = written(folder, example(folder, broker.port))
        with listening(broker.port) as listener, running(config) as process:
            yield config, process, listener


@needs_mosquitto
def test_requests_are_off_by_default(linked: tuple[Path, Process, Listener], run: Run) -> None:
    """Without the setting nothing is subscribed: a request is neither done nor answered."""
    config, _, listener = linked
    silent(run, config)
    until(lambda: status(run, config)["brokers"]["ship"]["connected"], "connected")
    listener._client.publish("camdrift/1/tern-passage/do", asking(by="W"), qos=1).wait_for_publish(180)
    time.sleep(3.0)
    assert state(run, config, "head-silent") == "unacknowledged"
    assert not [h for h in listener.heard if h.topic.endswith("/done")]


@pytest.mark.slow
@needs_mosquitto
def test_receipt_from_shore_is_shown(linked: tuple[Path, Process, Listener], run: Run) -> None:
    """What the shore says it keeps of this gateway's events is shown; a receipt for another gateway is not, nor
    one beyond what was sent."""
    config, process, listener = linked
    until(lambda: status(run, config)["brokers"]["ship"]["connected"], "connected")
    reader = StateReader(config.parent / "data")
    ours = reader.gateway_id()
    reader.close()
    for gateway, seq in ((ours, 1), ("00000000-0000-4000-8000-000000000000", 1), (ours, 1_000_000)):
        receipt = {"v": 1, "gateway": gateway, "seq": seq, "ts": "2026-03-01T12:00:00.000Z"}
        topic = "camdrift/1/tern-passage/received"
        listener._client.publish(topic, json.dumps(receipt), qos=1).wait_for_publish(180)
    until(lambda: process.told("receipt.beyond_sent"), "the last was read")
    assert status(run, config)["brokers"]["ship"]["kept_ashore_to"] == 1
    assert "kept ashore up to 1" in run("status", config)[1]
