"""Commands of block devices against SBC-3, MMC-5, UFI 1.0 and PYSCSI (PYSCSI's CDBs: test_grammar_spc)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.grammar import sbc
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands


def said(layout: Layout, data: bytes) -> dict[str, str]:
    """Field name to meaning."""
    return {row.name: row.meaning for row in layout.explain(data).rows}


@pytest.mark.parametrize(
    ("cdb", "fields"),
    [
        (  # SBC-3, READ (10) command; the kernel's usbmon documentation, example 2, LUN bits of old in byte 1
            "28 20 00000020 00 0040 00",
            {"RDPROTECT": 1, "LOGICAL BLOCK ADDRESS": 0x20, "GROUP NUMBER": 0, "TRANSFER LENGTH": 64, "CONTROL": 0},
        ),
        (  # SBC-3, WRITE (10) command: DPO and FUA are bits 4 and 3
            "2a 18 00000800 00 0008 00",
            {"DPO": 1, "FUA": 1, "LOGICAL BLOCK ADDRESS": 0x800, "TRANSFER LENGTH": 8},
        ),
        ("08 1f ffff 00 00", {"LOGICAL BLOCK ADDRESS": 0x1FFFFF, "TRANSFER LENGTH": 0}),  # SBC-3, READ (6) command
        ("0a 00 0001 01 00", {"LOGICAL BLOCK ADDRESS": 1, "TRANSFER LENGTH": 1}),  # SBC-3, WRITE (6) command
        ("a8 00 00000001 00000008 00 00", {"LOGICAL BLOCK ADDRESS": 1, "TRANSFER LENGTH": 8}),  # READ (12)
        (  # READ (16)
            "88 00 0000000100000002 00000003 00 00",
            {"LOGICAL BLOCK ADDRESS": 0x100000002, "TRANSFER LENGTH": 3},
        ),
        ("25 00 00000000 0000 01 00", {"PMI": 1}),  # SBC-3, READ CAPACITY (10) command: PMI is byte 8 bit 0
        ("9e 10 0000000000000000 00000020 00 00", {"SERVICE ACTION": 0x10, "ALLOCATION LENGTH": 32}),
        ("23 00000000 0000 00fc 00", {"ALLOCATION LENGTH": 252}),  # UFI 1.0 4.10
        ("1b 01 00 00 02 00", {"IMMED": 1, "POWER CONDITION": 0, "LOEJ": 1, "START": 0}),  # START STOP UNIT
        ("35 02 00000010 00 0004 00", {"IMMED": 1, "LOGICAL BLOCK ADDRESS": 16, "NUMBER OF LOGICAL BLOCKS": 4}),
        ("2f 02 00000010 00 0004 00", {"BYTCHK": 1, "LOGICAL BLOCK ADDRESS": 16, "VERIFICATION LENGTH": 4}),
    ],
)
def test_command_blocks(cdb: str, fields: dict[str, int]) -> None:
    """Each field from its place."""
    data = bytes.fromhex(cdb)
    command = commands.find(data)
    assert command is not None
    assert command.cdb.sizeof() == len(data) == commands.cdb_length(data[0])
    values = command.cdb.parse(data)
    assert {name: values[name] for name in fields} == fields


@pytest.mark.parametrize(
    ("data", "last", "length"),
    [  # SBC-3, READ CAPACITY (10) parameter data
        ("00007fff 00000200", "32,768 blocks", "512 bytes; 16,777,216 bytes in all"),  # recorded
        # A worked case from a published bug report on sign errors: last address EE7752AFh, 2048408248320 bytes
        ("ee7752af 00000200", "4,000,797,360 blocks", "512 bytes; 2,048,408,248,320 bytes in all"),
        ("ffffffff 00000200", "more than fits here: READ CAPACITY(16) tells", "512 bytes"),
        ("fffffffe 00001000", "4,294,967,295 blocks", "4096 bytes; 17,592,186,040,320 bytes in all"),
    ],
)
def test_read_capacity_10(data: str, last: str, length: str) -> None:
    """The value is the last address, one less than the count; all ones mean that it does not fit."""
    words = said(sbc.CAPACITY_10, bytes.fromhex(data))
    assert words["RETURNED LOGICAL BLOCK ADDRESS"] == last
    assert words["LOGICAL BLOCK LENGTH IN BYTES"] == length


@settings(max_examples=40, deadline=None)
@given(st.binary(min_size=32, max_size=32))
def test_read_capacity_16_agrees_with_pyscsi(data: bytes) -> None:
    """PYSCSI's reading, field by field."""
    theirs = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_readcapacity16").ReadCapacity16.unmarshall_datain(data)
    values = sbc.CAPACITY_16.parse(data)
    names = {
        "returned_lba": "RETURNED LOGICAL BLOCK ADDRESS", "block_length": "LOGICAL BLOCK LENGTH IN BYTES",
        "p_type": "P_TYPE", "prot_en": "PROT_EN", "p_i_exponent": "P_I_EXPONENT", "lbpme": "LBPME", "lbprz": "LBPRZ",
        "lbppbe": "LOGICAL BLOCKS PER PHYSICAL BLOCK EXPONENT",
        "lowest_aligned_lba": "LOWEST ALIGNED LOGICAL BLOCK ADDRESS",
    }  # fmt: skip
    assert {name: theirs[name] for name in names} == {name: values[field] for name, field in names.items()}


def test_read_format_capacities() -> None:
    """UFI 1.0 4.10 and MMC-5: a count (not a last address), the descriptor type, then formattable capacities."""
    data = bytes.fromhex(
        "000000 10"  # reserved, CAPACITY LIST LENGTH 16
        "00008000 02 000200"  # formatted, 32768 blocks of 512 bytes
        "00008000 00 000200"  # can be formatted to the same
    )
    account = sbc.FORMAT_CAPACITIES.explain(data)
    assert account.fault == ""
    current = next(row for row in account.rows if row.name == "DESCRIPTOR TYPE")
    assert (current.offset, current.meaning) == (8, "formatted: the capacity now")
    values = sbc.FORMAT_CAPACITIES.parse(data)
    assert values["Current/Maximum Capacity Descriptor"]["NUMBER OF BLOCKS"] == 32768
    assert [entry["BLOCK LENGTH"] for entry in values["Formattable Capacity Descriptors"]] == [512]


def test_four_byte_probe_of_format_capacities() -> None:
    """A host that asks for 4 bytes gets the header alone (common practice)."""
    account = sbc.FORMAT_CAPACITIES.explain(bytes.fromhex("00000008"))
    assert account.used == 4
    assert account.fault
