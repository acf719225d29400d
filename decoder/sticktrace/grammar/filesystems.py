"""Other file systems, as far as their first structure: enough to name them and say how large they are.

Each layout names its own source. Only the fields up to the last one needed are laid out; what follows is left alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ub, Int16ul, Int32ub, Int32ul, Int64ul

from sticktrace.grammar.layout import Layout, field
from sticktrace.text import safe

_NTFS = "common practice (NTFS has no published standard)"
_EXT = "ext4 documentation, super block"
_ISO = "ECMA-119 8.4"
_HFS = "TN1150, volume header"
_APFS = "Apple File System Reference, container"


def _text(value: bytes, seen: Mapping[str, Any]) -> str:
    return safe(value.rstrip(b" \0"))


NTFS_BOOT = Layout(
    "NTFS boot sector",
    _NTFS,
    field("Jump", Bytes(3), "jump over the parameters", _NTFS),
    field("OEM ID", Bytes(8), "NTFS and four spaces", _NTFS, meaning=_text),
    field("Bytes per sector", Int16ul, "bytes per sector", _NTFS),
    field("Sectors per cluster", Int8ul, "sectors per cluster", _NTFS),
    field("Unused", Bytes(26), "fields of the FAT boot sector that NTFS leaves alone", _NTFS),
    field("Total sectors", Int64ul, "sectors of the volume, less one", _NTFS),
    field("MFT cluster", Int64ul, "first cluster of the master file table", _NTFS),
    field("MFT mirror cluster", Int64ul, "first cluster of its copy", _NTFS),
)
EXT_SUPERBLOCK = Layout(
    "ext2/3/4 super block",
    _EXT,
    field("s_inodes_count", Int32ul, "inodes", _EXT),
    field("s_blocks_count_lo", Int32ul, "blocks, lower 32 bits", _EXT),
    field("s_r_blocks_count_lo", Int32ul, "reserved blocks, lower 32 bits", _EXT),
    field("s_free_blocks_count_lo", Int32ul, "free blocks, lower 32 bits", _EXT),
    field("s_free_inodes_count", Int32ul, "free inodes", _EXT),
    field("s_first_data_block", Int32ul, "first data block", _EXT),
    field("s_log_block_size", Int32ul, "block size is 1024 shifted left by this", _EXT),
    field("Other fields", Bytes(28), "cluster and group sizes, times, mount counts", _EXT),
    field("s_magic", Int16ul, "EF53h", _EXT, meaning={0xEF53: "ext2/3/4"}),
    field("s_state", Int16ul, "state of the file system", _EXT,
          meaning={1: "cleanly unmounted", 2: "errors", 4: "orphans"}),
    field("Further fields", Bytes(60), "error handling, version, features", _EXT),
    field("s_volume_name", Bytes(16), "label", _EXT, meaning=_text),
)  # fmt: skip
ISO_DESCRIPTOR = Layout(
    "ISO 9660 primary volume descriptor",
    _ISO,
    field("Volume Descriptor Type", Int8ul, "1: primary", _ISO,
          meaning={0: "boot record", 1: "primary", 255: "end of the set"}),
    field("Standard Identifier", Bytes(5), "CD001", _ISO, meaning=_text),
    field("Volume Descriptor Version", Int8ul, "1", _ISO),
    field("Unused Field", Bytes(1), "zero", _ISO),
    field("System Identifier", Bytes(32), "system that may use the first 16 sectors", _ISO, meaning=_text),
    field("Volume Identifier", Bytes(32), "label", _ISO, meaning=_text),
    field("Unused Field 2", Bytes(8), "zero", _ISO),
    field("Volume Space Size", Int32ul, "blocks of the volume, little-endian half", _ISO),
)  # fmt: skip
HFS_HEADER = Layout(
    "HFS+ volume header",
    _HFS,
    field("signature", Bytes(2), "H+ for HFS+, HX for HFSX", _HFS, meaning=_text),
    field("version", Int16ub, "4 for HFS+, 5 for HFSX", _HFS),
    field("attributes", Int32ub, "state bits of the volume", _HFS),
    field("Other fields", Bytes(32), "last mounter, journal, dates and counts", _HFS),
    field("blockSize", Int32ub, "bytes per allocation block", _HFS),
    field("totalBlocks", Int32ub, "allocation blocks of the volume", _HFS),
)
APFS_CONTAINER = Layout(
    "APFS container super block",
    _APFS,
    field("o_header", Bytes(32), "checksum, object identifier, transaction, type", _APFS),
    field("nx_magic", Bytes(4), "NXSB", _APFS, meaning=_text),
    field("nx_block_size", Int32ul, "bytes per block", _APFS),
    field("nx_block_count", Int64ul, "blocks of the container", _APFS),
)

SIGNATURES: tuple[tuple[str, int, bytes, Layout, int], ...] = (
    ("NTFS", 3, b"NTFS    ", NTFS_BOOT, 0),
    ("APFS", 32, b"NXSB", APFS_CONTAINER, 0),
    ("ext", 1024 + 56, b"\x53\xef", EXT_SUPERBLOCK, 1024),
    ("HFS+", 1024, b"H+\x00\x04", HFS_HEADER, 1024),
    ("HFS+", 1024, b"HX\x00\x05", HFS_HEADER, 1024),
    ("ISO 9660", 32768 + 1, b"CD001", ISO_DESCRIPTOR, 32768),
)
"""Name, place of the signature in bytes from the start of the volume, signature, layout, place of the layout."""
