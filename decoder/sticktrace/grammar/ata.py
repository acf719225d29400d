"""ATA commands that reach a disk behind a USB bridge, and the data they return (ATA8-ACS; SMART data from ATA-3 on).

Word and byte positions follow the IDENTIFY DEVICE and SMART READ DATA tables. All numbers are little-endian words; ATA
strings hold two characters a word with the first character in the high byte, so that `ata_text` swaps each pair.
The attribute table inside SMART data and the names of attributes are common practice, not part of the standard.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, BytesInteger, Construct, Int8ub, Int16ul, Int32ul, Int64ul

from sticktrace.grammar.layout import Bits, Bounded, Field, Layout, Part, Series, bits, field, part, reserved
from sticktrace.text import field_text

ACS = "ATA8-ACS, IDENTIFY DEVICE data"
SMART = "ATA8-ACS, SMART READ DATA"
PRACTICE = "common practice"

ATA_COMMANDS: dict[int, str] = {
    0x00: "NOP",
    0x06: "DATA SET MANAGEMENT",
    0x20: "READ SECTOR(S)",
    0x24: "READ SECTOR(S) EXT",
    0x25: "READ DMA EXT",
    0x27: "READ NATIVE MAX ADDRESS EXT",
    0x29: "READ MULTIPLE EXT",
    0x2F: "READ LOG EXT",
    0x30: "WRITE SECTOR(S)",
    0x34: "WRITE SECTOR(S) EXT",
    0x35: "WRITE DMA EXT",
    0x37: "SET MAX ADDRESS EXT",
    0x39: "WRITE MULTIPLE EXT",
    0x3D: "WRITE DMA FUA EXT",
    0x3F: "WRITE LOG EXT",
    0x40: "READ VERIFY SECTOR(S)",
    0x42: "READ VERIFY SECTOR(S) EXT",
    0x45: "WRITE UNCORRECTABLE EXT",
    0x47: "READ LOG DMA EXT",
    0x57: "WRITE LOG DMA EXT",
    0x5B: "TRUSTED NON-DATA",
    0x5C: "TRUSTED RECEIVE",
    0x5D: "TRUSTED RECEIVE DMA",
    0x5E: "TRUSTED SEND",
    0x5F: "TRUSTED SEND DMA",
    0x60: "READ FPDMA QUEUED",
    0x61: "WRITE FPDMA QUEUED",
    0x90: "EXECUTE DEVICE DIAGNOSTIC",
    0x92: "DOWNLOAD MICROCODE",
    0x93: "DOWNLOAD MICROCODE DMA",
    0xA0: "PACKET",
    0xA1: "IDENTIFY PACKET DEVICE",
    0xB0: "SMART",
    0xB1: "DEVICE CONFIGURATION",
    0xB4: "SANITIZE DEVICE",
    0xC4: "READ MULTIPLE",
    0xC5: "WRITE MULTIPLE",
    0xC6: "SET MULTIPLE MODE",
    0xC8: "READ DMA",
    0xCA: "WRITE DMA",
    0xE0: "STANDBY IMMEDIATE",
    0xE1: "IDLE IMMEDIATE",
    0xE2: "STANDBY",
    0xE3: "IDLE",
    0xE4: "READ BUFFER",
    0xE5: "CHECK POWER MODE",
    0xE6: "SLEEP",
    0xE7: "FLUSH CACHE",
    0xE8: "WRITE BUFFER",
    0xEA: "FLUSH CACHE EXT",
    0xEC: "IDENTIFY DEVICE",
    0xEF: "SET FEATURES",
    0xF1: "SECURITY SET PASSWORD",
    0xF2: "SECURITY UNLOCK",
    0xF3: "SECURITY ERASE PREPARE",
    0xF4: "SECURITY ERASE UNIT",
    0xF5: "SECURITY FREEZE LOCK",
    0xF6: "SECURITY DISABLE PASSWORD",
    0xF8: "READ NATIVE MAX ADDRESS",
    0xF9: "SET MAX ADDRESS",
}
"""ATA command codes (ATA8-ACS, command codes)."""

SMART_FEATURES: dict[int, str] = {
    0xD0: "READ DATA",
    0xD1: "READ ATTRIBUTE THRESHOLDS",
    0xD2: "ENABLE/DISABLE ATTRIBUTE AUTOSAVE",
    0xD3: "SAVE ATTRIBUTE VALUES",
    0xD4: "EXECUTE OFF-LINE IMMEDIATE",
    0xD5: "READ LOG",
    0xD6: "WRITE LOG",
    0xD8: "ENABLE OPERATIONS",
    0xD9: "DISABLE OPERATIONS",
    0xDA: "RETURN STATUS",
}
"""FEATURES values of the SMART command (B0h)."""

SET_FEATURES: dict[int, str] = {
    0x02: "enable write cache",
    0x03: "set transfer mode",
    0x05: "enable advanced power management",
    0x55: "disable read look-ahead",
    0x82: "disable write cache",
    0x85: "disable advanced power management",
    0xAA: "enable read look-ahead",
}
"""FEATURES values of the SET FEATURES command (EFh)."""

ATTRIBUTES: dict[int, str] = {
    1: "raw read error rate",
    3: "spin-up time",
    4: "start/stop count",
    5: "reallocated sectors",
    7: "seek error rate",
    9: "power-on hours",
    10: "spin retry count",
    12: "power cycle count",
    184: "end-to-end errors",
    187: "reported uncorrectable errors",
    188: "command timeouts",
    190: "airflow temperature",
    191: "shock sensor events",
    192: "power-off retracts",
    193: "load cycle count",
    194: "temperature",
    195: "corrected by ECC",
    196: "reallocation events",
    197: "sectors waiting for reallocation",
    198: "sectors uncorrectable off-line",
    199: "interface CRC errors",
    241: "LBAs written",
    242: "LBAs read",
}
"""What attribute numbers usually mean (common practice: each vendor is free to differ)."""


def ata_text(raw: bytes) -> str:
    """An ATA string with its byte pairs put in reading order, without padding, safe to show; half a pair is dropped."""
    pairs = (raw[at + 1 : at + 2] + raw[at : at + 1] for at in range(0, len(raw) - 1, 2))
    return field_text(b"".join(pairs)).strip()


def command_name(code: int, features: int = 0) -> str:
    """The name of an ATA command, with the SMART or SET FEATURES function it asks for; "" for an unknown code."""
    name = ATA_COMMANDS.get(code, "")
    sub = {0xB0: SMART_FEATURES, 0xEF: SET_FEATURES}.get(code, {}).get(features & 0xFF, "")
    return f"{name}: {sub}" if sub else name


def checksum_ok(data: bytes) -> bool:
    """Whether the 512 bytes add up to zero modulo 256 (rule of SMART data, and of IDENTIFY data signed with A5h)."""
    return len(data) == 512 and sum(data) % 256 == 0


# -- IDENTIFY DEVICE -----------------------------------------------------------------------------------------------


def _word(number: int, name: str, text: str, meaning: Any = None) -> Field:
    return field(name, Int16ul, text, f"{ACS}, word {number}", meaning=meaning)


def _skip(first: int, last: int) -> Field:
    name = f"words {first}-{last}" if last > first else f"word {first}"
    return field(name, Bytes(2 * (last - first + 1)), "not laid out here", ACS, default=bytes(2 * (last - first + 1)))


def _string(first: int, last: int, name: str) -> Field:
    size = 2 * (last - first + 1)
    clause = f"{ACS}, words {first}-{last}"
    return field(name, Bytes(size), "text, two characters a word", clause, meaning=lambda v, _: f'"{ata_text(v)}"')


def _word_bits(number: int, *named: tuple[int, str, str]) -> Bits:
    """One word of single-bit flags, from high to low; the bits between are shown as left over."""
    parts: list[Part] = []
    left = 16

    def other(high: int, low: int) -> Part:
        return part(f"word {number} bits {high}-{low}", high - low + 1, "not laid out here", ACS)

    for bit, name, text in named:
        if left - bit > 1:
            parts.append(other(left - 1, bit + 1))
        answer = None if text else {0: "no", 1: "yes"}
        parts.append(part(name, 1, text or "as the name says", f"{ACS}, word {number}", meaning=answer))
        left = bit
    if left:
        parts.append(other(left - 1, 0))
    return bits(2, *parts, order="little")


def _rotation(value: int, _seen: Any) -> str:
    if value in (0, 1):
        return ("not reported", "non-rotating medium")[value]
    return f"{value} revolutions per minute" if 0x0401 <= value <= 0xFFFE else "reserved"


def _major(value: int, _seen: Any) -> str:
    names = {3: "ATA-3", 4: "ATA/ATAPI-4", 5: "ATA/ATAPI-5", 6: "ATA/ATAPI-6", 7: "ATA/ATAPI-7", 8: "ATA8-ACS",
             9: "ACS-2", 10: "ACS-3", 11: "ACS-4"}  # fmt: skip
    if value in (0, 0xFFFF):
        return "not reported"
    claimed = [name for bit, name in names.items() if value >> bit & 1]
    return f"up to {claimed[-1]}" if claimed else ""


def _sector_words(value: int, seen: Mapping[str, Any]) -> str:
    valid = seen.get("word 106 valid") == 1 and seen.get("LOGICAL SECTOR LONGER THAN 256 WORDS")
    return f"{2 * value} bytes" if valid else "512 bytes, since word 106 does not say otherwise"


def _physical(value: int, seen: Mapping[str, Any]) -> str:
    valid = seen.get("word 106 valid") == 1 and seen.get("MULTIPLE LOGICAL SECTORS PER PHYSICAL SECTOR")
    return f"{1 << value} logical sectors in a physical sector" if valid else "one logical sector in a physical sector"


IDENTIFY_DEVICE = Layout(
    "IDENTIFY DEVICE data", ACS,
    _word_bits(0, (15, "NOT AN ATA DEVICE", "a packet device, not an ATA disk"),
               (2, "RESPONSE INCOMPLETE", "not all of the data is known yet")),
    _word(1, "LOGICAL CYLINDERS", "obsolete"),
    _skip(2, 2),
    _word(3, "LOGICAL HEADS", "obsolete"),
    _skip(4, 5),
    _word(6, "LOGICAL SECTORS PER TRACK", "obsolete"),
    _skip(7, 9),
    _string(10, 19, "SERIAL NUMBER"),
    _skip(20, 22),
    _string(23, 26, "FIRMWARE REVISION"),
    _string(27, 46, "MODEL NUMBER"),
    _skip(47, 48),
    _word_bits(49, (11, "IORDY SUPPORTED", ""), (9, "LBA SUPPORTED", "addresses by block"), (8, "DMA SUPPORTED", "")),
    _skip(50, 59),
    field("LBA28 SECTORS", Int32ul, "sectors addressable with 28 bits", f"{ACS}, words 60-61"),
    _skip(62, 74),
    bits(2, part("word 75 bits 15-5", 11, "not laid out here", ACS),
         part("QUEUE DEPTH", 5, "commands in the queue, less one", f"{ACS}, word 75"), order="little"),
    _word_bits(76, (8, "NCQ SUPPORTED", "queued commands"), (3, "6 GB/S SUPPORTED", ""), (2, "3 GB/S SUPPORTED", ""),
               (1, "1.5 GB/S SUPPORTED", "")),
    _skip(77, 79),
    _word(80, "MAJOR VERSION", "bit per edition of the standard", _major),
    _word(81, "MINOR VERSION", "draft that the device follows"),
    _word_bits(82, (12, "WRITE BUFFER SUPPORTED", ""), (6, "LOOK-AHEAD SUPPORTED", ""),
               (5, "WRITE CACHE SUPPORTED", ""),
               (3, "POWER MANAGEMENT SUPPORTED", ""), (1, "SECURITY SUPPORTED", ""), (0, "SMART SUPPORTED", "")),
    _word_bits(83, (13, "FLUSH CACHE EXT SUPPORTED", ""), (12, "FLUSH CACHE SUPPORTED", ""),
               (10, "48-BIT ADDRESS SUPPORTED", ""), (3, "ADVANCED POWER MANAGEMENT SUPPORTED", "")),
    _skip(84, 84),
    _word_bits(85, (6, "LOOK-AHEAD ENABLED", ""), (5, "WRITE CACHE ENABLED", ""), (1, "SECURITY ENABLED", ""),
               (0, "SMART ENABLED", "")),
    _skip(86, 99),
    field("LBA48 SECTORS", Int64ul, "sectors addressable with 48 bits", f"{ACS}, words 100-103"),
    _skip(104, 105),
    bits(
        2, part("word 106 valid", 2, "01b where the word is valid", f"{ACS}, word 106"),
        part("MULTIPLE LOGICAL SECTORS PER PHYSICAL SECTOR", 1, "the exponent counts", f"{ACS}, word 106"),
        part("LOGICAL SECTOR LONGER THAN 256 WORDS", 1, "words 117-118 count", f"{ACS}, word 106"),
        part("word 106 bits 11-4", 8, "reserved", ACS),
        part("LOGICAL SECTORS PER PHYSICAL SECTOR", 4, "as a power of two", f"{ACS}, word 106", meaning=_physical),
        order="little",
    ),
    _skip(107, 107),
    field("WORLD WIDE NAME", Bytes(8), "four words, each low byte first", f"{ACS}, words 108-111",
          meaning=lambda v, _: "".join(v[i + 1 : i + 2].hex() + v[i : i + 1].hex() for i in range(0, 8, 2))),
    _skip(112, 116),
    field("LOGICAL SECTOR SIZE", Int32ul, "in words", f"{ACS}, words 117-118", meaning=_sector_words),
    _skip(119, 127),
    bits(
        2, part("word 128 bits 15-9", 7, "reserved", ACS),
        part("MASTER PASSWORD CAPABILITY", 1, "level of protection", ACS, meaning={0: "high", 1: "maximum"}),
        part("word 128 bits 7-6", 2, "reserved", ACS),
        part("ENHANCED SECURITY ERASE SUPPORTED", 1, "reserved areas are erased too", ACS),
        part("SECURITY COUNT EXPIRED", 1, "too many wrong passwords", ACS),
        part("SECURITY FROZEN", 1, "security commands are refused until power is cycled", ACS),
        part("SECURITY LOCKED", 1, "data cannot be read until unlocked", ACS),
        part("SECURITY IN USE", 1, "a user password is set", ACS),
        part("SECURITY AVAILABLE", 1, "passwords are supported", ACS),
        order="little",
    ),
    _skip(129, 167),
    bits(2, part("word 168 bits 15-4", 12, "reserved", ACS),
         part("NOMINAL FORM FACTOR", 4, "size of the device", f"{ACS}, word 168",
              meaning={0: "not reported", 1: "5.25 inch", 2: "3.5 inch", 3: "2.5 inch", 4: "1.8 inch",
                       5: "under 1.8 inch"}), order="little"),
    _word_bits(169, (0, "TRIM SUPPORTED", "DATA SET MANAGEMENT can trim")),
    _skip(170, 216),
    _word(217, "MEDIUM ROTATION RATE", "how fast the medium turns", _rotation),
    _skip(218, 254),
    field("SIGNATURE", Int8ub, "A5h where the checksum counts", f"{ACS}, word 255", meaning={0xA5: "checksum present"}),
    field("CHECKSUM", Int8ub, "makes the sum of all 512 bytes zero", f"{ACS}, word 255"),
)  # fmt: skip

# -- SMART ---------------------------------------------------------------------------------------------------------

ATTRIBUTE = Layout(
    "SMART attribute", PRACTICE,
    field("ID", Int8ub, "which attribute; 0 for an empty row", PRACTICE, meaning=ATTRIBUTES),
    bits(2, part("other flags", 14, "vendor specific", PRACTICE),
         part("COLLECTED ON-LINE", 1, "updated while in use", PRACTICE),
         part("PRE-FAILURE", 1, "below its threshold failure is near", PRACTICE), order="little"),
    field("CURRENT VALUE", Int8ub, "normalized: higher is better", PRACTICE),
    field("WORST VALUE", Int8ub, "lowest value so far", PRACTICE),
    field("RAW VALUE", BytesInteger(6, swapped=True), "as the vendor counts", PRACTICE),
    reserved(1),
)  # fmt: skip

THRESHOLD = Layout(
    "SMART threshold", PRACTICE,
    field("ID", Int8ub, "which attribute; 0 for an empty row", PRACTICE, meaning=ATTRIBUTES),
    field("THRESHOLD", Int8ub, "at or below this the attribute has failed", PRACTICE),
    reserved(10),
)  # fmt: skip

_OFFLINE = {0: "never started", 2: "completed", 4: "suspended", 5: "aborted by the host", 6: "aborted with an error"}
_SELF_TEST = {
    0: "completed without error", 1: "aborted by the host", 2: "interrupted by a reset", 3: "could not be completed",
    4: "failed", 5: "electrical failure", 6: "servo or seek failure", 7: "read failure", 15: "in progress",
}  # fmt: skip


def _table(item: Construct) -> tuple[Construct, ...]:
    return (
        field("REVISION", Int16ul, "of the table below", PRACTICE),
        field("attributes", Bounded(360, Series(item)), "thirty rows of twelve bytes", PRACTICE),
    )


SMART_DATA = Layout(
    "SMART READ DATA", SMART,
    *_table(ATTRIBUTE),
    bits(1, part("AUTOMATIC OFF-LINE COLLECTION", 1, "enabled", SMART),
         part("OFF-LINE COLLECTION STATUS", 7, "what became of it", SMART, meaning=_OFFLINE)),
    bits(1, part("SELF-TEST STATUS", 4, "what became of the last test", SMART, meaning=_SELF_TEST),
         part("SELF-TEST REMAINING", 4, "tenths still to do", SMART)),
    field("OFF-LINE COLLECTION TIME", Int16ul, "seconds", SMART),
    field("byte 366", Int8ub, "vendor specific", SMART),
    field("OFF-LINE CAPABILITY", Int8ub, "bit 4: has self-tests", SMART),
    field("SMART CAPABILITY", Int16ul, "bit 0: saves before power saving, bit 1: can save", SMART),
    field("ERROR LOGGING CAPABILITY", Int8ub, "bit 0: keeps an error log", SMART),
    field("byte 371", Int8ub, "vendor specific", SMART),
    field("SHORT SELF-TEST TIME", Int8ub, "minutes", SMART),
    field("EXTENDED SELF-TEST TIME", Int8ub, "minutes", SMART, meaning={0xFF: "see the word below"}),
    field("CONVEYANCE SELF-TEST TIME", Int8ub, "minutes", SMART),
    field("EXTENDED SELF-TEST TIME WORD", Int16ul, "minutes, where the byte is FFh", SMART),
    field("bytes 377-510", Bytes(134), "reserved and vendor specific", SMART, default=bytes(134)),
    field("CHECKSUM", Int8ub, "makes the sum of all 512 bytes zero", SMART),
)  # fmt: skip

SMART_THRESHOLDS = Layout(
    "SMART READ ATTRIBUTE THRESHOLDS", "ATA-3, SMART READ ATTRIBUTE THRESHOLDS",
    *_table(THRESHOLD),
    field("bytes 362-510", Bytes(149), "reserved and vendor specific", PRACTICE, default=bytes(149)),
    field("CHECKSUM", Int8ub, "makes the sum of all 512 bytes zero", PRACTICE),
)  # fmt: skip

# -- DATA SET MANAGEMENT -------------------------------------------------------------------------------------------

_DSM = "ATA8-ACS, DATA SET MANAGEMENT"
TRIM_RANGES = Layout(
    "DATA SET MANAGEMENT ranges", _DSM,
    field("ranges", Series(Layout(
        "LBA range entry", _DSM,
        bits(8, part("RANGE LENGTH", 16, "sectors; 0 for an empty entry", _DSM),
             part("LBA", 48, "first sector", _DSM), order="little"),
    )), "one per range", _DSM),
)  # fmt: skip
