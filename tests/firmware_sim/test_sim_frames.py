"""The simulator's frame writer against the link's published vectors."""

import json
from pathlib import Path

import head_decoder
import numpy as np
import pytest

from firmware_sim import frames

VECTORS = json.loads((Path(__file__).parents[1] / "link" / "link_vectors.json").read_text(encoding="utf-8"))["vectors"]
GOOD = [v for v in VECTORS if "decodes" in v]
BITS = {"crank": 1, "cam": 2, "loop": 4}


def encode(d: dict) -> bytes:
    kind = {"identity": frames.IDENTITY, "samples": frames.SAMPLES, "health": frames.HEALTH}[d["kind"]]
    head = frames.header(kind, d["sequence"], d["boot"], d["head_time_us"])
    if kind == frames.IDENTITY:
        counts = (d["crank_counts"], d["cam_counts"])
        payload = frames.identity_payload(head, d["serial"], tuple(d["firmware"]), d["interval_ns"], counts, d["name"])
    elif kind == frames.SAMPLES:
        rows = np.array(d["samples"], dtype="<u2").tobytes()
        valid = sum(BITS[name] for name in d["valid"])
        payload = frames.samples_payload(head, d["interval_ns"], len(d["samples"]), valid, rows)
    else:
        header_keys = {"kind", "sequence", "boot", "head_time_us"}
        payload = frames.health_payload(head, **{k: v for k, v in d.items() if k not in header_keys})
    return frames.frame(payload)


def test_there_are_vectors_of_every_kind() -> None:
    """The published page holds good frames of all three kinds, so that the next test checks something."""
    assert {v["decodes"]["kind"] for v in GOOD} == {"identity", "samples", "health"}


@pytest.mark.parametrize("vector", GOOD, ids=lambda v: v["name"])
def test_writes_the_published_bytes(vector: dict) -> None:
    """The fields of each good vector are written as exactly its bytes."""
    assert encode(vector["decodes"]).hex() == vector["hex"]


@pytest.mark.parametrize("vector", GOOD, ids=lambda v: v["name"])
def test_decoder_of_these_tests_reads_the_vectors(vector: dict) -> None:
    """The tests' own decoder reads the published bytes, so that it may judge the simulator."""
    stream = head_decoder.decode(bytes.fromhex(vector["hex"]))
    wanted = vector["decodes"]
    assert len(stream.frames) == 1
    found = stream.frames[0]
    assert (found.sequence, found.boot, found.head_us) == (wanted["sequence"], wanted["boot"], wanted["head_time_us"])
    for key, value in wanted.items():
        if key in found.fields and key != "valid":
            assert found.fields[key] == value


def test_decoder_of_these_tests_refuses_a_bad_crc() -> None:
    """The tests' own decoder does not take a damaged frame for a sound one."""
    bad = next(v for v in VECTORS if v["name"] == "bad crc")
    assert head_decoder.decode(bytes.fromhex(bad["hex"])).refused == 1


def test_figures_beyond_their_field_do_not_turn_into_not_fitted() -> None:
    """A figure too large for its field is held below the mark for not fitted, and the turns wrap past it."""
    head = frames.header(frames.HEALTH, 70_000, 1, 0)
    figures = dict.fromkeys(("head_c", "casing_c", "frame_c"), 9_999.0)
    figures |= dict.fromkeys(("supply_mv", "fuel_index_ua", "crank_slips", "cam_slips", "lost"), 99_999)
    payload = frames.health_payload(head, **figures, crank_turns=0xFFFF_FFFF)
    found = head_decoder.decode(frames.frame(payload)).frames[0]
    assert found.sequence == 70_000 - 65_536
    assert None not in found.fields.values()
    assert found.fields["crank_turns"] == 0


def test_longest_frame_stays_within_the_links_limit() -> None:
    """The longest frame, 256 samples, is shorter than the link's 2,048 bytes even where COBS adds most."""
    rows = np.full((256, 3), 0x0101, dtype="<u2").tobytes()
    whole = frames.frame(frames.samples_payload(frames.header(frames.SAMPLES, 1, 1, 1), 1, 256, 7, rows))
    assert len(whole) <= 2_048
