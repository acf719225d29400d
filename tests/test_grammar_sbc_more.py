"""Further block commands against SBC-3 (positions from memory, except where a check names another source), an emulated
disk (recorded), and PYSCSI."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import block_vpd, defects, sbc_more, vpd
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands
from vectors import Block, all_values, check_block, values_of, words_of

LBA, BLOCKS = "LOGICAL BLOCK ADDRESS", "NUMBER OF LOGICAL BLOCKS"

BLOCKS_OF_SBC = [
    Block("REZERO UNIT", "01 00 00 00 00 00", "SCSI-2, REZERO UNIT command (from memory)"),
    Block(
        "FORMAT UNIT", "04 d8 00 0000 00", "SBC-3, FORMAT UNIT command (from memory)",
        {"FMTPINFO": 3, "FMTDATA": 1, "CMPLST": 1},
    ),
    Block("REASSIGN BLOCKS", "07 03 00 00 00 00", "SBC-3 (from memory)", {"LONGLBA": 1, "LONGLIST": 1}),
    Block("SEEK(6)", "0b 1f ff fe 00 00", "SCSI-2, SEEK command: 21-bit address (from memory)", {LBA: 0x1FFFFE}),
    Block("SEEK(10)", "2b 00 01020304 000000 00", "SBC-2, SEEK (10) command (from memory)", {LBA: 0x01020304}),
    Block(
        "WRITE AND VERIFY(10)", "2e 32 00000800 07 0008 00", "SBC-3 (from memory)",
        {"WRPROTECT": 1, "DPO": 1, "BYTCHK": 1, LBA: 0x800, "GROUP NUMBER": 7, "TRANSFER LENGTH": 8},
    ),
    Block(
        "WRITE AND VERIFY(12)", "ae 10 00000800 00000008 07 00", "SBC-3 (from memory)",
        {"DPO": 1, LBA: 0x800, "TRANSFER LENGTH": 8, "GROUP NUMBER": 7},
    ),
    Block(
        "WRITE AND VERIFY(16)", "8e 06 0000000100000000 00000008 07 00", "SBC-3 (from memory)",
        {"BYTCHK": 3, LBA: 1 << 32, "TRANSFER LENGTH": 8, "GROUP NUMBER": 7},
    ),
    Block(
        "VERIFY(12)", "af 02 00000800 00010000 00 00", "SBC-3 (from memory)",
        {"BYTCHK": 1, LBA: 0x800, "VERIFICATION LENGTH": 0x10000},
    ),
    Block(
        "VERIFY(16)", "8f 10 0000000100000000 00000040 00 00", "SBC-3 (from memory)",
        {"DPO": 1, LBA: 1 << 32, "VERIFICATION LENGTH": 0x40},
    ),
    Block("PRE-FETCH(10)", "34 02 00000800 00 0040 00", "SBC-3 (from memory)",
          {"IMMED": 1, LBA: 0x800, "PREFETCH LENGTH": 0x40}),
    Block("PRE-FETCH(16)", "90 02 0000000000000800 00000040 00 00", "SBC-3 (from memory)",
          {"IMMED": 1, LBA: 0x800, "PREFETCH LENGTH": 0x40}),
    Block("SYNCHRONIZE CACHE(16)", "91 06 0000000000000800 00000040 00 00", "SBC-2 (from memory)",
          {"SYNC_NV": 1, "IMMED": 1, LBA: 0x800, BLOCKS: 0x40}),
    Block("READ DEFECT DATA(10)", "37 00 1d 00000000 00fc 00", "SBC-3 (from memory)",
          {"REQ_PLIST": 1, "REQ_GLIST": 1, "DEFECT LIST FORMAT": 5, "ALLOCATION LENGTH": 0xFC}),
    Block("READ DEFECT DATA(12)", "b7 1b 00000005 00000200 00 00", "SBC-3 (from memory)",
          {"REQ_PLIST": 1, "REQ_GLIST": 1, "DEFECT LIST FORMAT": 3, "ADDRESS DESCRIPTOR INDEX": 5,
           "ALLOCATION LENGTH": 0x200}),
    Block("COMPARE AND WRITE", "89 18 0000000100000000 000000 01 02 00", "SBC-3 (from memory)",
          {"DPO": 1, "FUA": 1, LBA: 1 << 32, BLOCKS: 1, "GROUP NUMBER": 2}),
    Block("WRITE SAME(10)", "41 18 00000800 00 0040 00", "SBC-3 (from memory)",
          {"ANCHOR": 1, "UNMAP": 1, LBA: 0x800, BLOCKS: 0x40}),
    Block("WRITE SAME(16)", "93 09 0000000000000800 00000040 00 00", "SBC-3 (from memory)",
          {"UNMAP": 1, "NDOB": 1, LBA: 0x800, BLOCKS: 0x40}),
    Block("UNMAP", "42 01 00000000 03 0018 00", "SBC-3 (from memory)",
          {"ANCHOR": 1, "GROUP NUMBER": 3, "PARAMETER LIST LENGTH": 24}),
    Block("GET LBA STATUS", "9e 12 0000000000000800 00000018 00 00", "SBC-3; service action as in scsi_proto.h",
          {"STARTING LOGICAL BLOCK ADDRESS": 0x800, "ALLOCATION LENGTH": 24}),
]  # fmt: skip


@pytest.mark.parametrize("block", BLOCKS_OF_SBC, ids=str)
def test_command_block(block: Block) -> None:
    """Every command of the module: name, fields, both ways."""
    check_block(block)


def test_every_command_has_a_vector() -> None:
    """No command of the module goes unchecked."""
    assert {block.name for block in BLOCKS_OF_SBC} == {
        command.name for command in (*sbc_more.COMMANDS, *defects.COMMANDS)
    }


@pytest.mark.parametrize(
    ("cdb", "expected"),
    [
        ("0b1ffffe0000", (0x1FFFFE, None)),  # SEEK(6)
        ("8e0000000001000000000000000800 00", (1 << 32, 8)),  # WRITE AND VERIFY(16)
        ("41000000080000004000", (0x800, 0x40)),  # WRITE SAME(10)
        ("9e12000000000000080000000018 0000", (0x800, None)),  # GET LBA STATUS
    ],
)
def test_quick_address(cdb: str, expected: tuple[int, int | None]) -> None:
    """The quick path of the vocabulary finds the same address and count."""
    assert commands.lba_and_blocks(bytes.fromhex(cdb)) == expected


def test_unmap_list() -> None:
    """SBC-3, UNMAP parameter list (from memory): two ranges."""
    data = bytes.fromhex(
        "0026"  # UNMAP DATA LENGTH: 38 bytes after this field
        "0020"  # UNMAP BLOCK DESCRIPTOR DATA LENGTH: two of 16
        "00000000"
        "0000000000000800 00000040 00000000"
        "0000000100000000 00000001 00000000"
    )
    values_of(sbc_more.UNMAP_PARAMETERS, data)
    assert all_values(sbc_more.UNMAP_PARAMETERS, data, "UNMAP LOGICAL BLOCK ADDRESS") == [0x800, 1 << 32]
    assert all_values(sbc_more.UNMAP_PARAMETERS, data, BLOCKS) == [0x40, 1]


LBA_STATUS = bytes.fromhex(
    "00000024"  # PARAMETER DATA LENGTH: 36 bytes after this field
    "00000000"
    "0000000000000000 00000800 00 000000"  # mapped
    "0000000000000800 00000040 01 000000"  # deallocated
)


def test_lba_status() -> None:
    """SBC-3, GET LBA STATUS parameter data (from memory)."""
    values_of(sbc_more.LBA_STATUS, LBA_STATUS)
    assert all_values(sbc_more.LBA_STATUS, LBA_STATUS, BLOCKS) == [0x800, 0x40]
    assert words_of(sbc_more.LBA_STATUS, LBA_STATUS)["PROVISIONING STATUS"] == "deallocated"


def test_lba_status_agrees_with_pyscsi() -> None:
    """The same data read by an independent library."""
    module = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_getlbastatus")
    theirs = module.GetLBAStatus.unmarshall_datain(bytearray(LBA_STATUS))["lbas"]
    ours = sbc_more.LBA_STATUS.parse(LBA_STATUS)["descriptors"]
    assert [(item["lba"], item["num_blocks"], item["p_status"]) for item in theirs] == [
        (item[LBA], item[BLOCKS], item["PROVISIONING STATUS"]) for item in ours
    ]


def _pyscsi_write_same(size: int) -> tuple[dict[str, Any], str]:
    module = pytest.importorskip(f"pyscsi.pyscsi.scsi_cdb_writesame{size}")
    return getattr(module, f"WriteSame{size}")._cdb_bits, f"WRITE SAME({size})"


@pytest.mark.parametrize("size", [10, 16])
def test_write_same_agrees_with_pyscsi(size: int) -> None:
    """Mask and byte of every field that PYSCSI lists for WRITE SAME."""
    table, name = _pyscsi_write_same(size)
    names = {"lba": LBA, "nb": BLOCKS, "group": "GROUP NUMBER"}
    layout = commands.named(name).cdb
    blank = int.from_bytes(layout.build({}), "big")
    checked = 0
    for theirs, (mask, byte) in table.items():
        ours = names.get(theirs, theirs.upper())
        if ours not in layout.field_names():
            continue
        width = (mask.bit_length() + 7) // 8
        changed = int.from_bytes(layout.build({ours: mask >> ((mask & -mask).bit_length() - 1)}), "big") ^ blank
        assert changed == mask << 8 * (layout.sizeof() - byte - width), theirs
        checked += 1
    assert checked >= 6


def defects_in(cdb: str, data: bytes) -> Any:
    """The layout that the vocabulary chooses for a list of defects."""
    block = bytes.fromhex(cdb)
    command = commands.find(block)
    assert command is not None
    return commands.parameter_layout(command, block, data, outgoing=False)


def test_defect_lists() -> None:
    """SBC-3, address descriptors (from memory): the device's own DEFECT LIST FORMAT decides."""
    physical = bytes.fromhex("00 1d 0008 000102 03 00000004")
    values = values_of(defects_in("37001d00000000 00fc 00", physical), physical)
    assert (values["CYLINDER NUMBER"], values["HEAD NUMBER"], values["SECTOR NUMBER"]) == (0x102, 3, 4)
    blocks = bytes.fromhex("00 08 0008 00000010 00000020")
    assert values_of(defects_in("37000800000000 00fc 00", blocks), blocks)["[1]"] == 0x20
    long = bytes.fromhex("00 0b 0007 00000010 0000000100000000 0000000100000008")
    values = values_of(defects_in("b70b00000000000000fc0000", long), long)
    assert (values["GENERATION CODE"], values["DEFECT LIST LENGTH"], values["[1]"]) == (7, 16, (1 << 32) + 8)
    assert defects_in("37001d00000000 00fc 00", bytes.fromhex("00010000")) is None


