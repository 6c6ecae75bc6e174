"""The head's hardware-free part on the host: link, encoders, pick-ups, boot numbers, bursts, console; sanitizer on.

Outside it: zlib's CRC-32, the `cobs` library, the link's vectors, the gateway's decoder, and encoders and wheels
written here from what they are.
"""

import ctypes
import json
import math
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from gateway.link import Decoder
from gateway.model.records import Health, SampleBlock
from tests.head import firmware_rig as rig

VECTORS = json.loads((Path(__file__).parents[1] / "link" / "link_vectors.json").read_text(encoding="utf-8"))["vectors"]
BUFFER = 4_096
WAITING = 448
"""Samples that a pick-up lets wait, as `pickup.h` has it."""


class Stamp(ctypes.Structure):
    _fields_ = [("sequence", ctypes.c_uint16), ("boot", ctypes.c_uint32), ("us", ctypes.c_uint64)]


class IdentityC(ctypes.Structure):
    _fields_ = [("serial", ctypes.c_uint32), ("major", ctypes.c_uint16), ("minor", ctypes.c_uint16),
                ("interval_ns", ctypes.c_uint32), ("crank_counts", ctypes.c_uint32), ("cam_counts", ctypes.c_uint32),
                ("name", ctypes.c_char * 16)]  # fmt: skip


class Sample(ctypes.Structure):
    _fields_ = [("crank", ctypes.c_uint16), ("cam", ctypes.c_uint16), ("loop_ua", ctypes.c_uint16)]


class HealthC(ctypes.Structure):
    _fields_ = [("head_dc", ctypes.c_int16), ("casing_dc", ctypes.c_int16), ("frame_dc", ctypes.c_int16),
                ("supply_mv", ctypes.c_uint16), ("fuel_index_ua", ctypes.c_uint16), ("crank_slips", ctypes.c_uint16),
                ("cam_slips", ctypes.c_uint16), ("lost", ctypes.c_uint16), ("crank_turns", ctypes.c_uint32),
                ("tail", ctypes.c_uint8), ("rpm_x10", ctypes.c_uint16), ("starts", ctypes.c_uint16),
                ("jitter_us", ctypes.c_uint16), ("skew_ns", ctypes.c_int16)]  # fmt: skip


class Quad(ctypes.Structure):
    _fields_ = [("counts", ctypes.c_int32), ("count", ctypes.c_int32), ("travel", ctypes.c_int64),
                ("illegal", ctypes.c_uint32), ("slips", ctypes.c_uint16), ("ab", ctypes.c_uint8),
                ("has_index", ctypes.c_uint8), ("referred", ctypes.c_uint8), ("known", ctypes.c_uint8)]  # fmt: skip


class Angle(ctypes.Structure):
    _fields_ = [("id", ctypes.c_uint32), ("angle", ctypes.c_uint16), ("valid", ctypes.c_uint8)]


@pytest.fixture(scope="module")
def lib() -> Any:
    c = rig.core()
    c.crc32.restype = ctypes.c_uint32
    for name in ("cobs_encode", "frame_identity", "frame_samples", "frame_health"):
        getattr(c, name).restype = ctypes.c_size_t
    c.quad_angle.restype = ctypes.c_uint16
    c.quad_turns.restype = c.boot_next.restype = ctypes.c_uint32
    c.ntc_dc.restype = ctypes.c_int16
    c.pickup_tooth.restype = c.pickup_sample.restype = ctypes.c_uint16
    return c


def bytes_of(call: Any, *arguments: Any) -> bytes:
    """What a C function writes to its first argument."""
    out = ctypes.create_string_buffer(BUFFER)
    n = call(out, *arguments)
    return out.raw[:n]


# -- the link -------------------------------------------------------------------------------------------------------


