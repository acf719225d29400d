"""UFI command blocks against UFI 1.0 (positions from memory).

Common to all: 12 bytes, Logical Unit Number in byte 1 bits 7-5. Lengths stand where SPC and SBC have them.
"""

from __future__ import annotations

import pytest

from sticktrace.grammar import ufi
from vectors import check_fields

LUN, LBA, LENGTH, ALLOCATION = "Logical Unit Number", "Logical Block Address", "Transfer Length", "Allocation Length"

VECTORS: list[tuple[str, str, dict[str, int]]] = [
    ("TEST UNIT READY", "00 20 0000 0000 0000 0000 0000", {LUN: 1}),
    ("REZERO UNIT", "01 00 0000 0000 0000 0000 0000", {}),
    ("REQUEST SENSE", "03 00 0000 12 00 000000000000", {ALLOCATION: 18}),
    ("FORMAT UNIT", "04 17 02 0000 0000 000c 000000", {"FmtData": 1, "Defect List Format": 7, "Track Number": 2,
                                                      "Parameter List Length": 12}),
    ("INQUIRY", "12 00 00 00 24 00 000000000000", {ALLOCATION: 36}),
    ("START STOP UNIT", "1b 01 0000 02 00 000000000000", {"Immed": 1, "LoEj": 1}),
    ("SEND DIAGNOSTIC", "1d 04 0000 0000 0000 0000 0000", {"SelfTest": 1}),
    ("PREVENT-ALLOW MEDIUM REMOVAL", "1e 00 0000 01 00 000000000000", {"Prevent": 1}),
    ("READ FORMAT CAPACITIES", "23 00 0000000000 00fc 000000", {ALLOCATION: 252}),
    ("READ CAPACITY", "25 00 00000000 0000 00 000000", {}),
    ("READ(10)", "28 28 00000b3f 00 0001 000000", {LUN: 1, "FUA": 1, LBA: 0xB3F, LENGTH: 1}),
    ("WRITE(10)", "2a 10 00000021 00 0008 000000", {"DPO": 1, LBA: 0x21, LENGTH: 8}),
    ("SEEK(10)", "2b 00 00000b3f 000000000000", {LBA: 0xB3F}),
    ("WRITE AND VERIFY", "2e 00 00000021 00 0008 000000", {LBA: 0x21, LENGTH: 8}),
    ("VERIFY", "2f 02 00000021 00 0008 000000", {"ByteChk": 1, LBA: 0x21, LENGTH: 8}),
    ("MODE SELECT", "55 11 0000000000 0010 000000", {"PF": 1, "SP": 1, "Parameter List Length": 16}),
    ("MODE SENSE", "5a 08 45 00000000 00c0 000000", {"DBD": 1, "PC": 1, "Page Code": 5, ALLOCATION: 192}),
    ("READ(12)", "a8 00 00000021 00000008 0000", {LBA: 0x21, LENGTH: 8}),
    ("WRITE(12)", "aa 00 00000021 00000008 0000", {LBA: 0x21, LENGTH: 8}),
]  # fmt: skip


@pytest.mark.parametrize(("name", "data", "fields"), VECTORS, ids=lambda item: item if isinstance(item, str) else "")
def test_command_block(name: str, data: str, fields: dict[str, int]) -> None:
    """Name, fields, both ways."""
    cdb = bytes.fromhex(data)
    command = ufi.find(cdb[0])
    assert command is not None
    assert command.name == name
    check_fields(command, cdb, fields)


def test_the_set_is_the_documents_set() -> None:
    """UFI 1.0, command summary: these nineteen operation codes, no more, all of 12 bytes."""
    codes = bytes.fromhex("00 01 03 04 12 1b 1d 1e 23 25 28 2a 2b 2e 2f 55 5a a8 aa")
    assert bytes(command.opcode for command in ufi.UFI_COMMANDS) == codes
    assert {command.cdb.sizeof() for command in ufi.UFI_COMMANDS} == {12}
    assert ufi.find(0xA0) is None  # no REPORT LUNS


@pytest.mark.parametrize("command", ufi.UFI_COMMANDS, ids=lambda command: command.name)
def test_every_block_has_the_unit_number_in_byte_1(command: ufi.Command) -> None:
    """Byte 1 bits 7-5 hold the logical unit, whatever the command; named fields exist; any 12 bytes round-trip."""
    assert command.cdb.build({LUN: 7})[1] == 0xE0
    assert {command.lba, command.blocks, command.length} - {""} <= set(command.cdb.field_names())
    data = bytes([command.opcode]) + bytes(range(0xA1, 0xAC))
    assert command.cdb.build(command.cdb.parse(data)) == data
