"""`camdrift-head --emulated`: the image in the emulated chip, moved by the simulated drive, as a file and live."""

import os
import subprocess
import sys
from pathlib import Path

import daemon_rig
import numpy as np
import pytest

from firmware_sim import load_scenario
from firmware_sim.cli import main
from firmware_sim.head import engine_of
from firmware_sim.sensors import Sampler
from firmware_sim.streams import streams_of
from gateway.link import Decoder
from gateway.model.records import SampleBlock
from gateway.outlets.control_client import ask
from tests.head import firmware_rig as rig
from tests.waiting import until

COUNT = 65_536 / 14_400
"""A count of the encoders in the link's units."""


@pytest.mark.slow
def test_the_chip_counts_what_the_simulated_head_samples(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three seconds: each valid sample of both shafts lies within a count and a half of the simulated head's own, which
    rounds where the chip cuts; the loop within its noise."""
    monkeypatch.setenv("CAMDRIFT_EMULATOR", str(rig.emulator().parents[1]))
    path = tmp_path / "capture"
    assert main(["steady", "--emulated", "--duration", "3", "--out", str(path)]) == 0
    figures = capsys.readouterr().err
    assert "worst latch" in figures
    decoder = Decoder()
    blocks = [x for x in decoder.feed(path.read_bytes()) if isinstance(x, SampleBlock) and x.valid == 7]
    assert decoder.counts.lost == 0 and not sum(decoder.counts.refused.values())
    scenario = load_scenario("steady")
    sampler = Sampler(scenario, *engine_of(scenario, scenario.run.seed), streams_of(scenario.run.seed))
    worst, samples = 0.0, 0
    for block in blocks:
        for head_us, begin in zip(block.head_us.tolist(), block.starts.tolist(), strict=True):
            truth = sampler.sample(np.array([head_us / 1e6])).codes[0]
            n = min(len(truth), len(block.crank) - begin)
            samples += n
            for column, name in ((0, "crank"), (1, "cam")):
                off = getattr(block, name)[begin : begin + n].astype(int) - truth[:n, column]
                worst = max(worst, float(np.abs((off + 32_768) % 65_536 - 32_768).max()))
            assert np.abs(block.loop[begin : begin + n].astype(int) - truth[:n, 2]).max() < 200
    assert samples > 1_000 and worst <= 1.5 * COUNT + 1


@pytest.mark.slow
def test_the_daemon_reads_the_emulated_head(tmp_path: Path) -> None:
    """Over a pseudo terminal, in real time as far as the machine can: speed, and the raw angle, as for any head."""
    data = daemon_rig.example(tmp_path, None)
    data["head"][0]["name"] = "head"
    data["page"] = {"enabled": False}
    config = daemon_rig.written(tmp_path, data)
    os.environ.setdefault("CAMDRIFT_EMULATOR", str(rig.emulator().parents[1]))
    rpm = float(load_scenario("steady").engine.speed[-1][1])

    def engine() -> dict[str, object]:
        return dict(ask(tmp_path / "data" / "camdrift.sock", {"do": "status"})["status"]["engines"]["main"])

    with daemon_rig.head(tmp_path, "steady", "--emulated"), daemon_rig.daemon(config):
        until((tmp_path / "data" / "camdrift.sock").exists, "the daemon is there")
        until(lambda: engine()["raw_deg"] is not None and abs(float(str(engine()["rpm"] or 0)) - rpm) < 1, "it turns")
        # It names itself every ten seconds.
        until(lambda: engine()["head"] is not None, "the head has named itself")
        found = engine()
    assert isinstance(found["head"], dict) and found["head"]["counts"] == [14_400, 14_400]
    assert float(str(found["raw_deg"])) == pytest.approx(17.35, abs=2.0)


@pytest.mark.slow
def test_one_command_shows_the_emulated_head_on_the_page() -> None:
    """`make show`: firmware built, emulated before the gateway, and its figures read from the page."""
    env = os.environ | {"CAMDRIFT_EMULATOR": str(rig.emulator().parents[1])}
    words = [sys.executable, str(rig.HEAD / "show.py"), "--seconds", "20", "--port", str(daemon_rig.free_port())]
    done = subprocess.run(words, env=env, capture_output=True, text=True, timeout=rig.RUN_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "rpm, spring 181." in done.stdout and "lag +0." in done.stdout