@given(data=st.binary(max_size=1_600))
def test_crc_and_cobs_are_the_libraries(lib: Any, data: bytes) -> None:
    """CRC-32/ISO-HDLC is zlib's; COBS is that of the `cobs` package, whatever the bytes and block lengths."""
    assert lib.crc32(data, len(data)) == zlib.crc32(data)
    out = ctypes.create_string_buffer(len(data) + len(data) // 254 + 2)
    n = lib.cobs_encode(data, len(data), out)
    assert out.raw[:n] == cobs.encode(data)


def test_the_crc_s_published_check_value(lib: Any) -> None:
    """0xCBF43926 for "123456789" (catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC)."""
    assert lib.crc32(b"123456789", 9) == 0xCBF43926


def of(vector: dict[str, Any]) -> Stamp:
    d = vector["decodes"]
    return Stamp(d["sequence"], d["boot"], d["head_time_us"])


def health_c(d: dict[str, Any]) -> HealthC:
    def i16(v: float | None) -> int:
        return 0x7FFF if v is None else round(v * 10)

    def u16(v: int | None) -> int:
        return 0xFFFF if v is None else v

    turns = 0xFFFFFFFF if d["crank_turns"] is None else d["crank_turns"]
    temperatures = [i16(d[k]) for k in ("head_c", "casing_c", "frame_c")]
    counts = [u16(d[k]) for k in ("supply_mv", "fuel_index_ua", "crank_slips", "cam_slips", "lost")]
    return HealthC(*temperatures, *counts, turns, 0)


def encoded(lib: Any, vector: dict[str, Any]) -> bytes:
    d = vector["decodes"]
    if d["kind"] == "identity":
        it = IdentityC(d["serial"], *d["firmware"], d["interval_ns"], d["crank_counts"], d["cam_counts"],
                       d["name"].encode())  # fmt: skip
        return bytes_of(lib.frame_identity, of(vector), ctypes.byref(it))
    if d["kind"] == "samples":
        valid = sum({"crank": 1, "cam": 2, "loop": 4}[v] for v in d["valid"])
        rows = (Sample * len(d["samples"]))(*[Sample(*row) for row in d["samples"]])
        return bytes_of(lib.frame_samples, of(vector), d["interval_ns"], valid, rows, len(rows))
    return bytes_of(lib.frame_health, of(vector), ctypes.byref(health_c(d)))


@pytest.mark.parametrize("vector", [v for v in VECTORS if "decodes" in v], ids=lambda v: v["name"])
def test_the_links_vectors_to_the_byte(lib: Any, vector: dict[str, Any]) -> None:
    """Each frame of the interface's page is what the head sends for its figures."""
    assert encoded(lib, vector).hex() == vector["hex"]


u16s = st.integers(0, 0xFFFF)


@given(rows=st.lists(st.tuples(u16s, u16s, u16s), min_size=1, max_size=256), valid=st.integers(0, 7),
       us=st.integers(0, 2**50), interval_us=st.integers(100, 900_000))  # fmt: skip
def test_the_gateway_reads_any_samples(lib: Any, rows: list[tuple[int, int, int]], valid: int, us: int,
                                       interval_us: int) -> None:  # fmt: skip
    """What the head encodes the gateway decodes to the same figures."""
    c = (Sample * len(rows))(*[Sample(*r) for r in rows])
    decoder = Decoder()
    found = decoder.feed(bytes_of(lib.frame_samples, Stamp(0, 1, us), interval_us * 1_000, valid, c, len(rows)))
    blocks = [x for x in found if isinstance(x, SampleBlock)]
    assert [tuple(map(int, r)) for r in zip(blocks[0].crank, blocks[0].cam, blocks[0].loop, strict=True)] == rows
    assert blocks[0].valid == valid and int(blocks[0].head_us[0]) == us


def test_the_health_tail_is_read_and_the_older_length_stays_good(lib: Any) -> None:
    """Speed, starts, jitter, skew; unknown ones stay unknown; without the tail nothing is made up."""
    base = health_c(next(v for v in VECTORS if v["name"] == "health")["decodes"])
    base.tail, base.rpm_x10, base.starts, base.jitter_us, base.skew_ns = 1, 971, 7, 12, -1_250
    known = health(lib, base)
    assert (known.rpm, known.starts, known.jitter_us, known.skew_ns) == (97.1, 7, 12, -1_250)
    base.rpm_x10 = base.starts = base.jitter_us = 0xFFFF
    base.skew_ns = -0x8000
    unknown = health(lib, base)
    assert (unknown.rpm, unknown.starts, unknown.jitter_us, unknown.skew_ns) == (None, None, None, None)
    base.tail = 0
    assert health(lib, base).rpm is None and health(lib, base).crank_turns == 123_456


def health(lib: Any, h: HealthC) -> Health:
    found = Decoder().feed(bytes_of(lib.frame_health, Stamp(0, 1, 1_000), ctypes.byref(h)))
    (one,) = [x for x in found if isinstance(x, Health)]
    return one


def test_figures_that_cannot_be_make_no_frame(lib: Any) -> None:
    """No samples, too many, or an interval of 0."""
    rows = (Sample * 300)()
    for interval, n in ((2_000_000, 0), (2_000_000, 257), (0, 10)):
        assert bytes_of(lib.frame_samples, Stamp(0, 1, 0), interval, 7, rows, n) == b""


# -- encoders -------------------------------------------------------------------------------------------------------

GRAY = (0b00, 0b10, 0b11, 0b01)


def turned(lib: Any, quad: Quad, at: int, to: int, lost: frozenset[int] = frozenset()) -> int:
    """Move a disc of `quad.counts` from one place to another, edge by edge; `lost`: edges that never arrive."""
    step = 1 if to > at else -1
    while at != to:
        at += step
        if at not in lost:
            lib.quad_edge(ctypes.byref(quad), GRAY[at % 4])
        if at % quad.counts == 0 and quad.has_index:
            lib.quad_index(ctypes.byref(quad))
    return at


def fresh(lib: Any, counts: int, index: bool, at: int = 0) -> Quad:
    quad = Quad()
    lib.quad_init(ctypes.byref(quad), counts, int(index), GRAY[at % 4])
    return quad


@given(stops=st.lists(st.integers(-9_000, 9_000), min_size=1, max_size=8), lines=st.integers(16, 600))
def test_every_edge_is_counted_either_way(lib: Any, stops: list[int], lines: int) -> None:
    """To and fro by any amounts, without an index: the angle is the disc's, within half a binary degree."""
    quad, at, way = fresh(lib, 4 * lines, False), 0, 0
    for stop in stops:
        way += abs(stop - at)
        at = turned(lib, quad, at, stop)
    wanted = round((at % (4 * lines)) * 65_536 / (4 * lines)) % 65_536
    assert (lib.quad_angle(ctypes.byref(quad)) - wanted) % 65_536 in (0, 1, 65_535)
    assert quad.illegal == 0 and lib.quad_turns(ctypes.byref(quad)) == abs(at) // (4 * lines)


def test_the_angle_is_known_from_the_index_on(lib: Any) -> None:
    """Started anywhere, the index gives the angle its zero; before that it is not valid."""
    quad = fresh(lib, 400, True, at=137)
    at = turned(lib, quad, 137, 399)
    assert not quad.known
    turned(lib, quad, at, 500)
    assert quad.known and quad.slips == 0
    assert lib.quad_angle(ctypes.byref(quad)) == round(100 * 65_536 / 400)


@pytest.mark.parametrize("gap", [1, 2, 3, 4, 8, 41])
def test_lost_edges_are_a_slip_and_the_index_sets_it_right(lib: Any, gap: int) -> None:
    """Edges that never arrive: counted at the next index where they show beyond its width, and the angle is right
    again. An illegal step makes the angle unknown until then."""
    quad = fresh(lib, 400, True)
    at = turned(lib, quad, 0, 450)
    at = turned(lib, quad, at, 700, lost=frozenset(range(500, 500 + gap)))
    # After one lost edge both channels have changed: illegal. After two it looks like a step back, after three, none.
    assert (quad.illegal > 0) == (gap % 4 == 1) and bool(quad.known) == (gap % 4 != 1)
    turned(lib, quad, at, 850)
    assert quad.known and quad.slips == (0 if gap == 1 else 1)
    assert lib.quad_angle(ctypes.byref(quad)) == pytest.approx(50 * 65_536 / 400, abs=2.5 * 65_536 / 400)


def test_turning_to_and_fro_at_the_index_is_no_slip(lib: Any) -> None:
    """The turning gear stops at the index and goes back over it."""
    quad, at = fresh(lib, 400, True), 0
    for stop in (410, 395, 405, 398, 402, 0, -5, 5):
        at = turned(lib, quad, at, stop)
    assert quad.slips == 0 and lib.quad_angle(ctypes.byref(quad)) == round(5 * 65_536 / 400)


def test_bounce_on_an_edge_moves_nothing(lib: Any) -> None:
    """A contact that opens and closes a few times gives the same count."""
    quad = fresh(lib, 400, False)
    for at in range(1, 101):
        for state in (at, at - 1, at, at - 1, at):
            lib.quad_edge(ctypes.byref(quad), GRAY[state % 4])
    assert quad.count == 100 and quad.illegal == 0


# -- pick-ups -------------------------------------------------------------------------------------------------------


def pickup_angles(lib: Any, marks: int, rpm: float, seconds: float, error_deg: float, seed: int) -> np.ndarray:
    """Samples at 500 Hz of a wheel with uneven teeth: rows of true angle, angle found, both in turns, and validity."""
    rng = np.random.default_rng(seed)
    off = rng.normal(0, error_deg / 360, marks)
    off -= off.mean()
    state = ctypes.create_string_buffer(8_192)
    lib.pickup_init(state, marks)
    turns = rpm / 60
    events: list[tuple[float, int, int]] = []
    for n in range(int(seconds * turns * marks)):
        when = (n / marks + off[n % marks]) / turns + 0.01
        if n % marks == 0:
            events.append((when - 1e-4, 0, 0))
        events.append((when, 1, n))
    events += [(k / 500 + 0.02, 2, k) for k in range(int((seconds - 0.5) * 500))]
    out = (Angle * WAITING)()
    found: dict[int, tuple[int, int]] = {}
    for when, kind, n in sorted(events):
        us = round(when * 1e6)
        if kind == 0:
            lib.pickup_turn(state)
        elif kind == 1:
            for i in range(lib.pickup_tooth(state, us, out)):
                found[out[i].id] = (out[i].angle, out[i].valid)
        else:
            for i in range(lib.pickup_sample(state, us, n, out)):
                found[out[i].id] = (out[i].angle, out[i].valid)
    rows = [((k / 500 + 0.01) * turns, a / 65_536, v) for k, (a, v) in sorted(found.items())]
    return np.array(rows)


@pytest.mark.parametrize(("marks", "rpm"), [(120, 97.0), (12, 97.0), (12, 60.0), (60, 450.0)])
def test_pickups_find_the_angle_between_teeth(lib: Any, marks: int, rpm: float) -> None:
    """Teeth uneven by 0.05° are learned: after 80 turns each angle is within 0.02°, the mean within 0.004°."""
    rows = pickup_angles(lib, marks, rpm, 90 / (rpm / 60), 0.05, 3)
    late = rows[int(len(rows) * 0.9) :]
    assert late[:, 2].all()
    off = (late[:, 1] - late[:, 0] + 0.5) % 1 - 0.5
    assert np.abs(off).max() * 360 < 0.02 and abs(off.mean()) * 360 < 0.004


def test_pickups_give_up_what_no_tooth_comes_for(lib: Any) -> None:
    """Standing still: samples come out as not valid, in bounded room."""
    state, out = ctypes.create_string_buffer(8_192), (Angle * WAITING)()
    lib.pickup_init(state, 12)
    given = [out[0].valid for k in range(500) if lib.pickup_sample(state, k * 2_000, k, out)]
    assert len(given) == 500 - WAITING and not any(given)


# -- bursts ---------------------------------------------------------------------------------------------------------


class Config(ctypes.Structure):
    _fields_ = [("identity", IdentityC), ("block", ctypes.c_uint16), ("burst_us", ctypes.c_uint32),
                ("period_us", ctypes.c_uint32)]  # fmt: skip


def burst_head(lib: Any, rpm: Any, seconds: float) -> list[tuple[float, int]]:
    """A head with bursts of 6 s in 60 s: when each sample frame was made, in s, and its samples. `rpm`: of time
    in s; samples at 10 Hz keep it quick."""
    lib.head_init.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_void_p)
    lib.head_latch.argtypes = (ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint16, ctypes.c_uint8)
    lib.head_latch.restype = ctypes.c_uint32
    lib.head_poll.argtypes = (ctypes.c_void_p, ctypes.c_uint64)
    head = ctypes.create_string_buffer(65_536)
    config = Config(
        IdentityC(interval_ns=100_000_000, crank_counts=14_400, cam_counts=14_400), 10, 6_000_000, 60_000_000
    )
    lib.head_init(head, ctypes.byref(config), 1, None)
    turns, decoder, made = 0.0, Decoder(), []
    for n in range(int(seconds * 10)):
        us = n * 100_000 + 1
        turns += rpm(n / 10) / 600
        sample = lib.head_latch(head, us, 12_000, 1)
        for put in (lib.head_crank, lib.head_cam):
            put(head, ctypes.c_uint32(sample), ctypes.c_uint16(int(turns * 65_536) & 0xFFFF), ctypes.c_uint8(1))
        lib.head_poll(head, us)
        data = bytearray()
        while (byte := lib.head_byte(head)) >= 0:
            data.append(byte)
        made += [(n / 10, len(x.crank)) for x in decoder.feed(bytes(data)) if isinstance(x, SampleBlock)]
    return made


