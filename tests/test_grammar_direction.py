"""Which way the data of a command goes, and which command an opcode with several meanings is.

Directions follow the commands' own clauses (SPC-3, SPC-4, SBC-3, MMC-5, SAT-3; from memory), and what independent
hosts announced in recordings of commands that passed.
"""

from __future__ import annotations

import pytest

import sticktrace
from conftest import ROOT, capture_names, capture_path
from sticktrace.grammar import ufi
from sticktrace.grammar.command import IN, NONE, OUT, Command, DataPhase, Direction, data_phase
from sticktrace.storage import commands

BLOCKS = [
    ("00 00 00 00 00 00", NONE, "SPC-3 6.33"),
    ("12 00 00 00 24 00", IN, "SPC-3 6.4"),
    ("12 00 00 00 00 00", NONE, "SPC-3 4.3.4.6: an allocation length of 0 moves nothing"),
    ("15 10 00 00 0c 00", OUT, "SPC-3 6.7"),
    ("15 10 00 00 00 00", NONE, "SPC-3 4.3.4.5: so does a parameter list length of 0"),
    ("08 00 00 00 00 00", IN, "SBC-3, READ(6): 0 means 256 blocks"),
    ("0a 00 00 00 00 00", OUT, "SBC-3, WRITE(6): 0 means 256 blocks"),
    ("28 00 00000010 00 0001 00", IN, "SBC-3, READ(10)"),
    ("28 00 00000010 00 0000 00", NONE, "SBC-3, READ(10): 0 means no blocks"),
    ("2a 00 00000010 00 0001 00", OUT, "SBC-3, WRITE(10)"),
    ("25 00 00000000 0000 00 00", IN, "SBC-3, READ CAPACITY(10): always 8 bytes"),
    ("2e 00 00000010 00 0001 00", OUT, "SBC-3, WRITE AND VERIFY(10): data is sent whatever BYTCHK says"),
    ("2f 00 00000010 00 0001 00", NONE, "SBC-3, VERIFY(10): BYTCHK 00b"),
    ("2f 02 00000010 00 0001 00", OUT, "SBC-3, VERIFY(10): BYTCHK 01b"),
    ("2f 06 00000010 00 0001 00", OUT, "SBC-3, VERIFY(10): BYTCHK 11b"),
    ("2f 02 00000010 00 0000 00", NONE, "SBC-3, VERIFY(10): no blocks"),
    ("af 02 00000010 00000001 00 00", OUT, "SBC-3, VERIFY(12)"),
    ("8f 02 0000000000000010 00000001 00 00", OUT, "SBC-3, VERIFY(16)"),
    ("8f 00 0000000000000010 00000001 00 00", NONE, "SBC-3, VERIFY(16)"),
    ("41 00 00000010 00 0008 00", OUT, "SBC-3, WRITE SAME(10)"),
    ("93 08 0000000000000010 00000008 00 00", OUT, "SBC-3, WRITE SAME(16): UNMAP still sends a block"),
    ("93 01 0000000000000010 00000008 00 00", NONE, "SBC-3, WRITE SAME(16): NDOB"),
    ("04 00 00 0000 00", NONE, "SBC-3, FORMAT UNIT"),
    ("04 10 00 0000 00", OUT, "SBC-3, FORMAT UNIT: FMTDATA"),
    ("07 00 000000 00", OUT, "SBC-3, REASSIGN BLOCKS"),
    ("35 00 00000000 00 0000 00", NONE, "SBC-3, SYNCHRONIZE CACHE(10)"),
    ("a2 ee 0001 80 00 00000001 00 00", IN, "SPC-4, SECURITY PROTOCOL IN"),
    ("b5 ee 0001 80 00 00000001 00 00", OUT, "SPC-4, SECURITY PROTOCOL OUT"),
    ("85 08 0e 0000 0001 0000 0000 0000 00 ec 00", IN, "SAT-3: T_DIR 1, one block"),
    ("85 0a 06 0000 0001 0000 0000 0000 00 30 00", OUT, "SAT-3: T_DIR 0, one block"),
    ("85 06 20 0000 0000 0000 0000 0000 00 e5 00", NONE, "SAT-3: T_LENGTH 0"),
    ("a1 08 0f 00 00 00 00 00 00 ec 00 00", IN, "SAT-3: the transport knows the length (T_LENGTH 3)"),
    ("be 00 00000010 000001 10 00 00", IN, "MMC-5, READ CD"),
    ("be 00 00000010 000000 10 00 00", NONE, "MMC-5, READ CD: no sectors"),
    ("43 00 00 000000 00 000c 00", IN, "MMC-5, READ TOC/PMA/ATIP"),
    ("54 01 0000000000 0008 00", OUT, "MMC-5, SEND OPC INFORMATION"),
]


@pytest.mark.parametrize(("block", "way", "source"), BLOCKS)
def test_direction(block: str, way: Direction, source: str) -> None:
    """The way that a command block asks for, bits and lengths included."""
    assert commands.direction(bytes.fromhex(block)) is way, source


@pytest.mark.parametrize(
    ("block", "disk", "cd"),
    [
        ("42 00 00000000 00 0018 00", OUT, IN),  # UNMAP; READ SUB-CHANNEL
        ("a3 0c 00 00 0000 0000 0200 00 00", IN, OUT),  # REPORT SUPPORTED OPERATION CODES; SEND KEY
        ("a1 08 0e 00 01 00 00 00 00 ec 00 00", IN, NONE),  # ATA PASS-THROUGH(12); BLANK
    ],
)
def test_direction_by_device_type(block: str, disk: Direction, cd: Direction) -> None:
    """PERIPHERAL DEVICE TYPE 00h against 05h (SBC-3, SAT-3, SPC-4; MMC-5)."""
    assert commands.direction(bytes.fromhex(block), 0) is disk
    assert commands.direction(bytes.fromhex(block), 5) is cd


