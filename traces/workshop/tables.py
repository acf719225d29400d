"""What stands on a medium around the files: partition tables and the boot sector of a file system not read by all.

Sources: the master boot record's usual layout; UEFI chapter 5 (GPT); the exFAT specification.
"""

from __future__ import annotations

import struct
import zlib

BASIC_DATA = bytes.fromhex("a2a0d0ebe5b9334487c068b6b72699c7")
"""Basic data partition GUID as stored (UEFI 5.3)."""


def master_boot_record(*partitions: tuple[int, int, int], signature: int = 0x20310430) -> bytes:
    """LBA 0 with up to four (type, first LBA, sectors); cylinder addresses are the "use the LBA" mark."""
    out = bytearray(512)
    struct.pack_into("<I", out, 440, signature)
    for number, (kind, first, sectors) in enumerate(partitions):
        struct.pack_into("<B3sB3sII", out, 446 + 16 * number, 0, b"\xfe\xff\xff", kind, b"\xfe\xff\xff", first, sectors)
    out[510:] = b"\x55\xaa"
    return bytes(out)


def gpt(blocks: int, first: int, last: int, name: str) -> dict[int, bytes]:
    """A protective MBR and both copies of a GPT with one basic data partition: LBA -> sector."""
    entry = struct.pack("<16s16sQQQ72s", BASIC_DATA, b"SKERRY TIDEPIER1", first, last, 0, name.encode("utf-16-le"))
    entries = entry.ljust(128 * 128, b"\0")
    sectors = {0: master_boot_record((0xEE, 1, min(blocks - 1, 0xFFFFFFFF)), signature=0)}
    for own, other, table in ((1, blocks - 1, 2), (blocks - 1, 1, blocks - 33)):
        head = struct.pack(
            "<8sIIIIQQQQ16sQIII", b"EFI PART", 0x00010000, 92, 0, 0, own, other, 34, blocks - 34, b"SKERRY TIDE DISK",
            table, 128, 128, zlib.crc32(entries),
        )  # fmt: skip
        head = head[:16] + struct.pack("<I", zlib.crc32(head)) + head[20:]
        sectors[own] = head.ljust(512, b"\0")
        sectors |= {table + n: entries[512 * n : 512 * n + 512] for n in range(32)}
    return sectors


def exfat_boot_region(first: int, sectors: int, serial: int = 0x20310430) -> dict[int, bytes]:
    """The 12 sectors of an exFAT boot region and their backup: LBA -> sector (exFAT 3.1)."""
    fat_length = 128
    clusters = (sectors - 2048 - fat_length) // 8
    boot = bytearray(512)
    boot[:11] = b"\xeb\x76\x90EXFAT   "
    struct.pack_into(
        "<QQIIIIIIHHBBBBB", boot, 64, first, sectors, 2048, fat_length, 2048 + fat_length, clusters, 4, serial, 0x0100,
        0, 9, 3, 1, 0x80, 0xFF,
    )  # fmt: skip
    boot[510:] = b"\x55\xaa"
    extended = bytes(508) + b"\0\0\x55\xaa"
    region = [bytes(boot)] + [extended] * 8 + [bytes(512)] * 2
    region.append(struct.pack("<I", _exfat_checksum(b"".join(region))) * 128)
    return {first + copy * 12 + n: sector for copy in (0, 1) for n, sector in enumerate(region)}


def _exfat_checksum(region: bytes) -> int:
    """exFAT 3.4: all bytes of 11 sectors but VolumeFlags (106, 107) and PercentInUse (112)."""
    total = 0
    for offset, byte in enumerate(region):
        if offset not in (106, 107, 112):
            total = ((total & 1) << 31) + (total >> 1) + byte & 0xFFFFFFFF
    return total
