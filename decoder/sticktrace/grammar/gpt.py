"""The GUID partition table: header and entries, after the UEFI specification, clause 5.3."""

from __future__ import annotations

import uuid
import zlib
from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int32ul, Int64ul

from sticktrace.grammar.layout import Layout, bits, field, part, spare
from sticktrace.text import safe

SIGNATURE = b"EFI PART"
EMPTY_ARRAY_CRC = 0xAB54D286
"""CRC32 of 128 unused entries of 128 bytes (16,384 zero bytes)."""

TYPES = {
    "00000000-0000-0000-0000-000000000000": "unused",
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B": "EFI system",
    "024DEE41-33E7-11D3-9D69-0008C781F39F": "holds an MBR",
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": "basic data",
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "Microsoft reserved",
    "0FC63DAF-8483-4772-8E79-3D69D8477DE4": "Linux file system",
    "48465300-0000-11AA-AA11-00306543ECAC": "HFS+",
    "7C3457EF-0000-11AA-AA11-00306543ECAC": "APFS",
}
"""Partition type GUIDs: the first three from UEFI 5.3.3, the others common practice."""


def guid_text(raw: bytes) -> str:
    """A GUID as it is printed: the first three parts little-endian (UEFI appendix A). Raises ValueError unless the
    bytes are 16."""
    return str(uuid.UUID(bytes_le=bytes(raw))).upper()


def entry_name(raw: bytes) -> str:
    """The PartitionName of an entry: UTF-16, ended by a zero character, with hostile characters escaped."""
    return safe(raw.decode("utf-16-le", "replace").split("\0")[0])


def header_crc(header: bytes) -> int:
    """CRC32 of a header of HeaderSize bytes, its own field taken as zero (UEFI 5.3.2)."""
    return zlib.crc32(header[:16] + bytes(4) + header[20:])


def _guid(value: bytes, seen: Mapping[str, Any]) -> str:
    text = guid_text(value)
    return f"{TYPES[text]} ({text})" if text in TYPES else text


def _name(value: bytes, seen: Mapping[str, Any]) -> str:
    return entry_name(value)


HEADER = Layout(
    "GPT header",
    "UEFI 5.3.2",
    field("Signature", Bytes(8), "EFI PART", "UEFI 5.3.2", default=SIGNATURE),
    field("Revision", Int32ul, "00010000h", "UEFI 5.3.2", meaning={0x10000: "1.0"}, default=0x10000),
    field("HeaderSize", Int32ul, "bytes of the header that HeaderCRC32 covers, at least 92", "UEFI 5.3.2", default=92),
    field("HeaderCRC32", Int32ul, "CRC32 over HeaderSize bytes, this field taken as zero", "UEFI 5.3.2"),
    field("Reserved", Int32ul, "must be zero", "UEFI 5.3.2"),
    field("MyLBA", Int64ul, "the block that holds this header", "UEFI 5.3.2"),
    field("AlternateLBA", Int64ul, "the block that holds the other header", "UEFI 5.3.2"),
    field("FirstUsableLBA", Int64ul, "first block that a partition may use", "UEFI 5.3.2"),
    field("LastUsableLBA", Int64ul, "last block that a partition may use", "UEFI 5.3.2"),
    field("DiskGUID", Bytes(16), "identifies the medium", "UEFI 5.3.2", meaning=_guid),
    field("PartitionEntryLBA", Int64ul, "first block of the entry array", "UEFI 5.3.2"),
    field("NumberOfPartitionEntries", Int32ul, "entries in the array", "UEFI 5.3.2", default=128),
    field("SizeOfPartitionEntry", Int32ul, "bytes of one entry, 128 times a power of two", "UEFI 5.3.2", default=128),
    field("PartitionEntryArrayCRC32", Int32ul, "CRC32 of the whole array", "UEFI 5.3.2",
          meaning={EMPTY_ARRAY_CRC: "an array of 128 unused entries"}),
)  # fmt: skip

ENTRY = Layout(
    "GPT partition entry",
    "UEFI 5.3.3",
    field("PartitionTypeGUID", Bytes(16), "what the partition is for", "UEFI 5.3.3", meaning=_guid),
    field("UniquePartitionGUID", Bytes(16), "identifies this partition", "UEFI 5.3.3", meaning=_guid),
    field("StartingLBA", Int64ul, "first block", "UEFI 5.3.3"),
    field("EndingLBA", Int64ul, "last block, inclusive", "UEFI 5.3.3"),
    bits(
        8,
        part("Type specific", 16, "meaning depends on the partition type", "UEFI 5.3.3"),
        spare(45),
        part("Legacy BIOS Bootable", 1, "for firmware without UEFI", "UEFI 5.3.3"),
        part("No Block IO Protocol", 1, "firmware leaves the partition alone", "UEFI 5.3.3"),
        part("Required Partition", 1, "the platform needs it", "UEFI 5.3.3"),
        order="little",
        name="Attributes",
    ),
    field("PartitionName", Bytes(72), "36 UTF-16 characters, ended by a zero", "UEFI 5.3.3", meaning=_name),
)

FAST_HEADER = HEADER.fast(*HEADER.field_names())
"""Unpacks all fields of the header, in the order of the layout, from its first 92 bytes."""
FAST_ENTRY = ENTRY.fast("PartitionTypeGUID", "UniquePartitionGUID", "StartingLBA", "EndingLBA", "PartitionName")
"""Unpacks (PartitionTypeGUID, UniquePartitionGUID, StartingLBA, EndingLBA, PartitionName) from 128 bytes."""
