"""The GUID partition table against UEFI 5.3 and against a table made by sgdisk."""

from __future__ import annotations

import os
import zlib

from layouts import check_everything
from sticktrace.grammar import gpt
from volume_lab import sample


def test_crc_of_an_empty_entry_array() -> None:
    """CRC32 of 128 entries of 128 zero bytes is AB54D286h (published value of an empty table)."""
    assert zlib.crc32(bytes(128 * 128)) == gpt.EMPTY_ARRAY_CRC == 0xAB54D286


def test_places_of_the_fields() -> None:
    """UEFI 5.3.2 table 5-5 and 5.3.3 table 5-6: byte offsets."""
    header = {row.name: row.offset for row in gpt.HEADER.outline()}
    assert [header[n] for n in ("HeaderCRC32", "MyLBA", "AlternateLBA", "DiskGUID", "PartitionEntryLBA")] == [
        16,
        24,
        32,
        56,
        72,
    ]
    assert header["PartitionEntryArrayCRC32"] == 88 and gpt.HEADER.sizeof() == 92
    entry = {row.name: row.offset for row in gpt.ENTRY.outline() if not row.depth}
    assert [entry[n] for n in ("UniquePartitionGUID", "StartingLBA", "EndingLBA", "Attributes", "PartitionName")] == [
        16, 32, 40, 48, 56,
    ]  # fmt: skip
    assert gpt.ENTRY.sizeof() == 128


def test_guid_is_printed_with_its_first_parts_little_endian() -> None:
    """The basic data GUID and its bytes, as published."""
    raw = bytes.fromhex("A2 A0 D0 EB E5 B9 33 44 87 C0 68 B6 B7 26 99 C7")
    assert gpt.guid_text(raw) == "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
    assert gpt.TYPES[gpt.guid_text(raw)] == "basic data"


def test_header_and_entry_as_the_tool_wrote_them() -> None:
    """sgdisk made the table: its checksums must come out, and the partition as it was asked for."""
    image = bytes(sample("gpt"))
    header = gpt.HEADER.parse(image[512:604])
    assert gpt.header_crc(image[512:604]) == header["HeaderCRC32"]
    assert header["PartitionEntryArrayCRC32"] == zlib.crc32(image[1024 : 1024 + 128 * 128])
    entry = gpt.ENTRY.parse(image[1024:1152])
    assert (entry["StartingLBA"], entry["EndingLBA"]) == (2048, 34815)
    assert gpt.entry_name(entry["PartitionName"]) == "TIDEPIER"


def test_layouts_hold_for_any_bytes() -> None:
    check_everything(gpt.HEADER, os.urandom(92))
    check_everything(gpt.ENTRY, os.urandom(128))