def test_bursts_at_sea_and_all_the_time_near_a_standstill(lib: Any) -> None:
    """At sea, two hours after the start: a tenth of the samples. An engine that slows down in a pause is followed
    within two seconds, and for an hour after it runs again."""
    slows = burst_head(lib, lambda t: 90.0 if t < 7_330 or t > 7_400 else 2.0, 11_200.0)
    assert 450 <= sum(n for t, n in slows if 6_600 <= t < 7_200) <= 700
    # Bursts begin each full minute; it slows down in the pause between two.
    live = [t for t, _ in slows if 7_330 <= t < 7_378]
    assert len(live) >= 43 and min(live) < 7_334
    hour_on = [t for t, _ in slows if 9_007 < t < 9_059]
    assert len(hour_on) >= 45
    later = [t for t, _ in slows if 11_100 < t < 11_160]
    assert len(later) <= 9


def test_the_first_hour_is_continuous(lib: Any) -> None:
    """Whoever has just fitted it wants to see it."""
    assert sum(n for _, n in burst_head(lib, lambda t: 90.0, 300.0)) >= 2_950


# -- boot number ----------------------------------------------------------------------------------------------------

ERASE = ctypes.CFUNCTYPE(None, ctypes.c_uint32)
PROGRAM = ctypes.CFUNCTYPE(None, ctypes.c_uint32, ctypes.POINTER(ctypes.c_uint8))


