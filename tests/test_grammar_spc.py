"""Commands of every SCSI device against SPC-3, the recorded captures' own bytes, and PYSCSI.

Vectors marked "recorded" are the bytes of an emulated disk, an implementation independent of this project.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.grammar import mode, spc, vpd
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands

INQUIRY_36 = bytes.fromhex(  # SPC-3 6.4.2 Table 81; recorded
    "00"  # qualifier 0, type 00h
    "00"  # RMB 0
    "05"  # VERSION: SPC-3
    "12"  # HISUP, RESPONSE DATA FORMAT 2
    "1f"  # ADDITIONAL LENGTH 31
    "00 00 10"  # SYNC
    "534b455252592020"  # T10 VENDOR IDENTIFICATION "SKERRY  "
    "54494445204c4f474745522020202020"  # PRODUCT IDENTIFICATION "TIDE LOGGER     "
    "322e3331"  # PRODUCT REVISION LEVEL "2.31"
)


def said(layout: Layout, data: bytes) -> dict[str, str]:
    """Field name to meaning."""
    return {row.name: row.meaning for row in layout.explain(data).rows}


def test_standard_inquiry() -> None:
    """36 bytes are whole: no fault, every text in quotes."""
    account = spc.INQUIRY_DATA.explain(INQUIRY_36)
    assert (account.used, account.fault) == (36, "")
    words = said(spc.INQUIRY_DATA, INQUIRY_36)
    assert words["PERIPHERAL DEVICE TYPE"] == "direct access block device (disk)"
    assert words["VERSION"] == "SPC-3"
    assert words["T10 VENDOR IDENTIFICATION"] == '"SKERRY"'
    assert words["PRODUCT IDENTIFICATION"] == '"TIDE LOGGER"'
    assert words["PRODUCT REVISION LEVEL"] == '"2.31"'


def test_no_logical_unit() -> None:
    """7Fh in byte 0: qualifier 3, type 1Fh (SPC-3 6.4.2)."""
    words = said(spc.INQUIRY_DATA, b"\x7f" + INQUIRY_36[1:])
    assert words["PERIPHERAL QUALIFIER"] == "no device can be connected to this logical unit"


def test_hostile_inquiry_text_is_escaped() -> None:
    """Control characters in a product name come out as escapes."""
    data = INQUIRY_36[:16] + b"\x1b[2JTIDE\x00".ljust(16, b"\x00") + INQUIRY_36[32:]
    assert said(spc.INQUIRY_DATA, data)["PRODUCT IDENTIFICATION"] == r'"\x1b[2JTIDE"'


@settings(max_examples=40, deadline=None)
@given(st.binary(min_size=96, max_size=96))
def test_inquiry_agrees_with_pyscsi(data: bytes) -> None:
    """PYSCSI's reading of standard INQUIRY data, field by field."""
    module = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_inquiry")
    data = data[:4] + bytes([91]) + data[5:]
    theirs = module.Inquiry.unmarshall_datain(bytearray(data), evpd=0)
    values = spc.INQUIRY_DATA.parse(data)
    names = {
        "rmb": "RMB", "version": "VERSION", "normaca": "NORMACA", "hisup": "HISUP", "sccs": "SCCS", "acc": "ACC",
        "response_data_format": "RESPONSE DATA FORMAT", "tpgs": "TPGS", "3pc": "3PC", "protect": "PROTECT",
        "encserv": "ENCSERV", "multip": "MULTIP", "addr16": "ADDR16", "wbus16": "WBUS16", "sync": "SYNC",
        "cmdque": "CMDQUE", "peripheral_qualifier": "PERIPHERAL QUALIFIER", "vs": "VS 6", "vs2": "VS 7",
        "peripheral_device_type": "PERIPHERAL DEVICE TYPE", "product_identification": "PRODUCT IDENTIFICATION",
        "t10_vendor_identification": "T10 VENDOR IDENTIFICATION", "product_revision_level": "PRODUCT REVISION LEVEL",
    }  # fmt: skip
    assert {name: theirs[name] for name in names} == {name: values[field] for name, field in names.items()}
    tail = values["From byte 36"]
    assert (theirs["clocking"], theirs["qas"], theirs["ius"]) == (tail["CLOCKING"], tail["QAS"], tail["IUS"])


