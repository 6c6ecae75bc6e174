"""The files that are flashed: the second stage's length and checksum, the drag-and-drop file, the same bytes twice; and
the core on another Cortex-M."""

import importlib.util
import select
import shutil
import struct
import subprocess
import time
from pathlib import Path
from types import ModuleType

import pytest

from gateway.link import Decoder
from gateway.model.records import Identity
from tests.head import firmware_rig as rig


@pytest.fixture(scope="module")
def out() -> Path:
    if shutil.which("arm-none-eabi-gcc") is None or shutil.which("make") is None:
        pytest.skip("no cross compiler: the firmware's image is not built")
    return rig.built()


def uf2() -> ModuleType:
    spec = importlib.util.spec_from_file_location("uf2", rig.HEAD / "uf2.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_checksum_s_published_check_value() -> None:
    """CRC-32/MPEG-2 of "123456789" is 0x0376E6E7 (catalogue of parametrised CRC algorithms)."""
    assert uf2().crc32_mpeg(b"123456789") == 0x0376E6E7


def test_the_second_stage_is_256_bytes_with_its_checksum(out: Path) -> None:
    """The boot ROM takes 252 bytes and the CRC behind them; then come the vectors: a stack in RAM, an odd address."""
    image = (out / "head-rp2040.bin").read_bytes()
    assert struct.unpack_from("<I", image, 252)[0] == uf2().crc32_mpeg(image[:252])
    stack, reset = struct.unpack_from("<II", image, 256)
    assert 0x2000_0000 < stack <= 0x2004_2000 and reset & 1 and 0x1000_0100 < reset < 0x1000_0000 + len(image)


def test_the_drag_and_drop_file_holds_the_image(out: Path) -> None:
    """UF2: 512-byte blocks with their magic numbers and addresses in order; their payloads are the image."""
    image, file = (out / "head-rp2040.bin").read_bytes(), (out / "head-rp2040.uf2").read_bytes()
    assert len(file) % 512 == 0
    payload = b""
    for n in range(len(file) // 512):
        block = file[n * 512 : (n + 1) * 512]
        first, second, flags, address, size, number, total, family = struct.unpack_from("<8I", block)
        assert (first, second, flags, family) == (0x0A324655, 0x9E5D5157, 0x2000, 0xE48BFF56)
        assert (address, size, number, total) == (0x1000_0000 + 256 * n, 256, n, len(file) // 512)
        assert struct.unpack_from("<I", block, 508)[0] == 0x0AB16F30
        payload += block[32 : 32 + size]
    assert payload.rstrip(b"\0") == image.rstrip(b"\0")


@pytest.mark.slow
def test_two_builds_give_the_same_bytes(out: Path, tmp_path: Path) -> None:
    """Built again in another folder."""
    subprocess.run(
        ["make", "-s", f"OUT={tmp_path}"], cwd=rig.HEAD, check=True, timeout=rig.BUILD_S, capture_output=True
    )
    for name in ("head-rp2040.bin", "head-rp2040.uf2"):
        assert (tmp_path / name).read_bytes() == (out / name).read_bytes()


def flash(to: Path | str) -> subprocess.CompletedProcess[str]:
    """`make flash` as a user types it, with what is built already."""
    words = ["make", "-s", "flash", f"OUT={rig.built()}", f"TO={to}"]
    return subprocess.run(words, cwd=rig.HEAD, capture_output=True, text=True, timeout=rig.BUILD_S, check=False)


def test_flash_copies_the_file_to_the_chip_s_drive(out: Path, tmp_path: Path) -> None:
    """A folder with the drive's own INFO_UF2.TXT (its line from memory) stands in for the chip in its boot mode: the
    file arrives whole, alone, and what the drive had stays."""
    (tmp_path / "INFO_UF2.TXT").write_text("UF2 Bootloader v3.0\nBoard-ID: RPI-RP2\n", encoding="ascii")
    done = flash(tmp_path)
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["INFO_UF2.TXT", "head-rp2040.uf2"]
    assert (tmp_path / "head-rp2040.uf2").read_bytes() == (out / "head-rp2040.uf2").read_bytes()


@pytest.mark.parametrize("what", ["not given", "not there", "a file", "no chip's drive", "another chip's drive"])
def test_flash_to_no_drive_of_the_chip_is_refused(out: Path, tmp_path: Path, what: str) -> None:
    """It says what to do, and copies nothing."""
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "stick").mkdir()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "INFO_UF2.TXT").write_text("Board-ID: SAMD21\n", encoding="ascii")
    places = {"not given": "", "not there": tmp_path / "none", "a file": tmp_path / "file",
              "no chip's drive": tmp_path / "stick", "another chip's drive": tmp_path / "other"}  # fmt: skip
    done = flash(places[what])
    assert done.returncode != 0 and "BOOTSEL" in done.stdout + done.stderr
    assert not list(tmp_path.rglob("*.uf2"))


def test_the_core_runs_on_another_cortex_m(out: Path) -> None:
    """The same core on a Cortex-M3 in QEMU: identity and samples, none refused, the lag its made-up shaft has."""
    qemu = shutil.which("qemu-system-arm")
    if qemu is None:
        pytest.skip("no qemu-system-arm: the second board is not run")
    image = rig.built(board="mps2") / "head-mps2.elf"
    words = [qemu, "-M", "mps2-an385", "-kernel", str(image), "-nographic", "-serial", "stdio", "-monitor", "none"]
    decoder, items, end_s = Decoder(), [], time.monotonic() + 120
    with subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as chip:
        assert chip.stdout is not None
        while decoder.counts.samples < 12 and time.monotonic() < end_s:
            if select.select([chip.stdout], [], [], 1.0)[0]:
                items += decoder.feed(chip.stdout.read1(4_096))
        chip.kill()
    assert decoder.counts.samples >= 12 and sum(decoder.counts.refused.values()) + decoder.counts.lost == 0
    assert any(isinstance(x, Identity) and x.name == "head" for x in items)
