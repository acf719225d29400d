"""ATA pass-through and ATA data against SAT and ATA8-ACS.

Command codes, SMART functions and IDENTIFY word numbers agree with Linux's hdreg.h and ata.h; other positions are from
memory. Two whole command blocks are common practice: what disk tools send to a bridge.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_cover, check_everything, check_round_trip
from sticktrace.grammar import ata, sat
from sticktrace.storage import commands
from vectors import Block, all_values, check_block, values_of, words_of

IDENTIFY_16 = "85 08 0e 00 00 00 01 00 00 00 00 00 00 00 ec 00"
SMART_16 = "85 08 0e 00 d0 00 01 00 00 00 4f 00 c2 00 b0 00"

BLOCKS_OF_SAT = [
    Block("ATA PASS-THROUGH(16)", IDENTIFY_16, "common practice: IDENTIFY DEVICE by PIO",
          {"PROTOCOL": 4, "T_DIR": 1, "BYT_BLOK": 1, "T_LENGTH": 2, "COUNT (7:0)": 1, "COMMAND": 0xEC}),
    Block("ATA PASS-THROUGH(16)", SMART_16, "common practice: SMART READ DATA, signature C24Fh in the LBA",
          {"PROTOCOL": 4, "T_DIR": 1, "BYT_BLOK": 1, "T_LENGTH": 2, "FEATURES (7:0)": 0xD0, "COUNT (7:0)": 1,
           "LBA (15:8)": 0x4F, "LBA (23:16)": 0xC2, "COMMAND": 0xB0}),
    Block("ATA PASS-THROUGH(16)", "85 0d 06 01 02 03 04 05 06 07 08 09 0a 40 25 00", "SAT-3 (from memory)",
          {"PROTOCOL": 6, "EXTEND": 1, "BYT_BLOK": 1, "T_LENGTH": 2, "FEATURES (15:8)": 1, "FEATURES (7:0)": 2,
           "COUNT (15:8)": 3, "COUNT (7:0)": 4, "LBA (31:24)": 5, "LBA (7:0)": 6, "LBA (39:32)": 7, "LBA (15:8)": 8,
           "LBA (47:40)": 9, "LBA (23:16)": 10, "DEVICE": 0x40, "COMMAND": 0x25}),
    Block("ATA PASS-THROUGH(12)", "a1 08 0e 00 01 00 00 00 00 ec 00 00", "SAT-3 (from memory)",
          {"PROTOCOL": 4, "T_DIR": 1, "BYT_BLOK": 1, "T_LENGTH": 2, "COUNT (7:0)": 1, "COMMAND": 0xEC}),
    Block("ATA PASS-THROUGH(12)", "a1 06 20 da 00 00 4f c2 00 b0 00 00", "SAT-3 (from memory): SMART RETURN STATUS",
          {"PROTOCOL": 3, "CK_COND": 1, "FEATURES (7:0)": 0xDA, "LBA (15:8)": 0x4F, "LBA (23:16)": 0xC2,
           "COMMAND": 0xB0}),
]  # fmt: skip


@pytest.mark.parametrize("block", BLOCKS_OF_SAT, ids=lambda block: block.source)
def test_command_block(block: Block) -> None:
    """Both pass-through commands: fields both ways."""
    check_block(block)


@pytest.mark.parametrize(
    ("cdb", "name"),
    [(IDENTIFY_16, "IDENTIFY DEVICE"), (SMART_16, "SMART: READ DATA"),
     ("a1 06 20 da 00 00 4f c2 00 b0 00 00", "SMART: RETURN STATUS"),
     ("85 06 00 00 00 00 00 00 00 00 00 00 00 00 e7 00", "FLUSH CACHE"),
     ("85 06 00 00 82 00 00 00 00 00 00 00 00 00 ef 00", "SET FEATURES: disable write cache"),
     ("85 06 00 00 00 00 00 00 00 00 00 00 00 00 8f 00", "")],
)  # fmt: skip
def test_the_ata_command_inside_is_named(cdb: str, name: str) -> None:
    """The COMMAND field says which ATA command it is, SMART and SET FEATURES also which function."""
    block = bytes.fromhex(cdb)
    command = commands.find(block)
    assert command is not None
    assert words_of(command.cdb, block)["COMMAND"] == name
    assert sat.ata_command(command.cdb.parse(block)) == name
    if name:
        assert commands.describe(block) == f"{command.name}: {name}"


def test_addresses() -> None:
    """28 bits with the top four in DEVICE, or 48 where EXTEND is 1 (SAT-3 and ATA8-ACS, from memory)."""
    layout = sat.COMMANDS[0].cdb
    assert sat.ata_lba(layout.parse(bytes.fromhex("850d06010203040506070809 0a402500"))) == 0x0907050A0806
    assert sat.ata_lba(layout.parse(bytes.fromhex("850c0600000001000600080 00ae12000".replace(" ", "")))) == 0x010A0806


def _header_numbers(path: str, pattern: str) -> set[int]:
    header = Path(path)
    if not header.exists():
        pytest.skip(f"{path} is not installed")
    return {int(code, 16) for code in re.findall(pattern, header.read_text())}


def test_numbers_agree_with_kernel_header() -> None:
    """Every SMART function and most command codes stand in Linux's hdreg.h, where it is installed."""
    smart = _header_numbers("/usr/include/linux/hdreg.h", r"#define SMART_\w+\s+0x(D[0-9A-F])\b")
    assert set(ata.SMART_FEATURES) <= smart
    known = _header_numbers("/usr/include/linux/hdreg.h", r"#define WIN_\w+\s+0x([0-9A-F]{2})\b")
    newer = {0x06, 0x2F, 0x3D, 0x3F, 0x45, 0x47, 0x57, *range(0x5B, 0x62), 0x93, 0xB1, 0xB4}  # ATA-7 and later: ata.h
    assert set(ata.ATA_COMMANDS) - newer <= known


