"""The master boot record against UEFI 5.2.1 and against a table made by sfdisk."""

from __future__ import annotations

import os

from layouts import check_everything
from sticktrace.grammar import mbr
from volume_lab import sample


def test_places_of_the_fields() -> None:
    """UEFI 5.2.1: records at 446, 16 bytes each, signature at 510."""
    places = {row.name: row.offset for row in mbr.MBR.outline() if not row.depth}
    assert places == {
        "BootCode": 0, "UniqueMBRDiskSignature": 440, "Unknown": 444, "PartitionRecord": 446, "Signature": 510,
    }  # fmt: skip
    assert mbr.MBR.sizeof() == 512 and mbr.PARTITION_ENTRY.sizeof() == 16


def test_a_record_reads_as_the_tool_wrote_it() -> None:
    """sfdisk was told: start 2048, size 32768, type 0Eh, bootable; disk identifier 20310417h."""
    values = mbr.MBR.parse(bytes(sample("mbr")[:512]))
    first = values["PartitionRecord"][0]
    assert (first["BootIndicator"], first["OSType"], first["StartingLBA"], first["SizeInLBA"]) == (
        0x80,
        0x0E,
        2048,
        32768,
    )
    assert values["UniqueMBRDiskSignature"] == 0x20310417 and values["Signature"] == 0xAA55
    assert values["PartitionRecord"][1]["OSType"] in mbr.EXTENDED


def test_layouts_hold_for_any_bytes() -> None:
    check_everything(mbr.PARTITION_ENTRY, os.urandom(16))
    data = bytes(sample("mbr")[:512])
    assert mbr.MBR.build(mbr.MBR.parse(data)) == data