def test_format_lists() -> None:
    """SBC-3, FORMAT UNIT parameter list (from memory); UFI sends the short header and an 8-byte descriptor."""
    short = bytes.fromhex("00 a2 0008 00000b40 00 000200")  # FOV, DCRT, IMMED; 2880 blocks of 512 bytes
    assert defects.format_list({"LONGLIST": 0}, b"") is defects.FORMAT_SHORT
    values = values_of(defects.FORMAT_SHORT, short)
    assert (values["FOV"], values["DCRT"], values["IMMED"], values["DEFECT LIST LENGTH"]) == (1, 1, 1, 8)
    long = bytes.fromhex("01 80 00 03 00000000")
    assert defects.format_list({"LONGLIST": 1}, b"") is defects.FORMAT_LONG
    assert values_of(defects.FORMAT_LONG, long)["PROTECTION INTERVAL EXPONENT"] == 3


@pytest.mark.parametrize(
    ("key", "data"), [((0, 0), "00000008 00000010 00000020"), ((1, 1), "00000008 0000000100000000")]
)
def test_reassign_lists(key: tuple[int, int], data: str) -> None:
    """SBC-3, REASSIGN BLOCKS (from memory): addresses of 4 or 8 bytes."""
    assert values_of(defects.REASSIGN_LISTS[key], bytes.fromhex(data))["[0]"] in (0x10, 1 << 32)