# -- IDENTIFY DEVICE -----------------------------------------------------------------------------------------------


def ata_string(text: str, size: int) -> bytes:
    """Characters as an ATA device sends them: padded, each pair swapped (ATA8-ACS, ATA string convention)."""
    padded = text.ljust(size).encode("ascii")
    return b"".join(padded[i + 1 : i + 2] + padded[i : i + 1] for i in range(0, size, 2))


def identify(**words: int) -> bytes:
    """IDENTIFY data of an invented disk, with words given as w60=..., and a checksum."""
    data = bytearray(512)
    data[20:40] = ata_string("TG0417", 20)  # words 10-19
    data[46:54] = ata_string("2.31", 8)  # words 23-26
    data[54:94] = ata_string("SKERRY TIDE LOGGER", 40)  # words 27-46
    for name, value in words.items():
        at = 2 * int(name[1:])
        data[at : at + 2] = value.to_bytes(2, "little")
    data[510] = 0xA5
    data[511] = -sum(data[:511]) % 256
    return bytes(data)


DISK = identify(
    w60=0xFFFF, w61=0x0FFF,  # 28-bit limit: 0FFFFFFFh sectors
    w75=31, w76=0x010E, w80=0x01F0, w82=0x0021, w83=0x7400, w85=0x0021,
    w100=0x52B0, w101=0xEE77,  # EE7752B0h sectors
    w106=0x6003,  # valid, several logical sectors per physical one: 2^3
    w168=3, w169=1, w217=5400,
)  # fmt: skip


def test_identify_device() -> None:
    """Word positions of ATA8-ACS, IDENTIFY DEVICE data; words 60, 100, 106, 169 and 217 as named in ata.h."""
    values, words = values_of(ata.IDENTIFY_DEVICE, DISK), words_of(ata.IDENTIFY_DEVICE, DISK)
    assert words["MODEL NUMBER"] == '"SKERRY TIDE LOGGER"'
    assert words["SERIAL NUMBER"] == '"TG0417"'
    assert words["FIRMWARE REVISION"] == '"2.31"'
    assert values["LBA28 SECTORS"] == 0x0FFFFFFF
    assert values["LBA48 SECTORS"] == 4000797360  # published worked case: 2048408248320 bytes
    assert words["LOGICAL SECTORS PER PHYSICAL SECTOR"] == "8 logical sectors in a physical sector"
    assert words["LOGICAL SECTOR SIZE"].startswith("512 bytes")
    assert words["MEDIUM ROTATION RATE"] == "5400 revolutions per minute"
    assert words["MAJOR VERSION"] == "up to ATA8-ACS"
    for name in ("SMART SUPPORTED", "WRITE CACHE SUPPORTED", "48-BIT ADDRESS SUPPORTED", "SMART ENABLED",
                 "WRITE CACHE ENABLED", "TRIM SUPPORTED", "NCQ SUPPORTED", "3 GB/S SUPPORTED"):  # fmt: skip
        assert values[name] == 1, name
    assert (values["6 GB/S SUPPORTED"], values["QUEUE DEPTH"], values["SECURITY LOCKED"]) == (1, 31, 0)


def test_native_4k_sectors() -> None:
    """Word 106 bit 12 set: words 117-118 hold the sector size in words (ATA8-ACS; ata.h names word 117)."""
    data = identify(w106=0x5000, w117=2048)
    assert words_of(ata.IDENTIFY_DEVICE, data)["LOGICAL SECTOR SIZE"] == "4096 bytes"