def _pyscsi_cases() -> list[tuple[str, dict[str, int], str, str, dict[str, int]]]:
    """Our name and fields, PYSCSI's module, class and arguments."""
    read = {"lba": 0x01020304, "blocks": 0x0506, "group_number": 9, "dpo": 1, "fua": 1}
    theirs = {"blocksize": 512, "lba": 0x01020304, "tl": 0x0506, "group": 9, "dpo": 1, "fua": 1}
    cases = []
    for size in (10, 12, 16):
        more = read | {"rdprotect": 5, "rarc": 1}
        cases.append((f"READ({size})", more, f"read{size}", f"Read{size}", theirs | {"rdprotect": 5, "rarc": 1}))
        more = read | {"wrprotect": 5}
        data = {"data": bytearray(0x0506 * 512)}
        cases.append((f"WRITE({size})", more, f"write{size}", f"Write{size}", theirs | {"wrprotect": 5} | data))
    return [
        *cases,
        ("INQUIRY", {"evpd": 1, "page_code": 0x83, "length": 0x1FF}, "inquiry", "Inquiry",
         {"evpd": 1, "page_code": 0x83, "alloclen": 0x1FF}),
        ("MODE SENSE(6)", {"page_code": 0x3F, "subpage_code": 0xFF, "dbd": 1, "pc": 2, "length": 192}, "modesense6",
         "ModeSense6", {"page_code": 0x3F, "sub_page_code": 0xFF, "dbd": 1, "pc": 2, "alloclen": 192}),
        ("MODE SENSE(10)", {"page_code": 8, "subpage_code": 1, "dbd": 1, "llbaa": 1, "pc": 1, "length": 0x101},
         "modesense10", "ModeSense10",
         {"page_code": 8, "sub_page_code": 1, "dbd": 1, "llbaa": 1, "pc": 1, "alloclen": 0x101}),
        ("PREVENT ALLOW MEDIUM REMOVAL", {"prevent": 3}, "preventallow_mediumremoval", "PreventAllowMediumRemoval",
         {"prevent": 3}),
        ("READ CAPACITY(10)", {}, "readcapacity10", "ReadCapacity10", {}),
        ("READ CAPACITY(16)", {"length": 33}, "readcapacity16", "ReadCapacity16", {"alloclen": 33}),
        ("REPORT LUNS", {"select_report": 2, "length": 0x10203}, "report_luns", "ReportLuns",
         {"report": 2, "alloclen": 0x10203}),
        ("TEST UNIT READY", {}, "testunitready", "TestUnitReady", {}),
    ]  # fmt: skip


@pytest.mark.parametrize("case", _pyscsi_cases(), ids=lambda case: case[0])
def test_command_blocks_agree_with_pyscsi(case: tuple[str, dict[str, int], str, str, dict[str, Any]]) -> None:
    """Both build the same bytes from the same field values."""
    name, fields, module, kind, arguments = case
    library = pytest.importorskip(f"pyscsi.pyscsi.scsi_cdb_{module}")
    opcodes = pytest.importorskip("pyscsi.pyscsi.scsi_opcode")
    ours = commands.compose(name, **fields)
    opcode = opcodes.OpCode(name, ours[0], {"READ_CAPACITY_16": 0x10})
    assert bytes(getattr(library, kind)(opcode, **arguments).cdb) == ours


def test_supported_vpd_pages() -> None:
    """SPC-3 7.6.9; recorded."""
    data = bytes.fromhex("00 00 0006 00 80 83 b0 b1 b2")
    account = vpd.SUPPORTED_PAGES.explain(data)
    names = [row.meaning for row in account.rows if row.name == "VPD page"]
    assert names[:3] == ["Supported VPD Pages", "Unit Serial Number", "Device Identification"]
    assert names[3:] == ["Block Limits", "Block Device Characteristics", "Logical Block Provisioning"]


def test_unit_serial_number() -> None:
    """SPC-3 7.6.10; recorded."""
    data = bytes.fromhex("00 80 0006 544730343137")
    assert said(vpd.UNIT_SERIAL_NUMBER, data)["PRODUCT SERIAL NUMBER"] == '"TG0417"'


def test_device_identification() -> None:
    """SPC-3 7.6.3.1: four designators; the first recorded, the others constructed."""
    data = bytes.fromhex(
        "00 83 002e"  # type, page code, page length
        "02 00 00 06 544730343137"  # ASCII, vendor specific, 6 bytes
        "01 03 00 08 500a098123456789"  # binary, NAA, 8 bytes: IEEE registered
        "02 01 00 0c 534b455252592020 31323334"  # ASCII, T10 vendor identification
        "01 14 00 04 0000 0001"  # binary, target port, relative target port 1
    )
    account = vpd.DEVICE_IDENTIFICATION.explain(data)
    assert account.fault == ""
    vendor, naa, t10, port = vpd.DEVICE_IDENTIFICATION.parse(data)["Designation descriptor list"]
    assert vendor["DESIGNATOR"] == b"TG0417"
    assert (naa["DESIGNATOR"]["NAA"], naa["DESIGNATOR"]["IEEE COMPANY_ID"]) == (5, 0x00A098)
    assert naa["DESIGNATOR"]["VENDOR SPECIFIC IDENTIFIER"] == 0x123456789
    assert t10["DESIGNATOR"]["VENDOR SPECIFIC IDENTIFIER"] == b"1234"
    assert (port["ASSOCIATION"], port["DESIGNATOR"]["RELATIVE TARGET PORT IDENTIFIER"]) == (1, 1)
    assert '"TG0417"' in [row.meaning for row in account.rows if row.name == "DESIGNATOR"]


