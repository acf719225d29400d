"""FAT12, FAT16 and FAT32 on disk: boot sector, FSInfo, directory entries, dates, the name checksum.

Follows the FAT specification ("FAT: General Overview of On-Disk Format", Microsoft 2005); the names of sections are
its own. Unmarked dirty bits in the boot sector are what the Linux and Windows drivers do (common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Int8ul, Int16ul, Int32ul

from sticktrace.grammar.layout import Layout, bits, field, part, spare
from sticktrace.text import safe

FAT12_LIMIT, FAT16_LIMIT = 4085, 65525
"""Fewer clusters than the first: FAT12; fewer than the second: FAT16; else FAT32 (FAT specification, FAT type
determination)."""

DIRECTORY_LIMIT = 65536 * 32
"""Bytes of the largest directory (FAT specification, FAT directory structure)."""

READ_ONLY, HIDDEN, SYSTEM, VOLUME_ID, DIRECTORY, ARCHIVE, LONG_NAME = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x0F
DELETED, LAST_LONG = 0xE5, 0x40

_BPB = "FAT specification, BPB structure"
_EXT16, _EXT32 = "FAT specification, extended BPB for FAT12/16", "FAT specification, extended BPB for FAT32"
_DIR, _LONG = "FAT specification, directory structure", "FAT specification, long name implementation"


def checksum(short_name: bytes) -> int:
    """The checksum that ties long name entries to their short entry (FAT specification, ChkSum). ``short_name`` has 11
    bytes."""
    total = 0
    for byte in short_name:
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    return total


def fat_type(clusters: int) -> int:
    """12, 16 or 32: decided by the count of data clusters alone."""
    return 12 if clusters < FAT12_LIMIT else 16 if clusters < FAT16_LIMIT else 32


def date_text(value: int) -> str:
    """``2031-04-17``, or "" for a date that is zero or impossible (FAT specification, date format)."""
    day, month, year = value & 31, value >> 5 & 15, 1980 + (value >> 9)
    return f"{year:04}-{month:02}-{day:02}" if 1 <= month <= 12 and day else ""


def time_text(value: int) -> str:
    """``12:34:56`` in steps of two seconds, or "" for an impossible time (FAT specification, time format)."""
    hours, minutes, seconds = value >> 11, value >> 5 & 63, (value & 31) * 2
    return f"{hours:02}:{minutes:02}:{seconds:02}" if hours < 24 and minutes < 60 and seconds < 60 else ""


def moment(date: int, time: int) -> str:
    """Date and time together in the recorder's local time; "" when the date is not set."""
    day = date_text(date)
    return f"{day} {time_text(time)}".strip() if day else ""


def short_name(raw: bytes, case_bits: int = 0) -> str:
    """The name in the 11 bytes of an entry: ``STATION.TXT``. Byte 05h stands for E5h; the case bits (08h name, 10h
    extension in lower case) are common practice. Bytes above 7Fh are read as code page 437."""
    first = b"\xe5" if raw[:1] == b"\x05" else raw[:1]
    base = (first + raw[1:8]).decode("cp437").rstrip(" ")
    extension = raw[8:11].decode("cp437").rstrip(" ")
    base = base.lower() if case_bits & 0x08 else base
    extension = extension.lower() if case_bits & 0x10 else extension
    return f"{base}.{extension}" if extension else base


def long_piece(entry: bytes) -> bytes:
    """The 26 bytes of UTF-16 that one long name entry carries."""
    return bytes(entry[1:11] + entry[14:26] + entry[28:32])


def _date(value: int, seen: Mapping[str, Any]) -> str:
    return date_text(value)


def _time(value: int, seen: Mapping[str, Any]) -> str:
    return time_text(value)


def _text(value: bytes, seen: Mapping[str, Any]) -> str:
    return safe(value)


def _name(value: bytes, seen: Mapping[str, Any]) -> str:
    if value[0] == 0:
        return "end of the directory"
    if value[0] == DELETED:
        return f"deleted, was ?{safe(short_name(b'_' + value[1:]))[1:]}"
    return safe(short_name(value, seen.get("DIR_NTRes", 0)))


def _utf16(value: bytes, seen: Mapping[str, Any]) -> str:
    return safe(value.decode("utf-16-le", "replace").split("\0")[0].rstrip("\uffff"))


