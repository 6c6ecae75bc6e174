"""The checksum of the second stage, and the drag-and-drop file. Usage: uf2.py checksum BIN | uf2.py pack BIN UF2"""

import struct
import sys
from pathlib import Path

BASE = 0x1000_0000
PAYLOAD = 256
FAMILY_RP2040 = 0xE48B_FF56
MAGIC = (0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30)
HAS_FAMILY = 0x2000


def crc32_mpeg(data: bytes) -> int:
    """CRC-32/MPEG-2, as the boot ROM checks the second stage: polynomial 0x04C11DB7, not reflected, no final XOR."""
    crc = 0xFFFF_FFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ 0x04C1_1DB7 if crc & 0x8000_0000 else crc << 1) & 0xFFFF_FFFF
    return crc


def with_checksum(image: bytes) -> bytes:
    """The image with the CRC of its first 252 bytes behind them."""
    return image[:252] + struct.pack("<I", crc32_mpeg(image[:252])) + image[256:]


def packed(image: bytes) -> bytes:
    """The image as UF2: blocks of 512 bytes that each carry 256 and say where they belong."""
    blocks = [image[i : i + PAYLOAD].ljust(PAYLOAD, b"\0") for i in range(0, len(image), PAYLOAD)]
    out = []
    for n, block in enumerate(blocks):
        head = struct.pack(
            "<8I", MAGIC[0], MAGIC[1], HAS_FAMILY, BASE + n * PAYLOAD, PAYLOAD, n, len(blocks), FAMILY_RP2040
        )
        out.append(head + block.ljust(476, b"\0") + struct.pack("<I", MAGIC[2]))
    return b"".join(out)


def main(words: list[str]) -> int:
    """Do what is asked; 2 where that is not understood."""
    match words:
        case ["checksum", file]:
            Path(file).write_bytes(with_checksum(Path(file).read_bytes()))
        case ["pack", source, target]:
            Path(target).write_bytes(packed(Path(source).read_bytes()))
        case _:
            sys.stderr.write(f"{__doc__}\n")
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
