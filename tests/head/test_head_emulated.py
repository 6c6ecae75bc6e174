"""The very image that is flashed, run in the emulated chip: its pins moved by a drive, its UART read by the gateway."""

import os
import queue
import subprocess
from pathlib import Path

import numpy as np
import pytest

from gateway.link import Decoder
from gateway.measure.timeline import Now
from gateway.model.records import Health, Identity, SampleBlock
from gateway.model.settings import HeadSettings
from gateway.pipeline import EnginePipeline, ReadingDue
from gateway.sources.head import Chunk, HeadSource
from tests.drive_engines import TERN
from tests.head import firmware_rig as rig
from tests.pty_pair import one_pty
from tests.waiting import PATIENCE_S

LAG_DEG = 1.25
RPM = 97.0


def steady(seconds: float, **changes: object) -> rig.Drive:
    crank, cam = rig.steady(RPM, LAG_DEG)
    return rig.Drive(seconds, crank, cam, **changes)  # type: ignore[arg-type]


class Heard:
    """A run's bytes as the gateway decodes them."""

    def __init__(self, sent: bytes) -> None:
        self.decoder = Decoder()
        items = self.decoder.feed(sent)
        self.blocks = [x for x in items if isinstance(x, SampleBlock)]
        self.health = [x for x in items if isinstance(x, Health)]
        self.identity = [x for x in items if isinstance(x, Identity)]

    def refused(self) -> int:
        return sum(self.decoder.counts.refused.values()) + self.decoder.counts.lost

    def column(self, name: str) -> np.ndarray:
        return np.concatenate([getattr(b, name) for b in self.blocks])

    def valid(self) -> np.ndarray:
        return np.concatenate([np.full(len(b.crank), b.valid) for b in self.blocks])


@pytest.fixture(scope="module")
def three_seconds(tmp_path_factory: pytest.TempPathFactory) -> tuple[rig.Run, Heard]:
    run = rig.run(tmp_path_factory.mktemp("head"), steady(3.0))
    return run, Heard(run.sent)


def test_every_frame_is_good_and_every_sample_there(three_seconds: tuple[rig.Run, Heard]) -> None:
    """Three seconds at 97 rpm, 3,600 lines: nothing refused, nothing lost, all of 500 samples a second but the last
    unfinished frame."""
    _, heard = three_seconds
    assert heard.refused() == 0 and heard.decoder.counts.boots == 0
    assert 1_440 <= len(heard.column("crank")) <= 1_500
    assert heard.identity[0].name == "head" and heard.identity[0].crank_counts == 14_400
    assert [h.lost for h in heard.health] == [0] * len(heard.health) and len(heard.health) == 3


def test_both_angles_are_of_one_instant(three_seconds: tuple[rig.Run, Heard]) -> None:
    """Crank less cam is the drive's lag within two counts (0.05°) in each sample, and within 0.005° on the average."""
    _, heard = three_seconds
    ok = heard.valid() == 7
    assert ok.sum() > 900
    off = (heard.column("crank")[ok].astype(int) - heard.column("cam")[ok] + 32_768) % 65_536 - 32_768
    lag_deg = off * 360 / 65_536
    assert np.abs(lag_deg - LAG_DEG).max() < 0.05 and lag_deg.mean() == pytest.approx(LAG_DEG, abs=0.005)


def test_health_bears_speed_jitter_and_skew(three_seconds: tuple[rig.Run, Heard]) -> None:
    """The tail's figures are the drive's, and the latches part by less than a tenth of the 15 µs allowed."""
    run, heard = three_seconds
    last = heard.health[-1]
    assert last.rpm == pytest.approx(RPM, abs=0.5)
    assert last.jitter_us is not None and last.jitter_us <= 20
    assert last.skew_ns is not None and 0 <= last.skew_ns < 1_500
    assert last.crank_turns == int(2.0 * RPM / 60 + 0.03) or last.crank_turns == int(2.0 * RPM / 60)
    assert run.figures["latches"] >= 1_498 and run.figures["load"] < 0.5 and run.figures["watchdogs"] == 0


def test_the_loop_is_the_currents(three_seconds: tuple[rig.Run, Heard]) -> None:
    """12 mA at 16 bits over 22 mA: within 1 µA."""
    _, heard = three_seconds
    assert np.abs(heard.column("loop").astype(int) - 12_000).max() <= 1


def after(t_s: float) -> int:
    return int(t_s * 1e9)


def lose(events: rig.Events, pins: tuple[int, ...], from_s: float, n: int) -> rig.Events:
    """Drop `n` edges of these pins from a moment on, as a bad contact does."""
    hit = np.flatnonzero(np.isin(events["what"], pins) & (events["t"] >= after(from_s)))[:n]
    return np.delete(events, hit)