_COMMON = (
    field("BS_jmpBoot", Bytes(3), "jump over the parameters: EBh xx 90h or E9h xx xx", _BPB, default=b"\xeb\x3c\x90"),
    field("BS_OEMName", Bytes(8), "what formatted the volume; not to be relied on", _BPB, meaning=_text),
    field("BPB_BytsPerSec", Int16ul, "bytes per sector: 512, 1024, 2048 or 4096", _BPB, default=512),
    field("BPB_SecPerClus", Int8ul, "sectors per cluster, a power of two up to 128", _BPB, default=1),
    field("BPB_RsvdSecCnt", Int16ul, "sectors before the first FAT, this one included", _BPB, default=1),
    field("BPB_NumFATs", Int8ul, "copies of the FAT", _BPB, default=2),
    field("BPB_RootEntCnt", Int16ul, "entries of the fixed root directory; 0 on FAT32", _BPB),
    field("BPB_TotSec16", Int16ul, "sectors of the volume, 0 when BPB_TotSec32 holds them", _BPB),
    field("BPB_Media", Int8ul, "media byte, also the low byte of FAT[0]", _BPB,
          meaning={0xF8: "fixed", 0xF0: "removable"}, default=0xF8),
    field("BPB_FATSz16", Int16ul, "sectors of one FAT; 0 on FAT32", _BPB),
    field("BPB_SecPerTrk", Int16ul, "geometry for old firmware", _BPB),
    field("BPB_NumHeads", Int16ul, "geometry for old firmware", _BPB),
    field("BPB_HiddSec", Int32ul, "blocks before the volume on the medium", _BPB),
    field("BPB_TotSec32", Int32ul, "sectors of the volume when BPB_TotSec16 is 0", _BPB),
)  # fmt: skip


def _tail(clause: str, filler: int) -> tuple[Any, ...]:
    return (
        field("BS_DrvNum", Int8ul, "drive number for old firmware", clause, default=0x80),
        bits(1, spare(6), part("SurfaceTest", 1, "a surface scan is due (common practice)"),
             part("Dirty", 1, "mounted for writing and not yet unmounted (common practice)"), name="BS_Reserved1"),
        field("BS_BootSig", Int8ul, "29h: the next three fields are present", clause, default=0x29),
        field("BS_VolID", Int32ul, "serial number of the volume", clause),
        field("BS_VolLab", Bytes(11), "label, a copy of the one in the root directory", clause, meaning=_text),
        field("BS_FilSysType", Bytes(8), "a text that does not decide the type", clause, meaning=_text),
        field("BootCode", Bytes(filler), "code that firmware runs to boot", clause),
        field("Signature_word", Bytes(2), "55h AAh at byte 510, also of a larger sector", clause, default=b"\x55\xaa"),
    )  # fmt: skip


BOOT_SECTOR_16 = Layout("FAT12/FAT16 boot sector", _BPB, *_COMMON, *_tail(_EXT16, 448))
BOOT_SECTOR_32 = Layout(
    "FAT32 boot sector",
    _BPB,
    *_COMMON,
    field("BPB_FATSz32", Int32ul, "sectors of one FAT", _EXT32),
    bits(2, spare(8), part("NotMirrored", 1, "1: only the active FAT is kept up to date", _EXT32), spare(3),
         part("ActiveFAT", 4,
               "number of the active FAT when not mirrored", _EXT32), order="little", name="BPB_ExtFlags"),
    field("BPB_FSVer", Int16ul, "version, must be 0", _EXT32),
    field("BPB_RootClus", Int32ul, "first cluster of the root directory", _EXT32, default=2),
    field("BPB_FSInfo", Int16ul, "sector of the FSInfo structure", _EXT32, default=1),
    field("BPB_BkBootSec", Int16ul, "sector of the backup boot sector, 0 or 6", _EXT32, default=6),
    field("BPB_Reserved", Bytes(12), "must be zero", _EXT32),
    *_tail(_EXT32, 420),
)  # fmt: skip