class Flash(ctypes.Structure):
    _fields_ = [("area", ctypes.c_void_p), ("erase", ERASE), ("program", PROGRAM)]


class Chip:
    """A flash as it is: erasing sets a sector to ones, programming clears bits; a cut leaves either half done."""

    def __init__(self) -> None:
        self.area = (ctypes.c_uint8 * 16_384)(*[0xFF] * 16_384)
        self.erased = [0] * 4
        self.cut = False
        self._calls = (ERASE(self._erase), PROGRAM(self._program))
        self.c = Flash(ctypes.addressof(self.area), *self._calls)

    def _erase(self, offset: int) -> None:
        self.erased[offset // 4_096] += 1
        for i in range(4_096 if not self.cut else 1_000):
            self.area[offset + i] = 0xFF

    def _program(self, offset: int, page: Any) -> None:
        for i in range(256):
            if not self.cut or i % 3:
                self.area[offset + i] &= page[i]


def test_boot_numbers_rise_over_years_of_starts(lib: Any) -> None:
    """5,000 starts: each number one more than the last, the four sectors worn alike."""
    chip = Chip()
    assert [lib.boot_next(ctypes.byref(chip.c)) for _ in range(5_000)] == list(range(1, 5_001))
    assert max(chip.erased) - min(chip.erased) <= 1 and sum(chip.erased) <= 10


def test_a_start_that_is_cut_off_never_sets_the_number_back(lib: Any) -> None:
    """Power lost while the record is written, at any start: the next number is still above every one before."""
    chip, last = Chip(), 0
    for n in range(1_500):
        chip.cut = n % 7 == 3
        number = lib.boot_next(ctypes.byref(chip.c))
        assert number > last - 1
        last = max(last, number if not chip.cut else last)
    assert last > 1_200


# -- temperatures and console ---------------------------------------------------------------------------------------


def test_thermistors_follow_the_beta_equation(lib: Any) -> None:
    """R = R25·exp(B·(1/T − 1/298.15 K)), 10 kΩ and B = 3,950 K, over a divider of 10 kΩ, within 0.8 K (from memory)."""
    for c in np.arange(-20, 121, 2.5):
        r = 10_000 * math.exp(3_950 * (1 / (c + 273.15) - 1 / 298.15))
        assert lib.ntc_dc(round(4_095 * r / (r + 10_000))) / 10 == pytest.approx(c, abs=0.8)
    assert lib.ntc_dc(4_095) == 0x7FFF and lib.ntc_dc(0) == 0x7FFF


OK, SHOW, SAVE, GO, WRONG = range(5)


def test_the_console_takes_what_can_be_and_nothing_else(lib: Any) -> None:
    """Names and figures within their bounds; all else changes nothing."""
    s = ctypes.create_string_buffer(512)
    assert lib.console_line(s, b"set name port-head") == OK
    assert lib.console_line(s, b"set crank_lines 2500") == OK
    shown = ctypes.create_string_buffer(512)
    lib.console_show(s, shown, 512)
    text = shown.value.decode()
    assert "name port-head\r\n" in text and "crank_lines 2500\r\n" in text
    for wrong in (b"", b"set", b"set name ", b"set name seventeen-letters", b"set crank_lines 0", b"set crank_lines x",
                  b"set crank_lines 99999999999", b"set interval_us 99", b"setcrank_lines 5", b"help"):  # fmt: skip
        assert lib.console_line(s, wrong) == WRONG, wrong
    lib.console_show(s, shown, 512)
    assert shown.value.decode() == text
    assert [lib.console_line(s, w) for w in (b"show", b"save", b"go")] == [SHOW, SAVE, GO]


@given(line=st.binary(max_size=63).filter(lambda b: b"\0" not in b))
def test_no_line_breaks_the_console(lib: Any, line: bytes) -> None:
    """Any bytes at all."""
    s = ctypes.create_string_buffer(512)
    assert lib.console_line(s, line) in range(5)


def test_settings_are_kept_whole_or_not_at_all(lib: Any) -> None:
    """Packed and unpacked they are the same; one wrong bit and the build's own hold."""
    lib.settings_pack.restype = ctypes.c_size_t
    s, page = ctypes.create_string_buffer(512), ctypes.create_string_buffer(256)
    for line in (b"set name a", b"set interval_us 2000", b"set block 50", b"set crank_lines 3600",
                 b"set cam_lines 3600", b"set loop_full_ua 22000"):  # fmt: skip
        assert lib.console_line(s, line) == OK
    n = lib.settings_pack(s, page, 256)
    back = ctypes.create_string_buffer(512)
    assert n > 0 and lib.settings_unpack(back, page, 256) == 1
    show, other = ctypes.create_string_buffer(512), ctypes.create_string_buffer(512)
    lib.console_show(s, show, 512)
    lib.console_show(back, other, 512)
    assert show.value == other.value
    for i in range(n):
        damaged = bytearray(page.raw)
        damaged[i] ^= 0x10
        assert lib.settings_unpack(back, bytes(damaged), 256) == 0