@pytest.mark.slow
def test_missed_edges_are_a_slip_and_heal_at_the_index(tmp_path: Path) -> None:
    """40 edges of the crank lost at 1.5 s: one slip in the health; from the next index on the lag is right."""
    drive = steady(4.0, change=lambda e: lose(e, rig.PINS["crank"][:2], 1.5, 40))
    heard = Heard(rig.run(tmp_path, drive).sent)
    assert heard.health[-1].crank_slips == 1 and heard.health[-1].cam_slips == 0
    ok = heard.valid() == 7
    off = (heard.column("crank")[ok].astype(int) - heard.column("cam")[ok] + 32_768) % 65_536 - 32_768
    assert np.abs(off[-300:] * 360 / 65_536 - LAG_DEG).max() < 0.05


@pytest.mark.slow
def test_a_missing_index_is_no_angle(tmp_path: Path) -> None:
    """An encoder whose index never comes is never called valid; the other one is."""
    drive = steady(2.0, change=lambda e: e[e["what"] != rig.PINS["cam"][2]])
    heard = Heard(rig.run(tmp_path, drive).sent)
    assert not (heard.valid() & 2).any() and (heard.valid()[-300:] & 1).all()


@pytest.mark.slow
def test_bounce_moves_nothing(tmp_path: Path) -> None:
    """Each edge of a channel comes three times within 3 µs: the same angles."""

    def bouncing(events: rig.Events) -> rig.Events:
        mine = events[events["what"] == rig.PINS["crank"][0]]
        mine = mine[mine["t"] < after(1.0)]
        back, again = mine.copy(), mine.copy()
        back["t"] += 1_500
        back["value"] = 1 - back["value"]
        again["t"] += 3_000
        return np.concatenate([events, back, again])

    heard = Heard(rig.run(tmp_path, steady(2.0, change=bouncing)).sent)
    assert heard.health[-1].crank_slips == 0
    ok = heard.valid() == 7
    off = (heard.column("crank")[ok].astype(int) - heard.column("cam")[ok] + 32_768) % 65_536 - 32_768
    assert np.abs(off * 360 / 65_536 - LAG_DEG).max() < 0.06


@pytest.mark.slow
def test_an_open_loop_is_not_valid_and_comes_back(tmp_path: Path) -> None:
    """The converter does not answer between 0.5 and 1.0 s."""
    drive = steady(1.6, loop_ua=[(0.0, 12_000.0), (0.5, -1.0), (1.0, 12_000.0)])
    heard = Heard(rig.run(tmp_path, drive).sent)
    bit = (heard.valid() & 4) > 0
    assert bit[:240].all() and not bit[260:490].any() and bit[520:].all() and heard.refused() == 0


@pytest.mark.slow
def test_an_unplugged_encoder_stands_still(tmp_path: Path) -> None:
    """Its pins move no more: the angle stays, which the gateway names (still while the other turns)."""
    drive = steady(2.0, change=lambda e: e[~np.isin(e["what"], rig.PINS["cam"]) | (e["t"] < after(1.0))])
    heard = Heard(rig.run(tmp_path, drive).sent)
    assert len(set(heard.column("cam")[-400:].tolist())) == 1 and len(set(heard.column("crank")[-400:].tolist())) > 300


@pytest.mark.slow
def test_a_cut_channel_counts_to_and_fro(tmp_path: Path) -> None:
    """B of the cam does not reach the head: its angle stays within two counts, which the commissioning names."""
    drive = steady(2.0, change=lambda e: e[e["what"] != rig.PINS["cam"][1]])
    heard = Heard(rig.run(tmp_path, drive).sent)
    cam = heard.column("cam")[-400:].astype(int)
    assert np.abs((cam - cam[0] + 32_768) % 65_536 - 32_768).max() <= 2 * 65_536 / 14_400


@pytest.mark.slow
def test_crossed_index_wires_slip_only_where_the_shafts_differ(tmp_path: Path) -> None:
    """Z of both encoders exchanged: at ratio 1 each comes once a turn at one count, and the lag is steady."""
    crossed = {rig.PINS["crank"][2]: rig.PINS["cam"][2], rig.PINS["cam"][2]: rig.PINS["crank"][2]}

    def exchange(events: rig.Events) -> rig.Events:
        events["what"] = [crossed.get(int(w), int(w)) for w in events["what"]]
        return events

    heard = Heard(rig.run(tmp_path, steady(3.0, change=exchange)).sent)
    assert (heard.health[-1].crank_slips, heard.health[-1].cam_slips) == (0, 0)
    ok = heard.valid() == 7
    off = (heard.column("crank")[ok].astype(int) - heard.column("cam")[ok] + 32_768) % 65_536 - 32_768
    assert off.std() * 360 / 65_536 < 0.05