RECORDED_LIMITS = bytes.fromhex(  # INQUIRY VPD B0h of an emulated disk; positions also in SBC-3 6.5.3
    "00b0003c"
    "01 00 0000"  # WSNZ
    "003fffff"  # MAXIMUM TRANSFER LENGTH
    "00000000 00000000"
    "00200000"  # MAXIMUM UNMAP LBA COUNT
    "000000ff"  # MAXIMUM UNMAP BLOCK DESCRIPTOR COUNT
    "00000800"  # OPTIMAL UNMAP GRANULARITY
    "00000000"
    "00000000003fffff" + "00" * 20  # MAXIMUM WRITE SAME LENGTH
)


def test_block_limits() -> None:
    """A whole SBC-3 page, reached through INQUIRY's own choice of pages."""
    assert vpd.VPD_PAGES[0xB0] is block_vpd.BLOCK_LIMITS
    values = values_of(block_vpd.BLOCK_LIMITS, RECORDED_LIMITS)
    assert (values["WSNZ"], values["MAXIMUM TRANSFER LENGTH"]) == (1, 0x3FFFFF)
    assert (values["MAXIMUM UNMAP LBA COUNT"], values["MAXIMUM UNMAP BLOCK DESCRIPTOR COUNT"]) == (0x200000, 255)
    assert (values["OPTIMAL UNMAP GRANULARITY"], values["MAXIMUM WRITE SAME LENGTH"]) == (2048, 0x3FFFFF)