@pytest.mark.parametrize(
    ("naa", "length"), [(2, 8), (3, 8), (5, 8), (6, 16)], ids=["extended", "local", "registered", "registered-extended"]
)
def test_naa_forms_agree_with_pyscsi(naa: int, length: int) -> None:
    """PYSCSI's reading of the four NAA forms."""
    module = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_inquiry")
    designator = bytes([naa << 4 | 1, *range(2, length + 1)])
    data = bytes([0, 0x83, 0, 4 + length, 1, 3, 0, length]) + designator
    theirs = module.Inquiry.unmarshall_datain(bytearray(data), evpd=1)["designator_descriptors"][0]["designator"]
    ours = vpd.DEVICE_IDENTIFICATION.parse(data)["Designation descriptor list"][0]["DESIGNATOR"]
    theirs = {name: value for name, value in theirs.items() if name != "naa"}
    ours = {name: value for name, value in ours.items() if name != "NAA"}
    assert list(theirs.values()) == list(ours.values())


def test_unknown_page_length_is_not_trusted() -> None:
    """A designator that announces more than there is gives one fault, and the rows up to it."""
    account = vpd.DEVICE_IDENTIFICATION.explain(bytes.fromhex("00 83 ffff 01 03 00 ff 50"))
    assert "announced" in account.fault
    assert account.used == 9


MODE_6 = bytes.fromhex(
    "00 00 80 08"  # MODE DATA LENGTH (set below), medium type 0, WP, 8 bytes of block descriptors
    "00 008000 00 000200"  # 32768 blocks of 512 bytes; recorded
    "08 12 04 00 ffff 0000 ffff ffff 80 14 0000 00000000"  # caching page, WCE (SBC-3)
    "1c 0a 00 00 00000000 00000000"  # informational exceptions control (SPC-3)
)
MODE_6 = bytes([len(MODE_6) - 1]) + MODE_6[1:]


def test_mode_sense_6() -> None:
    """SPC-3 7.4: header, block descriptor, and the chain of pages."""
    account = mode.SENSE_DATA_6.explain(MODE_6)
    assert (account.used, account.fault) == (len(MODE_6), "")
    words = said(mode.SENSE_DATA_6, MODE_6)
    assert words["WP"] == "write protected"
    assert words["BLOCK LENGTH"] == "512 bytes"
    values = mode.SENSE_DATA_6.parse(MODE_6)
    assert values["Block descriptors"][0]["NUMBER OF BLOCKS"] == 32768
    assert [page["PAGE CODE"] for page in values["Mode pages"]] == [0x08, 0x1C]
    assert values["Mode pages"][0]["WCE"] == 1
    assert mode.SENSE_DATA_6.build(values) == MODE_6


def test_mode_sense_10_with_long_blocks_and_a_subpage() -> None:
    """SPC-3 7.4.3 to 7.4.5: LONGLBA makes the descriptor 16 bytes long; SPF brings a subpage code."""
    data = bytes.fromhex(
        "0000 00 00 01 00 0010"  # LONGLBA
        "0000000100000000 00000000 00001000"  # 2^32 blocks of 4096 bytes
        "4a 01 0004 01020304"  # page 0Ah, subpage 01h
        "39 02 abcd"  # a vendor's page
    )
    data = (len(data) - 2).to_bytes(2, "big") + data[2:]
    values = mode.SENSE_DATA_10.parse(data)
    assert values["Block descriptors"][0]["NUMBER OF LOGICAL BLOCKS"] == 1 << 32
    assert values["Mode pages"][0]["SUBPAGE CODE"] == 1
    assert values["Mode pages"][1]["contents"] == b"\xab\xcd"
    assert mode.SENSE_DATA_10.build(values) == data
    assert mode.SENSE_DATA_10.explain(data).fault == ""


def test_mode_sense_cut_by_the_allocation_length() -> None:
    """A host that asks for the header only gets the header, and is told what is missing."""
    account = mode.SENSE_DATA_6.explain(MODE_6[:4])
    assert (account.used, account.fault) == (4, "MODE SENSE(6) data: 8 bytes announced, 0 present")


def test_report_luns() -> None:
    """SPC-3 6.21 and SAM-3 4.9; two units, constructed."""
    data = bytes.fromhex("00000010 00000000 0000000000000000 0001000000000000")
    account = spc.REPORT_LUNS_DATA.explain(data)
    assert [row.meaning for row in account.rows if row.name == "LUN"] == ["LUN 0", "LUN 1"]


@pytest.mark.parametrize(
    ("cdb", "layout"),
    [  # SPC-3 6.4.1: EVPD decides between standard data and a page
        ("120000002400", spc.INQUIRY_DATA),
        ("12018300ff00", vpd.DEVICE_IDENTIFICATION),
        ("1201c9004000", vpd.OTHER),
        ("12", spc.INQUIRY_DATA),
    ],
)
def test_inquiry_data_by_the_command(cdb: str, layout: Layout) -> None:
    """The data's layout is chosen from the CDB, even a cut one."""
    command = commands.find(bytes.fromhex(cdb))
    assert command is not None
    assert commands.parameter_layout(command, bytes.fromhex(cdb), b"", False) is layout