def test_checksum() -> None:
    """The sum of all 512 bytes is zero (ATA8-ACS, word 255)."""
    assert ata.checksum_ok(DISK)
    assert not ata.checksum_ok(DISK[:100] + b"\x01" + DISK[101:])
    assert not ata.checksum_ok(DISK[:511])


def test_hostile_names_are_escaped() -> None:
    """Control characters in an ATA string come out as escapes."""
    assert ata.ata_text(b"\x5b\x1bJ2") == r"\x1b[2J"
    assert ata.ata_text(b"KSE") == "SK"


# -- SMART ---------------------------------------------------------------------------------------------------------

SMART_TABLE = (
    bytes.fromhex(
        "1000"  # revision
        "05 3300 64 64 070000000000 00"  # reallocated sectors: pre-failure, on-line, 100, worst 100, raw 7
        "c2 2200 40 30 240000000000 00"  # temperature: raw 36
    )
    + bytes(28 * 12)
    + bytes.fromhex("82 f3 1002 00 7b 0300 01 00 02 ff 02 2c01")  # bytes 362-376
    + bytes(134)
)
SMART = SMART_TABLE + bytes([-sum(SMART_TABLE) % 256])


def test_smart_data() -> None:
    """ATA8-ACS, SMART READ DATA from byte 362; the table before it is common practice (both from memory)."""
    assert len(SMART) == 512
    assert ata.checksum_ok(SMART)
    values, words = values_of(ata.SMART_DATA, SMART), words_of(ata.SMART_DATA, SMART)
    assert all_values(ata.SMART_DATA, SMART, "RAW VALUE")[:3] == [7, 36, 0]
    assert all_values(ata.SMART_DATA, SMART, "PRE-FAILURE")[:2] == [1, 0]
    assert words["OFF-LINE COLLECTION STATUS"] == "completed"
    assert (values["SELF-TEST STATUS"], values["SELF-TEST REMAINING"]) == (15, 3)
    assert values["OFF-LINE COLLECTION TIME"] == 0x0210
    assert (values["EXTENDED SELF-TEST TIME"], values["EXTENDED SELF-TEST TIME WORD"]) == (255, 300)


def test_smart_thresholds() -> None:
    """Rows of twelve bytes: number, threshold (common practice, from ATA-3)."""
    table = bytes.fromhex("1000 05 24" + "00" * 10) + bytes(510 - 14)
    data = table[:511].ljust(511, b"\0") + bytes([-sum(table) % 256])
    assert all_values(ata.SMART_THRESHOLDS, data, "THRESHOLD")[0] == 0x24
    values_of(ata.SMART_THRESHOLDS, data)


def test_data_follows_the_ata_command() -> None:
    """What comes back is laid out by the ATA command and its function; so are TRIM ranges that go out."""
    for cdb, layout in ((IDENTIFY_16, ata.IDENTIFY_DEVICE), (SMART_16, ata.SMART_DATA)):
        block = bytes.fromhex(cdb)
        command = commands.find(block)
        assert command is not None
        assert commands.parameter_layout(command, block, b"", outgoing=False) is layout
    trim = bytes.fromhex("850d0600010001000000000000400600")
    command = commands.find(trim)
    assert command is not None
    assert commands.parameter_layout(command, trim, b"", outgoing=True) is ata.TRIM_RANGES


def test_trim_ranges() -> None:
    """ATA8-ACS: 48 bits of LBA and 16 of length, little-endian (6-byte LBA and 2-byte range, as ata.h says)."""
    data = bytes.fromhex("000800000000 40000100000000ff 0100")
    assert all_values(ata.TRIM_RANGES, data, "LBA") == [0x800, 0xFF0000000001]
    assert all_values(ata.TRIM_RANGES, data, "RANGE LENGTH") == [0x40, 1]
    values_of(ata.TRIM_RANGES, data)


@pytest.mark.parametrize("layout", [ata.IDENTIFY_DEVICE, ata.SMART_DATA, ata.SMART_THRESHOLDS], ids=lambda x: x.title)
def test_any_sector(layout: ata.Layout) -> None:
    """Any 512 bytes round-trip and have a row for every bit; cut data is safe."""

    @settings(max_examples=8, deadline=None)
    @given(st.binary(min_size=512, max_size=512), st.integers(0, 511))
    def check(data: bytes, end: int) -> None:
        check_round_trip(layout, data)
        check_cover(layout, data)
        check_cover(layout, data[:end])
        assert layout.build(layout.parse(data)) == data

    check()


@settings(max_examples=30, deadline=None)
@given(st.binary(max_size=40))
def test_any_ranges(data: bytes) -> None:
    """Rules of every layout for TRIM ranges."""
    check_everything(ata.TRIM_RANGES, data)
