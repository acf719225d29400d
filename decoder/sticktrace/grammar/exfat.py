"""exFAT on disk: boot sector, directory entries, checksums, timestamps.

Follows the exFAT file system specification (Microsoft, published 2019), here "exFAT"; clause numbers are its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul, Int32ul, Int64ul

from sticktrace.grammar.fat import moment
from sticktrace.grammar.layout import Layout, bits, field, part, spare
from sticktrace.text import safe

NAME = b"EXFAT   "
BITMAP, UPCASE, LABEL, FILE, STREAM, FILE_NAME = 0x81, 0x82, 0x83, 0x85, 0xC0, 0xC1
IN_USE = 0x80
"""Bit 7 of an entry type; cleared when the entry is deleted."""
DIRECTORY_LIMIT = 256 << 20
"""Bytes of the largest directory (exFAT 3.1, 7.4)."""
CHECKSUM_SKIPS = (106, 107, 112)
"""Boot sector bytes that the boot checksum leaves out: VolumeFlags and PercentInUse (exFAT 3.4)."""


def boot_checksum(sectors: bytes) -> int:
    """The checksum over the first 11 sectors of a boot region (exFAT 3.4)."""
    total = 0
    for index, byte in enumerate(sectors):
        if index not in CHECKSUM_SKIPS:
            total = ((total & 1) << 31) + (total >> 1) + byte & 0xFFFFFFFF
    return total


def set_checksum(entries: bytes) -> int:
    """The checksum over a directory entry set, its own field left out (exFAT 6.3.3)."""
    total = 0
    for index, byte in enumerate(entries):
        if index not in (2, 3):
            total = ((total & 1) << 15) + (total >> 1) + byte & 0xFFFF
    return total


def name_hash(name: str) -> int:
    """The hash of a file name, already in upper case (exFAT 7.6.4)."""
    total = 0
    for byte in name.encode("utf-16-le", "surrogatepass"):
        total = ((total & 1) << 15) + (total >> 1) + byte & 0xFFFF
    return total


def timestamp(value: int) -> str:
    """A timestamp field as ``2031-04-17 12:34:56``: date in the upper half, time in the lower (exFAT 7.4.8)."""
    return moment(value >> 16, value & 0xFFFF)


def _stamp(value: int, seen: Mapping[str, Any]) -> str:
    return timestamp(value)


def _power(value: int, seen: Mapping[str, Any]) -> str:
    return f"{1 << value:,}" if value <= 25 else "out of range"


def _text(value: bytes, seen: Mapping[str, Any]) -> str:
    return safe(value.decode("utf-16-le", "replace").rstrip("\0"))


BOOT_SECTOR = Layout(
    "exFAT boot sector",
    "exFAT 3.1",
    field("JumpBoot", Bytes(3), "EBh 76h 90h", "exFAT 3.1.1", default=b"\xeb\x76\x90"),
    field("FileSystemName", Bytes(8), "EXFAT and three spaces", "exFAT 3.1.2", default=NAME),
    field("MustBeZero", Bytes(53), "zero, so that a FAT driver does not take the volume for its own", "exFAT 3.1.3"),
    field("PartitionOffset", Int64ul, "blocks before the volume on the medium; 0: ignore", "exFAT 3.1.4"),
    field("VolumeLength", Int64ul, "sectors of the volume", "exFAT 3.1.5"),
    field("FatOffset", Int32ul, "sectors from the start of the volume to the first FAT", "exFAT 3.1.6"),
    field("FatLength", Int32ul, "sectors of one FAT", "exFAT 3.1.7"),
    field("ClusterHeapOffset", Int32ul, "sectors from the start of the volume to cluster 2", "exFAT 3.1.8"),
    field("ClusterCount", Int32ul, "clusters of the volume", "exFAT 3.1.9"),
    field("FirstClusterOfRootDirectory", Int32ul, "first cluster of the root directory", "exFAT 3.1.10"),
    field("VolumeSerialNumber", Int32ul, "serial number of the volume", "exFAT 3.1.11"),
    bits(2, part("Major", 8, "major version"), part("Minor", 8, "minor version"), order="little",
         name="FileSystemRevision", text="1.00"),
    bits(2, spare(12), part("ClearToZero", 1, "cleared before any change"), part("MediaFailure", 1,
          "bad blocks were met"),
         part("VolumeDirty", 1, "changes may be incomplete"), part("ActiveFat", 1, "0: first FAT, 1: second FAT"),
         order="little", name="VolumeFlags"),
    field("BytesPerSectorShift", Int8ul, "bytes per sector as a power of two, 9 to 12", "exFAT 3.1.14",
          meaning=_power, default=9),
    field("SectorsPerClusterShift", Int8ul, "sectors per cluster as a power of two", "exFAT 3.1.15", meaning=_power),
    field("NumberOfFats", Int8ul, "1, or 2 for TexFAT", "exFAT 3.1.16", default=1),
    field("DriveSelect", Int8ul, "drive number for old firmware", "exFAT 3.1.17", default=0x80),
    field("PercentInUse", Int8ul, "clusters in use in percent", "exFAT 3.1.18", meaning={0xFF: "not known"},
          default=0xFF),
    field("Reserved", Bytes(7), "reserved", "exFAT 3.1"),
    field("BootCode", Bytes(390), "code that firmware runs to boot", "exFAT 3.1.19"),
    field("BootSignature", Int16ul, "AA55h", "exFAT 3.1.20", meaning={0xAA55: "present"}, default=0xAA55),
)  # fmt: skip

BITMAP_ENTRY = Layout(
    "exFAT allocation bitmap entry",
    "exFAT 7.1",
    field("EntryType", Int8ul, "81h", "exFAT 7.1.1", default=BITMAP),
    bits(1, spare(7), part("BitmapIdentifier", 1, "0: first bitmap, 1: second"), name="BitmapFlags"),
    field("Reserved", Bytes(18), "reserved", "exFAT 7.1"),
    field("FirstCluster", Int32ul, "first cluster of the bitmap", "exFAT 7.1.3"),
    field("DataLength", Int64ul, "bytes of the bitmap", "exFAT 7.1.4"),
)
UPCASE_ENTRY = Layout(
    "exFAT up-case table entry",
    "exFAT 7.2",
    field("EntryType", Int8ul, "82h", "exFAT 7.2.1", default=UPCASE),
    field("Reserved1", Bytes(3), "reserved", "exFAT 7.2"),
    field("TableChecksum", Int32ul, "checksum of the table", "exFAT 7.2.2"),
    field("Reserved2", Bytes(12), "reserved", "exFAT 7.2"),
    field("FirstCluster", Int32ul, "first cluster of the table", "exFAT 7.2.3"),
    field("DataLength", Int64ul, "bytes of the table", "exFAT 7.2.4"),
)
LABEL_ENTRY = Layout(
    "exFAT volume label entry",
    "exFAT 7.3",
    field("EntryType", Int8ul, "83h; 03h when the volume has no label", "exFAT 7.3.1", default=LABEL),
    field("CharacterCount", Int8ul, "characters of the label, 0 to 11", "exFAT 7.3.2"),
    field("VolumeLabel", Bytes(22), "label in UTF-16", "exFAT 7.3.3", meaning=_text),
    field("Reserved", Bytes(8), "reserved", "exFAT 7.3"),
)
FILE_ENTRY = Layout(
    "exFAT file entry",
    "exFAT 7.4",
    field("EntryType", Int8ul, "85h; 05h once deleted", "exFAT 7.4.1", meaning={0x85: "in use", 0x05: "deleted"},
          default=FILE),
    field("SecondaryCount", Int8ul, "entries of the set that follow, 2 to 18", "exFAT 7.4.2"),
    field("SetChecksum", Int16ul, "checksum of the whole set", "exFAT 7.4.3"),
    bits(2, spare(10), part("Archive", 1, "changed since the last backup"), part("Directory", 1, "a directory"),
         spare(1), part("System", 1, "part of the operating system"), part("Hidden", 1, "not listed"),
         part("ReadOnly", 1, "not to be written"), order="little", name="FileAttributes"),
    field("Reserved1", Bytes(2), "reserved", "exFAT 7.4"),
    field("CreateTimestamp", Int32ul, "time of creation", "exFAT 7.4.5", meaning=_stamp),
    field("LastModifiedTimestamp", Int32ul, "time of the last write", "exFAT 7.4.6", meaning=_stamp),
    field("LastAccessedTimestamp", Int32ul, "time of the last access", "exFAT 7.4.7", meaning=_stamp),
    field("Create10msIncrement", Int8ul, "10 ms units to add", "exFAT 7.4.9"),
    field("LastModified10msIncrement", Int8ul, "10 ms units to add", "exFAT 7.4.9"),
    field("CreateUtcOffset", Int8ul, "quarter hours from UTC; bit 7: valid", "exFAT 7.4.10"),
    field("LastModifiedUtcOffset", Int8ul, "quarter hours from UTC; bit 7: valid", "exFAT 7.4.10"),
    field("LastAccessedUtcOffset", Int8ul, "quarter hours from UTC; bit 7: valid", "exFAT 7.4.10"),
    field("Reserved2", Bytes(7), "reserved", "exFAT 7.4"),
)  # fmt: skip
STREAM_ENTRY = Layout(
    "exFAT stream extension entry",
    "exFAT 7.6",
    field("EntryType", Int8ul, "C0h; 40h once deleted", "exFAT 7.6.1", default=STREAM),
    bits(1, spare(6), part("NoFatChain", 1, "1: clusters are contiguous and the FAT is not used"),
         part("AllocationPossible", 1, "must be 1"), name="GeneralSecondaryFlags"),
    field("Reserved1", Bytes(1), "reserved", "exFAT 7.6"),
    field("NameLength", Int8ul, "characters of the name", "exFAT 7.6.3"),
    field("NameHash", Int16ul, "hash of the name in upper case", "exFAT 7.6.4"),
    field("Reserved2", Bytes(2), "reserved", "exFAT 7.6"),
    field("ValidDataLength", Int64ul, "bytes that have been written", "exFAT 7.6.5"),
    field("Reserved3", Bytes(4), "reserved", "exFAT 7.6"),
    field("FirstCluster", Int32ul, "first cluster, 0 when nothing is allocated", "exFAT 7.6.6"),
    field("DataLength", Int64ul, "bytes of the file, or of the directory's clusters", "exFAT 7.6.7"),
)  # fmt: skip
NAME_ENTRY = Layout(
    "exFAT file name entry",
    "exFAT 7.7",
    field("EntryType", Int8ul, "C1h; 41h once deleted", "exFAT 7.7.1", default=FILE_NAME),
    bits(
        1,
        spare(6),
        part("NoFatChain", 1, "must be 0"),
        part("AllocationPossible", 1, "must be 0"),
        name="GeneralSecondaryFlags",
    ),
    field("FileName", Bytes(30), "15 characters of the name in UTF-16", "exFAT 7.7.3", meaning=_text),
)

LAYOUTS = {
    BITMAP: BITMAP_ENTRY, UPCASE: UPCASE_ENTRY, LABEL: LABEL_ENTRY, FILE: FILE_ENTRY, STREAM: STREAM_ENTRY,
    FILE_NAME: NAME_ENTRY,
}  # fmt: skip
"""Entry type, in use, to layout. A deleted entry has the same layout with bit 7 clear."""

FAST_BOOT = BOOT_SECTOR.fast(
    "PartitionOffset", "VolumeLength", "FatOffset", "FatLength", "ClusterHeapOffset", "ClusterCount",
    "FirstClusterOfRootDirectory", "VolumeSerialNumber", "FileSystemRevision", "VolumeFlags", "BytesPerSectorShift",
    "SectorsPerClusterShift", "NumberOfFats", "DriveSelect", "PercentInUse",
)  # fmt: skip
"""Unpacks PartitionOffset to PercentInUse, in the order of the layout."""
FAST_FILE = FILE_ENTRY.fast(
    "SecondaryCount", "SetChecksum", "FileAttributes", "CreateTimestamp", "LastModifiedTimestamp"
)
FAST_STREAM = STREAM_ENTRY.fast(
    "GeneralSecondaryFlags", "NameLength", "NameHash", "ValidDataLength", "FirstCluster", "DataLength"
)
FAST_PLACE = BITMAP_ENTRY.fast("FirstCluster", "DataLength")
"""Unpacks (FirstCluster, DataLength) of a bitmap or up-case table entry."""
