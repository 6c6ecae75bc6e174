"""Pick-ups, thermistors and console in the very image that is flashed: its pins moved by the simulated drive."""

import itertools
import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from firmware_sim import Scenario, Truth, load_scenario
from firmware_sim.drive import Drive
from firmware_sim.head import engine_of
from firmware_sim.pins import ANALOG, CONSOLE_PIN, EVENT, PINS, Events, pins, typing
from firmware_sim.streams import streams_of
from gateway.link import Decoder
from gateway.model.records import Health, Identity, SampleBlock
from tests.head import firmware_rig as rig

RPM = 97.0
TEETH, MARKS = 120, 12


def scenario(seconds: float, rpm: float = RPM, **head: object) -> Scenario:
    """The invented vessel at one speed, with a toothed wheel and marks."""
    return load_scenario("steady").changed(
        run={"duration_s": seconds}, engine={"speed": [(0.0, rpm)]},
        head={"rate_hz": 500.0, "samples": 50, "crank_teeth": TEETH, "cam_marks": MARKS, **head},
    )  # fmt: skip


def events_of(made: Scenario) -> Events:
    """All events up to the scenario's end."""
    end_ns = made.run.duration_s * 1e9
    chunks = itertools.takewhile(lambda e: e["t"][0] < end_ns, pins(made))
    return np.concatenate(list(chunks))