def test_nothing_is_guessed() -> None:
    """An opcode that nobody defined, a vendor's, and nothing at all tell no direction; a cut block still does."""
    for block in ("", "c1 00 00 00 00 00 00 00 00 00", "1f 00 00 00 00 00"):
        assert commands.direction(bytes.fromhex(block)) is None
    assert commands.direction(bytes.fromhex("2800000000")) is IN
    assert commands.direction(bytes.fromhex("1200")) is IN


@pytest.mark.parametrize("command", [*commands.COMMANDS, *ufi.UFI_COMMANDS], ids=lambda command: command.name)
def test_entry_agrees_with_itself(command: Command) -> None:
    """What an entry lays out, and the name of its length field, go the way that the entry says (a rule may say any)."""
    if not isinstance(command.direction, Direction):
        return
    length = command.length.upper()
    signs = {
        IN: (command.data_in, command.medium == "read", length == "ALLOCATION LENGTH"),
        OUT: (command.data_out, command.medium == "write", length in ("PARAMETER LIST LENGTH", "TRANSFER LENGTH")),
    }
    told = {way for way, found in signs.items() if any(found)}
    assert told <= {command.direction}, (told, command.direction)
    assert command.direction is not NONE or not command.length


@pytest.mark.parametrize(
    ("block", "phase"),
    [
        ("2f 06 00000010 00 0040 00", DataPhase(OUT, 1)),
        ("93 00 0000000000000010 00000040 00 00", DataPhase(OUT, 1)),
        ("a2 00 0000 80 00 00000002 00 00", DataPhase(IN, bytes=1024)),
        ("04 10 00 0000 00", DataPhase(OUT, bytes=None)),
        ("b9 00 00 000200 000210 10 00 00", DataPhase(IN, bytes=None)),
        ("0a 00 00 00 00 00", DataPhase(OUT, 256)),
    ],
)
def test_amount(block: str, phase: DataPhase) -> None:
    """How much goes, and None where only the data itself or the medium tells (SBC-3, SPC-4, MMC-5)."""
    cdb = bytes.fromhex(block)
    command = commands.find(cdb)
    assert command is not None and data_phase(command, cdb) == phase


RECORDED = sorted(path for path in (ROOT / "traces" / "demo").iterdir() if path.suffix in (".pcap", ".pcapng", ".txt"))


@pytest.mark.parametrize("path", [*RECORDED, *map(capture_path, capture_names())], ids=lambda path: path.name)
def test_hosts_announce_the_same(path: object) -> None:
    """In every command that passed and moved all that was announced, the host's direction is the entry's."""
    with sticktrace.open(str(path)) as capture:
        for exchange in capture.exchanges():
            way = commands.direction(exchange.cdb)
            if exchange.status == "passed" and exchange.moved and not exchange.residue and way is not None:
                assert way == exchange.direction, (exchange.number, exchange.cdb.hex())


MEANINGS = [
    ("42 02 40 01 0000 00 0010 00", "READ SUB-CHANNEL", "READ SUB-CHANNEL sets bits that UNMAP reserves"),
    ("42 00 00000000 00 0018 00", "UNMAP", "nothing tells them apart: a disk's meaning comes first"),
    ("42 20 00000000 00 0018 00", "UNMAP", "the old unit number in byte 1 fits neither: a disk's meaning"),
    ("a1 11 00000001 0000000000 00", "BLANK", "ATA PASS-THROUGH(12) reserves bit 0 of byte 1"),
    ("a1 08 0e d0 01 00 4f c2 00 b0 00 00", "ATA PASS-THROUGH(12)", "BLANK reserves bytes 6 to 10"),
    ("a4 000000000000 00 0008 08 00", "REPORT KEY", "no other command has A4h with service action 0"),
    ("a3 000000000000 00 000c 43 00", "SEND KEY", "nor A3h"),
    ("a3 0c 00 00 0000 0000 0200 00 00", "REPORT SUPPORTED OPERATION CODES", "SEND KEY reserves byte 1"),
]


@pytest.mark.parametrize(("block", "called", "why"), MEANINGS)
def test_unit_of_unknown_type(block: str, called: str, why: str) -> None:
    """Where no INQUIRY told the type, the meaning whose reserved bits are 0 is taken (SBC-3, SAT-3, SPC-4; MMC-5)."""
    cdb = bytes.fromhex(block)
    assert commands.name(cdb) == commands.name(commands.head(cdb)) == called, why
    assert commands.describe(cdb).startswith(called)


@pytest.mark.parametrize(
    ("block", "disk", "cd"),
    [
        ("42 02 40 01 0000 00 0010 00", "UNMAP", "READ SUB-CHANNEL"),
        ("a1 11 00000001 0000000000 00", "ATA PASS-THROUGH(12)", "BLANK"),
        ("a4 000000000000 00 0008 08 00", "opcode A4h, service action 00h", "REPORT KEY"),
        ("28 00 00000010 00 0001 00", "READ(10)", "READ(10)"),
    ],
)
def test_device_type_decides(block: str, disk: str, cd: str) -> None:
    """A known type is not overruled by the bits: device type 05h is MMC's, all others are not."""
    cdb = bytes.fromhex(block)
    for device_type in (0, 7, 0x0E):
        assert commands.name(cdb, device_type) == disk
        assert commands.describe(cdb, device_type).startswith(disk)
    assert commands.name(cdb, 5) == cd
    assert commands.describe(cdb, 5).startswith(cd)