FSINFO = Layout(
    "FAT32 FSInfo sector",
    "FAT specification, FSInfo structure",
    field("FSI_LeadSig", Int32ul, "41615252h", "FAT specification, FSInfo structure", default=0x41615252),
    field("FSI_Reserved1", Bytes(480), "must be zero", "FAT specification, FSInfo structure"),
    field("FSI_StrucSig", Int32ul, "61417272h", "FAT specification, FSInfo structure", default=0x61417272),
    field("FSI_Free_Count", Int32ul, "free clusters as last known; a hint", "FAT specification, FSInfo structure",
          meaning={0xFFFFFFFF: "not known"}, default=0xFFFFFFFF),
    field("FSI_Nxt_Free", Int32ul, "where to look for a free cluster; a hint", "FAT specification, FSInfo structure",
          meaning={0xFFFFFFFF: "not known"}, default=0xFFFFFFFF),
    field("FSI_Reserved2", Bytes(12), "must be zero", "FAT specification, FSInfo structure"),
    field("FSI_TrailSig", Int32ul, "AA550000h", "FAT specification, FSInfo structure", default=0xAA550000),
)  # fmt: skip

DIRECTORY_ENTRY = Layout(
    "FAT directory entry",
    _DIR,
    field("DIR_Name", Bytes(11), "short name: 8 characters and 3 of extension; E5h deleted, 00h end", _DIR,
          meaning=_name),
    bits(1, spare(2), part("ATTR_ARCHIVE", 1, "changed since a backup"), part("ATTR_DIRECTORY", 1, "a directory"),
         part("ATTR_VOLUME_ID", 1, "the volume label"), part("ATTR_SYSTEM", 1, "belongs to the operating system"),
         part("ATTR_HIDDEN", 1, "not listed"), part("ATTR_READ_ONLY", 1, "not to be written"), name="DIR_Attr"),
    field("DIR_NTRes", Int8ul, "lower case: 08h the name, 10h the extension (common practice)", _DIR),
    field("DIR_CrtTimeTenth", Int8ul, "creation time, 10 ms units, 0 to 199", _DIR),
    field("DIR_CrtTime", Int16ul, "time of creation", _DIR, meaning=_time),
    field("DIR_CrtDate", Int16ul, "date of creation", _DIR, meaning=_date),
    field("DIR_LstAccDate", Int16ul, "date of the last access", _DIR, meaning=_date),
    field("DIR_FstClusHI", Int16ul, "first cluster, upper 16 bits; 0 on FAT12/16", _DIR),
    field("DIR_WrtTime", Int16ul, "time of the last write", _DIR, meaning=_time),
    field("DIR_WrtDate", Int16ul, "date of the last write", _DIR, meaning=_date),
    field("DIR_FstClusLO", Int16ul, "first cluster, lower 16 bits", _DIR),
    field("DIR_FileSize", Int32ul, "bytes; 0 for a directory", _DIR),
)  # fmt: skip

LONG_NAME_ENTRY = Layout(
    "FAT long name entry",
    _LONG,
    bits(1, spare(1), part("LAST_LONG_ENTRY", 1, "the last part of the name, stored first", _LONG),
         part("Order", 6, "number of this part, from 1", _LONG), name="LDIR_Ord"),
    field("LDIR_Name1", Bytes(10), "characters 1 to 5", _LONG, meaning=_utf16),
    field("LDIR_Attr", Int8ul, "0Fh marks a long name entry", _LONG, meaning={0x0F: "long name"}, default=0x0F),
    field("LDIR_Type", Int8ul, "must be zero", _LONG),
    field("LDIR_Chksum", Int8ul, "checksum of the short name that it belongs to", _LONG),
    field("LDIR_Name2", Bytes(12), "characters 6 to 11", _LONG, meaning=_utf16),
    field("LDIR_FstClusLO", Int16ul, "must be zero", _LONG),
    field("LDIR_Name3", Bytes(4), "characters 12 and 13", _LONG, meaning=_utf16),
)  # fmt: skip

FAST_BPB = BOOT_SECTOR_16.fast(*[f.name for f in _COMMON[2:]])
"""Unpacks BPB_BytsPerSec to BPB_TotSec32, in the order of the layout."""
FAST_BPB32 = BOOT_SECTOR_32.fast(
    "BPB_FATSz32", "BPB_ExtFlags", "BPB_FSVer", "BPB_RootClus", "BPB_FSInfo", "BPB_BkBootSec"
)
"""Unpacks the FAT32 part of the boot sector."""
FAST_ENTRY = DIRECTORY_ENTRY.fast(
    "DIR_Name", "DIR_Attr", "DIR_NTRes", "DIR_CrtTime", "DIR_CrtDate", "DIR_FstClusHI", "DIR_WrtTime", "DIR_WrtDate",
    "DIR_FstClusLO", "DIR_FileSize",
)  # fmt: skip
"""Unpacks (name, attributes, case bits, creation time and date, first cluster high, write time and date, low, size)."""