@pytest.mark.slow
def test_a_brown_out_in_mid_turn_starts_again_and_says_so(tmp_path: Path) -> None:
    """Restarted at 1.3 s: the next boot number, head time from zero, no angle until the index, then the right one."""

    def cut(events: rig.Events) -> rig.Events:
        return np.concatenate([events, np.array([(after(1.3), rig.BROWN_OUT, 0)], dtype=rig.EVENT)])

    heard = Heard(rig.run(tmp_path, steady(3.5, change=cut)).sent)
    assert [b.boot for b in (heard.blocks[0], heard.blocks[-1])] == [1, 2]
    last = [b for b in heard.blocks if b.boot == 2]
    assert last[0].valid & 3 == 0
    ok = [b for b in last if b.valid == 7]
    off = (ok[-1].crank.astype(int) - ok[-1].cam + 32_768) % 65_536 - 32_768
    assert np.abs(off * 360 / 65_536 - LAG_DEG).max() < 0.05


@pytest.mark.slow
def test_a_main_loop_that_hangs_is_started_again_by_the_watchdog(tmp_path: Path) -> None:
    """At 1.3 s the main loop hangs, while the interrupts go on latching samples: a second after it last fed the
    watchdog the chip starts again, and sends with the next boot number. Before, nothing does."""

    def hang(events: rig.Events) -> rig.Events:
        return np.concatenate([events, np.array([(after(1.3), rig.HANG, 0)], dtype=rig.EVENT)])

    run = rig.run(tmp_path, steady(3.2, change=hang))
    heard = Heard(run.sent)
    assert run.figures["watchdogs"] == 1
    first, again = ([b for b in heard.blocks if b.boot == boot] for boot in (1, 2))
    assert len(first) + len(again) == len(heard.blocks) and again
    # 500 samples a second: up to the hang, and from the start a second after it.
    assert 600 <= sum(len(b.crank) for b in first) <= 650
    assert 400 <= sum(len(b.crank) for b in again) <= 450
    assert run.figures["latches"] >= 1_550, "samples are latched while the main loop hangs"


def tern_settings() -> object:
    import tomllib

    from gateway.model.settings_file import checked_settings

    data = tomllib.loads(TERN.read_text(encoding="utf-8"))
    data["engine"][0]["lag"]["zero_deg"] = 0.0
    data["time"] = {"source": "head", "start": "2031-01-01T00:00:00Z"}
    data["head"][0]["name"] = "head"
    return checked_settings(data)


@pytest.mark.slow
def test_a_minute_through_the_gateways_own_source(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A minute at 97 rpm into the gateway's serial source over a pseudo terminal: no sample lost, and lag and length of
    the last reading are the drive's within the accuracy that the gateway states (0.02°, 0.05 mm)."""
    seconds, length_mm = 61.0, 150.0 + 80.0 * (12_000 - 4_000) / 16_000
    chunks: queue.Queue[Chunk] = queue.Queue(64)
    pipeline = EnginePipeline(tern_settings(), "main")  # type: ignore[arg-type]
    with one_pty() as (master, name):
        source = HeadSource(HeadSettings(slug="head", port=name), chunks, when_full="wait")
        source.start()
        chunks.get(timeout=PATIENCE_S)
        errors = tmp_path / "figures"
        with open(errors, "wb") as err:
            chip = subprocess.Popen(rig.command(tmp_path, steady(seconds)), stdout=subprocess.PIPE, stderr=err)
            readings = _carried(chip, master, chunks, pipeline)
        source.stop()
        assert chip.wait(PATIENCE_S) == 0
    counts = pipeline.decoder.counts
    assert counts.lost == 0 and sum(counts.refused.values()) == 0 and counts.samples >= 605
    last = readings[-1].reading
    assert last.lag.value == pytest.approx(LAG_DEG, abs=0.02) and last.spring.value == pytest.approx(
        length_mm, abs=0.05
    )
    with capsys.disabled():
        print(f"\n  emulated head: {errors.read_text().strip()}")  # noqa: T201


def _carried(
    chip: "subprocess.Popen[bytes]", master: int, chunks: "queue.Queue[Chunk]", pipeline: EnginePipeline
) -> list[ReadingDue]:
    """The chip's bytes to the terminal, and what comes out of the source at the other end to the pipeline."""
    assert chip.stdout is not None
    found: list[ReadingDue] = []
    sent = taken = 0
    while data := chip.stdout.read(2_048):
        done = 0
        while done < len(data):
            done += os.write(master, data[done:])
        sent += len(data)
        while taken < sent:
            chunk, when_s = chunks.get(timeout=PATIENCE_S)
            taken += len(chunk)
            found += [x for x in pipeline.feed(chunk, Now(when_s, 0.0)) if isinstance(x, ReadingDue)]
    return found
