"""FAT structures against the FAT specification and against volumes made by mkfs.fat."""

from __future__ import annotations

import os

import pytest

from layouts import check_everything
from sticktrace.grammar import fat
from volume_lab import sample


@pytest.mark.parametrize(
    ("name", "expected"),
    [(b"THEQUI~1FOX", 0x07), (b"README  TXT", 0x73), (b"FILENAMETXT", 0x3A)],
)
def test_name_checksum(name: bytes, expected: int) -> None:
    """FAT spec, ChkSum; the first name is the specification's own example."""
    assert fat.checksum(name) == expected


@pytest.mark.parametrize(("clusters", "expected"), [(4084, 12), (4085, 16), (65524, 16), (65525, 32)])
def test_type_is_decided_by_the_cluster_count_alone(clusters: int, expected: int) -> None:
    """FAT spec, FAT type determination: fewer than 4085, fewer than 65525, else."""
    assert fat.fat_type(clusters) == expected


def test_places_of_the_fields() -> None:
    """FAT spec, byte offsets of the boot sector, FSInfo and the directory entry."""
    small = {row.name: row.offset for row in fat.BOOT_SECTOR_16.outline() if not row.depth}
    wide = {row.name: row.offset for row in fat.BOOT_SECTOR_32.outline() if not row.depth}
    assert [small[n] for n in ("BPB_BytsPerSec", "BPB_TotSec16", "BPB_TotSec32", "BS_VolID", "BS_VolLab")] == [
        11,
        19,
        32,
        39,
        43,
    ]
    assert [wide[n] for n in ("BPB_FATSz32", "BPB_RootClus", "BPB_FSInfo", "BPB_BkBootSec", "BS_VolID")] == [
        36,
        44,
        48,
        50,
        67,
    ]
    info = {row.name: row.offset for row in fat.FSINFO.outline()}
    assert [info[n] for n in ("FSI_StrucSig", "FSI_Free_Count", "FSI_Nxt_Free", "FSI_TrailSig")] == [484, 488, 492, 508]
    entry = {row.name: row.offset for row in fat.DIRECTORY_ENTRY.outline() if not row.depth}
    assert [entry[n] for n in ("DIR_FstClusHI", "DIR_WrtTime", "DIR_FstClusLO", "DIR_FileSize")] == [20, 22, 26, 28]
    for layout, size in ((fat.BOOT_SECTOR_16, 512), (fat.BOOT_SECTOR_32, 512), (fat.FSINFO, 512)):
        assert layout.sizeof() == size
    assert fat.DIRECTORY_ENTRY.sizeof() == fat.LONG_NAME_ENTRY.sizeof() == 32


def test_boot_sector_as_the_tool_wrote_it() -> None:
    """mkfs.fat -F 32 -s 1 -i 20310417 -n TIDEPIER on 36 MiB."""
    values = fat.BOOT_SECTOR_32.parse(bytes(sample("fat32")[:512]))
    assert values["BS_VolID"] == 0x20310417 and values["BS_VolLab"] == b"TIDEPIER   "
    assert values["BPB_SecPerClus"] == 1 and values["BPB_TotSec32"] == 36 * 2048 and values["BPB_RootClus"] == 2
    info = fat.FSINFO.parse(bytes(sample("fat32")[512:1024]))
    assert info["FSI_LeadSig"] == 0x41615252


def test_dates_and_times() -> None:
    """FAT spec, date format: bits 15-9 year from 1980, 8-5 month, 4-0 day; time in steps of two seconds."""
    assert fat.moment((51 << 9) | (4 << 5) | 17, (12 << 11) | (34 << 5) | 28) == "2031-04-17 12:34:56"
    assert fat.moment(0, 0) == "" and fat.date_text(15 << 5 | 1) == "" and fat.time_text(31 << 11) == ""


def test_short_names() -> None:
    """05h stands for E5h (FAT spec, DIR_Name); the case bits are common practice."""
    assert fat.short_name(b"STATION TXT") == "STATION.TXT" and fat.short_name(b"LEVELS     ") == "LEVELS"
    assert fat.short_name(b"STATION TXT", 0x18) == "station.txt"
    assert fat.short_name(b"\x05X         ") == fat.short_name(b"\xe5X         ")


def test_layouts_hold_for_any_bytes() -> None:
    for layout in (fat.DIRECTORY_ENTRY, fat.LONG_NAME_ENTRY):
        check_everything(layout, os.urandom(32))
    for layout in (fat.BOOT_SECTOR_16, fat.BOOT_SECTOR_32, fat.FSINFO):
        data = os.urandom(512)
        assert layout.build(layout.parse(data)) == data and layout.explain(data).used == 512
