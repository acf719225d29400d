"""The master boot record and the links of an extended partition.

No standards body owns this sector. The layout follows the UEFI specification, 5.2.1 (legacy MBR), which printed what
the trade had long agreed on; the partition types are common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Array, Bytes, Int8ul, Int16ul, Int32ul

from sticktrace.grammar.layout import Layout, bits, field, part

TYPES = {
    0x00: "unused",
    0x01: "FAT12",
    0x04: "FAT16, under 32 MiB",
    0x05: "extended",
    0x06: "FAT16",
    0x07: "NTFS or exFAT",
    0x0B: "FAT32",
    0x0C: "FAT32, LBA",
    0x0E: "FAT16, LBA",
    0x0F: "extended, LBA",
    0x82: "Linux swap",
    0x83: "Linux",
    0xA5: "FreeBSD",
    0xAF: "HFS+",
    0xEE: "GPT protective",
    0xEF: "EFI system",
}
"""OSType values met on sticks: 00h, EEh and EFh from UEFI 5.2.1, the others common practice."""

EXTENDED = frozenset({0x05, 0x0F})
"""Types whose partition holds a chain of further records."""

SIGNATURE = b"\x55\xaa"
TABLE_AT = 446


def _first(value: int, seen: Mapping[str, Any]) -> str:
    return f"the partition begins at LBA {value}" if value else ""


PARTITION_ENTRY = Layout(
    "MBR partition record",
    "UEFI 5.2.1",
    field("BootIndicator", Int8ul, "whether firmware boots from here", "UEFI 5.2.1",
          meaning={0x80: "bootable", 0: "not bootable"}),
    bits(3, part("StartHead", 8, "first head, obsolete addressing"),
         part("StartCylinderHigh", 2, "first cylinder, high bits"),
         part("StartSector", 6, "first sector, counted from 1"),
         part("StartCylinderLow", 8, "first cylinder, low bits"), name="StartingCHS",
               text="first block as cylinder, head, sector"),
    field("OSType", Int8ul, "what the partition is for", "UEFI 5.2.1", meaning=TYPES),
    bits(3, part("EndHead", 8, "last head, obsolete addressing"),
         part("EndCylinderHigh", 2, "last cylinder, high bits"),
         part("EndSector", 6, "last sector, counted from 1"),
         part("EndCylinderLow", 8, "last cylinder, low bits"), name="EndingCHS",
               text="last block as cylinder, head, sector"),
    field("StartingLBA", Int32ul, "first logical block; in an extended chain, relative (common practice)",
          "UEFI 5.2.1", meaning=_first),
    field("SizeInLBA", Int32ul, "number of logical blocks", "UEFI 5.2.1"),
)  # fmt: skip

MBR = Layout(
    "Master boot record",
    "UEFI 5.2.1",
    field("BootCode", Bytes(440), "code that firmware runs to boot", "UEFI 5.2.1"),
    field("UniqueMBRDiskSignature", Int32ul, "identifies the medium to an operating system", "UEFI 5.2.1"),
    field("Unknown", Int16ul, "not used by the specification", "UEFI 5.2.1"),
    field("PartitionRecord", Array(4, PARTITION_ENTRY), "the four primary partitions", "UEFI 5.2.1"),
    field("Signature", Int16ul, "AA55h at byte 510, whatever the block length", "UEFI 5.2.1",
          meaning={0xAA55: "present"}, default=0xAA55),
)  # fmt: skip

FAST_ENTRY = PARTITION_ENTRY.fast("BootIndicator", "OSType", "StartingLBA", "SizeInLBA")
"""Unpacks (BootIndicator, OSType, StartingLBA, SizeInLBA) from the 16 bytes of one record."""
