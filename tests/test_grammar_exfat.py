"""exFAT structures and other file systems' signatures against the published documents and real volumes."""

from __future__ import annotations

import os
import struct

from layouts import check_everything
from sticktrace.grammar import exfat, filesystems
from volume_lab import sample


def test_boot_checksum_is_the_one_that_the_formatter_stored() -> None:
    """exFAT 3.4: over 11 sectors without bytes 106, 107 and 112; sector 11 repeats it 128 times (mkfs.exfat)."""
    image = bytes(sample("exfat"))
    stored = struct.unpack_from("<128I", image, 11 * 512)
    assert set(stored) == {exfat.boot_checksum(image[: 11 * 512])}
    assert exfat.boot_checksum(image[12 * 512 : 23 * 512]) == stored[0], "the backup region"


def test_places_of_the_fields() -> None:
    """exFAT 3.1 and 7: byte offsets."""
    boot = {row.name: row.offset for row in exfat.BOOT_SECTOR.outline() if not row.depth}
    names = ("PartitionOffset", "VolumeLength", "FatOffset", "ClusterHeapOffset", "ClusterCount", "VolumeSerialNumber")
    assert [boot[n] for n in names] == [64, 72, 80, 88, 92, 100]
    assert [boot[n] for n in ("VolumeFlags", "BytesPerSectorShift", "PercentInUse", "BootSignature")] == [
        106,
        108,
        112,
        510,
    ]
    stream = {row.name: row.offset for row in exfat.STREAM_ENTRY.outline()}
    assert [stream[n] for n in ("NameLength", "ValidDataLength", "FirstCluster", "DataLength")] == [3, 8, 20, 24]
    assert exfat.BOOT_SECTOR.sizeof() == 512 and {layout.sizeof() for layout in exfat.LAYOUTS.values()} == {32}


def test_timestamp_and_flags() -> None:
    """exFAT 7.4.8: the date is in the upper half; 7.6.2: bit 1 of the secondary flags says NoFatChain."""
    assert exfat.timestamp((51 << 25) | (4 << 21) | (17 << 16) | (12 << 11)) == "2031-04-17 12:00:00"
    rows = {row.name: row.value for row in exfat.STREAM_ENTRY.explain(b"\xc0\x03" + bytes(30)).rows}
    assert (rows["NoFatChain"], rows["AllocationPossible"]) == (1, 1)


def test_layouts_hold_for_any_bytes() -> None:
    for layout in exfat.LAYOUTS.values():
        check_everything(layout, os.urandom(32))
    data = os.urandom(512)
    assert exfat.BOOT_SECTOR.build(exfat.BOOT_SECTOR.parse(data)) == data
    for _, _, _, layout, _ in filesystems.SIGNATURES:
        check_everything(layout, os.urandom(layout.sizeof()))


def test_signatures_stand_where_the_documents_say() -> None:
    """ext: 56 bytes into the super block at 1024 (kernel documentation); ISO 9660: sector 16 (ECMA-119 6.7.1);
    HFS+: 1024 (TN1150); APFS: 32 (Apple File System Reference)."""
    assert {(name, at) for name, at, *_ in filesystems.SIGNATURES} == {
        ("NTFS", 3), ("APFS", 32), ("ext", 1080), ("HFS+", 1024), ("ISO 9660", 32769),
    }  # fmt: skip