def test_short_block_limits_are_no_fault() -> None:
    """SBC-2 printed 12 bytes of content (from memory): nothing is missing then."""
    values = values_of(block_vpd.BLOCK_LIMITS, bytes.fromhex("00b0000c 00000008 00000800 00000100"))
    assert (values["OPTIMAL TRANSFER LENGTH GRANULARITY"], values["MAXIMUM TRANSFER LENGTH"]) == (8, 0x800)
    assert values["OPTIMAL TRANSFER LENGTH"] == 0x100


@pytest.mark.parametrize(
    ("rate", "words"),
    [("0000", "not reported"), ("0001", "non-rotating medium"), ("1c20", "7200 revolutions per minute"),
     ("0002", "reserved")],
)  # fmt: skip
def test_block_characteristics(rate: str, words: str) -> None:
    """SBC-3, Block Device Characteristics: rate in bytes 4-5, form factor in byte 7 bits 3-0."""
    data = bytes.fromhex(f"00b1003c {rate} 00 03" + "00" * 56)
    assert words_of(block_vpd.BLOCK_CHARACTERISTICS, data)["MEDIUM ROTATION RATE"] == words
    assert words_of(block_vpd.BLOCK_CHARACTERISTICS, data)["NOMINAL FORM FACTOR"] == "2.5 inch"
    values_of(block_vpd.BLOCK_CHARACTERISTICS, data)


def test_logical_block_provisioning() -> None:
    """SBC-3, Logical Block Provisioning: LBPU 7, LBPWS 6, LBPWS10 5 of byte 5; type in byte 6 bits 2-0."""
    values = values_of(block_vpd.LOGICAL_BLOCK_PROVISIONING, bytes.fromhex("00b20004 00 e4 02 00"))
    assert (values["LBPU"], values["LBPWS"], values["LBPWS10"], values["LBPRZ"]) == (1, 1, 1, 1)
    assert values["PROVISIONING TYPE"] == 2


@pytest.mark.parametrize(
    "layout",
    [*defects.DEFECT_LISTS.values(), *defects.REASSIGN_LISTS.values(), defects.FORMAT_SHORT, defects.FORMAT_LONG],
    ids=lambda layout: layout.title,
)
def test_any_bytes(layout: Layout) -> None:
    """Rules of every layout, on any bytes, for the layouts that a choice hides from the general test."""

    @settings(max_examples=20, deadline=None)
    @given(st.binary(max_size=40))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()
    check_everything(layout, LBA_STATUS)