class Ran:
    """The image, run over events; what the gateway decodes of it."""

    def __init__(self, folder: Path, events: Events, seconds: float, *options: str) -> None:
        where, out = rig.emulator(), rig.built()
        chip = rig.emulated.Chip(where, out / "head-rp2040.bin", out / "head-rp2040.sym")
        (folder / "events.bin").write_bytes(events.tobytes())
        command = chip.command(str(folder / "events.bin"), seconds, *options)
        done = subprocess.run(command, capture_output=True, timeout=rig.RUN_S, check=False)
        assert done.returncode == 0, done.stderr.decode()
        self.sent, self.figures = done.stdout, json.loads(done.stderr.splitlines()[-1])
        self.decoder = Decoder()
        # Up to the first delimiter stand the console's words.
        items = self.decoder.feed(self.sent[self.sent.index(b"\0") :])
        self.blocks = [x for x in items if isinstance(x, SampleBlock)]
        self.health = [x for x in items if isinstance(x, Health)]
        self.identity = [x for x in items if isinstance(x, Identity)]

    @property
    def refused(self) -> int:
        return sum(self.decoder.counts.refused.values()) + self.decoder.counts.lost

    def lag_deg(self, from_s: float, ratio: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Of each valid sample from a time on: when, and crank less cam in degrees, within half a turn."""
        when, lag = [], []
        for block in self.blocks:
            sizes = np.diff(block.starts, append=len(block.crank))
            t = (
                np.repeat(block.head_us, sizes)
                - np.repeat(block.starts, sizes) * 2_000
                + np.arange(len(block.crank)) * 2_000
            )
            ok = (t >= from_s * 1e6) & (block.valid & 3 == 3)
            when.append(t[ok] / 1e6)
            lag.append((block.crank[ok].astype(int) - ratio * block.cam[ok] + 32_768) % 65_536 - 32_768)
        return np.concatenate(when), np.concatenate(lag) * 360 / 65_536


@pytest.mark.slow
def test_pickups_find_the_lag_of_the_simulated_drive(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """120 teeth and 12 marks, each off by 0.05° (sd), ripple and torsion as the drive has them: after 70 turns the mean
    lag over whole turns is the truth within a fixed 0.03°, the same from turn to turn within 0.005° (sd)."""
    seconds = 55.0
    made = scenario(seconds)
    ran = Ran(tmp_path, events_of(made), seconds)
    assert ran.refused == 0 and ran.health[-1].lost == 0
    assert (ran.identity[-1].crank_counts, ran.identity[-1].cam_counts) == (TEETH, MARKS)
    assert ran.health[-1].rpm == pytest.approx(RPM, abs=1.0)
    assert ran.health[-1].crank_slips == ran.health[-1].cam_slips == 0
    when, lag = ran.lag_deg(45.0)
    assert len(when) > 4_000
    truth = Truth(made).revolutions(45.2, 54.0)
    turns = ((when - when[0]) * RPM / 60).astype(int)
    means = np.array([lag[turns == n].mean() for n in range(turns[-1])])
    # The raw angle has the encoders' zero in it; the truth counts from it.
    bias = float(means.mean() - made.shafts.zero_deg - truth.lag_deg.mean())
    with capsys.disabled():
        print(f"\n  pick-ups: bias {bias:+.4f}°, sd of a turn {means.std():.4f}°, load {ran.figures['load']:.1%}")  # noqa: T201
    assert abs(bias) < 0.03 and means.std() < 0.005


@pytest.mark.slow
def test_a_tooth_that_moves_is_counted_once(tmp_path: Path) -> None:
    """Bent by 0.4° (687 µs at 97 rpm) from the 46th second on, when the wheel has been learned: one count, no more, and
    none by the ripple of the engine."""
    seconds = 54.0
    events = events_of(scenario(seconds))
    edges = np.flatnonzero((events["what"] == PINS["crank"][0]) & (events["t"] > 46e9))
    edges = edges[int(events["value"][edges[0]] == 0) :]
    for level in (0, 1):
        # Rise and fall of every 120th pulse.
        events["t"][edges[level::2][7::TEETH]] += np.uint64(round(0.4 / 6 / RPM * 1e9))
    ran = Ran(tmp_path, np.sort(events, order="t", kind="stable"), seconds)
    assert ran.health[-1].crank_slips == 1 and ran.health[44].crank_slips == 0


@pytest.mark.slow
def test_a_missed_tooth_is_a_slip_and_heals_at_the_turn_mark(tmp_path: Path) -> None:
    """One pulse of the crank's wheel lost in the sixth second: one slip, no angle until the next turn is whole, and the
    lag as before."""
    seconds = 10.0
    events = events_of(scenario(seconds, tooth_error_deg=0.0))
    tooth = np.flatnonzero((events["what"] == PINS["crank"][0]) & (events["t"] > 5.5e9) & (events["value"] == 1))[0]
    ran = Ran(tmp_path, np.delete(events, tooth), seconds)
    assert ran.health[-1].crank_slips == 1 and ran.health[-1].cam_slips == 0 and ran.refused == 0
    (before_t, before), (_, after) = ran.lag_deg(3.0), ran.lag_deg(8.0)
    assert float(np.abs(after.mean() - before[before_t < 5.4].mean())) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("pin", [PINS["cam"][0], PINS["cam"][2]], ids=["marks", "turn mark"])
def test_a_lost_pickup_is_no_angle(tmp_path: Path, pin: int) -> None:
    """From the fourth second on one of the camshaft's two pick-ups is dead: its angle is not valid within two turns;
    all samples still come, the crank's angle with them."""
    events = events_of(scenario(8.0, tooth_error_deg=0.0))
    ran = Ran(tmp_path, events[(events["what"] != pin) | (events["t"] < 4e9)], 8.0)
    assert len(ran.lag_deg(2.5)[0]) > 300 and len(ran.lag_deg(6.0)[0]) == 0
    assert all(b.valid & 1 for b in ran.blocks[-5:]) and ran.health[-1].lost == 0 and ran.refused == 0


@pytest.mark.slow
def test_on_the_turning_gear_there_is_a_length_and_no_angle(tmp_path: Path) -> None:
    """At 1.2 rpm four seconds pass between two marks: no cam angle, and every sample of the loop."""
    ran = Ran(tmp_path, events_of(scenario(6.0, rpm=1.2)), 6.0)
    samples = sum(len(b.crank) for b in ran.blocks)
    assert samples > 2_450 and ran.health[-1].lost == 0 and ran.refused == 0
    assert all(b.valid & 4 and not b.valid & 2 for b in ran.blocks)


@pytest.mark.slow
def test_astern_there_is_no_angle(tmp_path: Path) -> None:
    """The second tooth pick-up shows it: marks come backwards, and no angle is called valid."""
    ran = Ran(tmp_path, events_of(scenario(5.0, rpm=-60.0)), 5.0)
    assert len(ran.lag_deg(0.0)[0]) == 0 and sum(len(b.crank) for b in ran.blocks) > 2_000


@pytest.mark.slow
def test_thermistors_follow_the_simulated_temperatures(tmp_path: Path) -> None:
    """A drive that warms up: casing and frame within 0.8 K of the simulator's, through the beta equation, twelve bits
    and the firmware's table; a broken wire is not fitted."""
    made = load_scenario("steady").changed(
        run={"duration_s": 4.0}, engine={"speed": [(0.0, 60.0)]}, thermal={"warm_at_start": True}
    )
    events = events_of(made)
    ran = Ran(tmp_path, events, 4.0)
    drive = Drive(made, engine_of(made, made.run.seed)[0], streams_of(made.run.seed))
    for health in ran.health[1:]:
        t = np.array([health.head_us / 1e6])
        assert health.casing_c == pytest.approx(float(drive.casing_c(t)[0]), abs=0.8)
        assert health.frame_c == pytest.approx(float(drive.frame_c(t)[0]), abs=0.8)
    broken = events.copy()
    broken["value"][(broken["what"] == ANALOG) & (broken["value"] < 1 << 16)] = 4_095
    assert Ran(tmp_path, broken, 2.0).health[-1].casing_c is None


@pytest.mark.slow
def test_the_console_sets_and_keeps_what_is_typed(tmp_path: Path) -> None:
    """With the jumper: shown, set, refused, saved. Without it at the next start: that name, those counts, and the next
    boot number, from the flash."""
    flash = tmp_path / "flash"
    text = "show\rset name aft-head\rset crank_lines 2500\rset block 0\rsave\rgo\r"
    ran = Ran(tmp_path, typing(text), 1.5, "--flash", str(flash))
    words = ran.sent[: ran.sent.index(b"\0")].decode()
    assert "crank_lines 3600" in words and "saved" in words and words.count("not understood") == 1
    assert ran.identity[0].name == "aft-head" and ran.identity[0].crank_counts == 10_000
    again = Ran(tmp_path, np.zeros(0, dtype=EVENT), 1.5, "--flash", str(flash))
    assert again.sent[0] == 0 and again.identity[0].name == "aft-head"
    assert (ran.identity[0].boot, again.identity[0].boot) == (1, 2)
    # The jumper is forgotten: the head waits, and the watchdog does not restart it.
    held = typing("")
    assert held["what"][0] == CONSOLE_PIN
    waits = Ran.__new__(Ran)
    with pytest.raises(ValueError, match="subsection not found"):
        waits.__init__(tmp_path, held, 3.0)  # type: ignore[misc]
