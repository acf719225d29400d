"""Pages that bridges, disks and enclosures return beside the usual ones: vital product data, log, mode, diagnostics.

Positions agree with PYSCSI where it has them; else they are from memory of the standard."""

from __future__ import annotations

from typing import Any

import pytest

from sticktrace.grammar import ata, block_vpd, enclosure, log_pages, mode, mode_pages, target_ports, vpd_more
from sticktrace.grammar import mode_pages_mmc as mmc_pages
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands
from vectors import all_values, values_of, words_of


def data_in(cdb: str, answer: bytes, device_type: int = 0) -> Layout:
    """The layout that the vocabulary chooses for an answer."""
    block = bytes.fromhex(cdb)
    command = commands.find(block, device_type)
    assert command is not None
    layout = commands.parameter_layout(command, block, answer, outgoing=False)
    assert layout is not None
    return layout


def agrees(layout: Layout, table: dict[str, list[int]], base: int = 0, **ours: str) -> int:
    """PYSCSI's (mask, byte) of each field it lists against ours; the number of fields compared."""
    blank, known = layout.build({}), layout.field_names()
    for theirs, (mask, byte) in table.items():
        name = ours.get(theirs, theirs.replace("_", " ").upper())
        name = name if name in known else theirs.upper()
        width = (mask.bit_length() + 7) // 8
        changed = layout.build({name: mask >> ((mask & -mask).bit_length() - 1)})
        difference = int.from_bytes(changed, "big") ^ int.from_bytes(blank, "big")
        assert difference == mask << 8 * (len(blank) - base - byte - width), theirs
    return len(table)


# -- vital product data --------------------------------------------------------------------------------------------


def test_extended_inquiry_agrees_with_pyscsi() -> None:
    """VPD 86h (SPC-4): all 25 fields."""
    table = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_inquiry").Inquiry._extended_bits
    ours = {
        "multi_it_nexus_microcode_download": "MULTI I_T NEXUS MICROCODE DOWNLOAD",
        "extended_self_test_completion_minutes": "EXTENDED SELF-TEST COMPLETION MINUTES",
    }
    assert agrees(vpd_more.EXTENDED_INQUIRY, table, **ours) == 25


def test_extended_inquiry() -> None:
    """Page length 3Ch (SPC-4); fields after byte 13 are left over, and a longer self-test is told in minutes."""
    page = bytes.fromhex("0086003c 44 07 01 00 00 00 0003 20 fc" + "00" * 50)
    layout = data_in("1201860040 00", page)
    values = values_of(layout, page)
    assert layout is vpd_more.EXTENDED_INQUIRY
    assert (values["ACTIVATE MICROCODE"], values["GRD_CHK"], values["SIMPSUP"], values["V_SUP"]) == (1, 1, 1, 1)
    assert words_of(layout, page)["EXTENDED SELF-TEST COMPLETION MINUTES"] == "3 minutes"
    assert values["MAXIMUM SUPPORTED SENSE DATA LENGTH"] == 252


def test_ata_information() -> None:
    """VPD 89h (SAT-3): 568 bytes after the header, IDENTIFY DEVICE data last; the names where PYSCSI has them."""
    identify = bytearray(ata.IDENTIFY_DEVICE.build({}))
    identify[54:62] = b"ITEDL GO"  # MODEL NUMBER, words 27-46, two characters swapped in each word
    page = (
        bytes.fromhex("00890238 00000000") + b"SKERRY  " + b"TIDE LOGGER     " + b"1.04"
        + bytes.fromhex("34 00 50 01 01 00 00 00 00 00 00 00 01 00 000000000000") + bytes.fromhex("ec 000000")
        + bytes(identify)
    )  # fmt: skip
    layout = data_in("12018902ff 00", page)
    values = values_of(layout, page)
    assert len(page) == 572 and layout is vpd_more.ATA_INFORMATION
    assert words_of(layout, page)["SAT PRODUCT IDENTIFICATION"] == '"TIDE LOGGER"'
    assert words_of(layout, page)["COMMAND CODE"] == "IDENTIFY DEVICE"
    assert values["ATA DEVICE SIGNATURE"]["STATUS"] == 0x50
    assert ata.ata_text(bytes(values["IDENTIFY data"]["MODEL NUMBER"])).startswith("TIDE LOG")
    table = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_inquiry").Inquiry._ata_information_bits
    places = {row.name: row.offset for row in layout.outline()}
    assert places["SAT VENDOR IDENTIFICATION"] == table["sat_vendor_identification"][1]
    assert places["SAT PRODUCT IDENTIFICATION"] == table["sat_product_identification"][1]
    assert places["SAT PRODUCT REVISION LEVEL"] == table["sat_product_rev_lvl"][1]


def test_zoned_characteristics() -> None:
    """VPD B6h (ZBC): three counts of zones from byte 8."""
    page = bytes.fromhex("00b6003c 01 000000 00000080 ffffffff 00000078" + "00" * 44)
    layout = data_in("1201b60040 00", page)
    values = values_of(layout, page)
    assert values["URSWRZ"] == 1
    assert values["MAXIMUM NUMBER OF OPEN SEQUENTIAL WRITE REQUIRED ZONES"] == 120
    told = words_of(layout, page)
    assert "no limit" in told["OPTIMAL NUMBER OF NON-SEQUENTIALLY WRITTEN SEQUENTIAL WRITE PREFERRED ZONES"]


def test_block_characteristics_say_what_the_standard_says() -> None:
    """VPD B1h (SBC-4): texts of three fields that are easily mistaken, places as PYSCSI has them."""
    texts = {row.name: row.text for row in block_vpd.BLOCK_CHARACTERISTICS.outline()}
    assert texts["WABEREQ"].startswith("write after block erase required")
    assert texts["WACEREQ"].startswith("write after cryptographic erase required")
    assert texts["VBULS"] == "verify byte check of unmapped LBAs supported"
    table = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_inquiry").Inquiry._block_dev_char_bits
    assert agrees(block_vpd.BLOCK_CHARACTERISTICS, table) == 7


# -- mode pages ----------------------------------------------------------------------------------------------------


def test_control_extension_agrees_with_pyscsi() -> None:
    """Mode page 0Ah/01h (SPC-4); PYSCSI counts from byte 4."""
    table = pytest.importorskip("pyscsi.pyscsi.scsi_enum_modesense").control_extension_1_bits
    assert agrees(mode_pages.CONTROL_EXTENSION, table, base=4) == 5


def test_control_extension_in_a_chain() -> None:
    """A subpage is laid out between pages; one that nobody knows, or that is too short, keeps its bytes."""
    chain = (
        bytes.fromhex("0a0a 00 00 00 00 0000 0000 0000") + bytes.fromhex("4a01001c 02 03 fc" + "00" * 25)
        + bytes.fromhex("4a010002 0203") + bytes.fromhex("59070003 aabbcc")
    )  # fmt: skip
    data = bytes((len(chain) + 3, 0, 0, 0)) + chain
    layout = data_in("1a003fffff00", data)
    values = values_of(layout, data)
    assert layout is mode.SENSE_DATA_6
    assert (values["SCSIP"], values["INITIAL COMMAND PRIORITY"], values["MAXIMUM SENSE DATA LENGTH"]) == (1, 3, 252)
    assert all_values(layout, data, "contents") == [b"\x02\x03", bytes.fromhex("aabbcc")]
    assert all_values(layout, data, "SUBPAGE CODE") == [1, 1, 7]


WRITE_PARAMETERS = "0536 42 c5 08 00 00 00 00 00 00000020 0096" + "80" + "30" * 13 + "0000" + "00" * 16 + "00000800"


@pytest.mark.parametrize("tail", ["", "aabbccdd"])
def test_write_parameters(tail: str) -> None:
    """Mode page 05h of length 32h or 36h is Write Parameters (MMC-5), not a floppy's geometry."""
    page = bytearray(bytes.fromhex(WRITE_PARAMETERS + tail))
    page[1] = len(page) - 2
    data = (len(page) + 6).to_bytes(2, "big") + bytes(6) + page
    layout = data_in("5a002a000000000100 00", data, 5)
    values = values_of(layout, data)
    assert (values["BUFE"], values["WRITE TYPE"], values["TRACK MODE"], values["DATA BLOCK TYPE"]) == (1, 2, 5, 8)
    assert (values["PACKET SIZE"], values["AUDIO PAUSE LENGTH"]) == (32, 150)
    words = words_of(layout, data)
    assert (words["WRITE TYPE"], words["DATA BLOCK TYPE"]) == ("session at once", "mode 1, 2048 bytes")
    assert words["MULTI-SESSION"] == "a next session is allowed"


def test_floppy_geometry_is_still_told() -> None:
    """The near miss: length 1Eh is Flexible Disk (SCSI-2; UFI 1.0), whatever the type of the unit."""
    assert mode_pages.mode_page(0x05, 0x1E) is mode_pages.FLEXIBLE_DISK
    assert mode_pages.mode_page(0x05, 0x36) is mmc_pages.WRITE_PARAMETERS


def test_removable_block_access_texts() -> None:
    """Mode page 1Bh (UFI 1.0): two flags that are easily mistaken."""
    texts = {row.name: row.text for row in mode_pages.REMOVABLE_BLOCK_ACCESS.outline()}
    assert (texts["SFLP"], texts["NCD"]) == ("system floppy type device", "non-CD optical device")


# -- log pages -----------------------------------------------------------------------------------------------------

LOG_PAGES: list[tuple[str, str, dict[str, Any]]] = [
    ("0e00001a" "0001 03 06 32303331 3034" "0004 03 04 00000007" "0006 03 04 ffffffff", "SPC-4",
     {"YEAR OF MANUFACTURE": b"2031", "ACCUMULATED START-STOP CYCLES": 7,
      "ACCUMULATED LOAD-UNLOAD CYCLES": 0xFFFFFFFF}),
    ("10000014" "0001 03 10 27 02 0102 0000000000001000 03 11 00 00", "SPC-4",
     {"SELF-TEST CODE": 1, "SELF-TEST RESULTS": 7, "SELF-TEST NUMBER": 2, "ACCUMULATED POWER ON HOURS": 0x102,
      "ADDRESS OF FIRST FAILURE": 0x1000, "SENSE KEY": 3, "ADDITIONAL SENSE CODE": 0x11}),
    ("11000008" "0001 03 04 000000 4f", "SBC-3", {"PERCENTAGE USED ENDURANCE INDICATOR": 79}),
    ("15000028" "0000 03 0c 00000e10 00 08 0002 8000 0003" "0001 03 14 00000e10 53 11 00 0000000000 0000000000001234",
     "SBC-3", {"BACKGROUND SCAN STATUS": 8, "NUMBER OF BACKGROUND SCANS PERFORMED": 2,
               "NUMBER OF BACKGROUND MEDIUM SCANS PERFORMED": 3, "REASSIGN STATUS": 5, "SENSE KEY": 3,
               "LOGICAL BLOCK ADDRESS": 0x1234}),
]  # fmt: skip


@pytest.mark.parametrize(("page", "source", "fields"), LOG_PAGES, ids=lambda item: str(item)[:2])
def test_log_page(page: str, source: str, fields: dict[str, Any]) -> None:
    """Pages 0Eh, 10h, 11h and 15h, field by field."""
    data = bytes.fromhex(page)
    layout = data_in(f"4d00{0x40 | data[0]:02x}00000000 00fc 00", data)
    values = values_of(layout, data)
    assert {name: values[name] for name in fields} == fields, source
    assert log_pages.PAGE_NAMES[data[0]] in layout.title


def test_log_words() -> None:
    """What a person reads: progress, results, dates."""
    scan = words_of(data_in("4d005500000000 00fc 00", b"\x15"), bytes.fromhex(LOG_PAGES[3][0]))
    assert scan["BACKGROUND SCAN PROGRESS"] == "50.0 % done"
    assert scan["REASSIGN STATUS"] == "recovered by writing it again in place"
    tests = words_of(data_in("4d005000000000 00fc 00", b"\x10"), bytes.fromhex(LOG_PAGES[1][0]))
    assert tests["SELF-TEST RESULTS"] == "failed in the segment that the number tells"
    assert tests["ADDITIONAL SENSE CODE QUALIFIER"] == "UNRECOVERED READ ERROR"
    cycles = words_of(data_in("4d004e00000000 00fc 00", b"\x0e"), bytes.fromhex(LOG_PAGES[0][0]))
    assert (cycles["YEAR OF MANUFACTURE"], cycles["ACCUMULATED LOAD-UNLOAD CYCLES"]) == ('"2031"', "not told")


def test_a_shorter_parameter_stays_raw() -> None:
    """A device that prints less than the standard does not end the account: what follows is still laid out."""
    page = bytes.fromhex("100000190001 03 01 270002 03 10 20 00 0102 ffffffffffffffff 00 00 00 00")
    layout = data_in("4d005000000000 00fc 00", page)
    assert values_of(layout, page)["SELF-TEST RESULTS"] == 0
    assert words_of(layout, page)["ADDRESS OF FIRST FAILURE"] == "none, or not told"


# -- diagnostic pages of an enclosure ------------------------------------------------------------------------------

CONFIGURATION = bytes.fromhex("01 01 006a 00000005") + b"".join((
    bytes.fromhex("11 00 02 24 5000000000000001") + b"SKERRY  " + b"TIDE SHELF      " + b"0001",
    bytes.fromhex("11 01 01 26 5000000000000002") + b"SKERRY  " + b"TIDE SHELF B    " + b"0001" + b"\xaa\xbb",
    bytes.fromhex("17 0c 00 05" "04 02 00 03" "03 01 01 00"),
    b"Slots" b"Air",
))  # fmt: skip


def test_supported_diagnostic_pages() -> None:
    """SPC-4: a list of page codes, named by SES-2."""
    data = bytes.fromhex("00 00 0003 00 01 02")
    layout = data_in("1c01000100 00", data)
    values_of(layout, data)
    pages = [row.meaning for row in layout.explain(data).rows if row.name == "PAGE CODE"]
    assert pages == [
        "Supported Diagnostic Pages", "Supported Diagnostic Pages", "Configuration", "Enclosure Status or Control",
    ]  # fmt: skip


def test_enclosure_configuration() -> None:
    """SES-2 (from memory): as many enclosures and types as the counts say, the texts last."""
    layout = data_in("1c01010100 00", CONFIGURATION)
    values = values_of(layout, CONFIGURATION)
    assert layout is enclosure.CONFIGURATION and values["GENERATION CODE"] == 5
    assert all_values(layout, CONFIGURATION, "SUBENCLOSURE IDENTIFIER") == [0, 1, 0, 0, 1]
    assert all_values(layout, CONFIGURATION, "ELEMENT TYPE") == [0x17, 0x04, 0x03]
    assert values["VENDOR SPECIFIC ENCLOSURE INFORMATION"] == b"\xaa\xbb"
    assert values["type texts"] == b"SlotsAir"
    kinds = [row.meaning for row in layout.explain(CONFIGURATION).rows if row.name == "ELEMENT TYPE"]
    assert kinds == ["array device slot", "temperature sensor", "fan"]


@pytest.mark.parametrize(("end", "fault"), [(48, "2 announced, 1 present"), (98, "3 announced, 2 present")])
def test_enclosure_configuration_cut(end: int, fault: str) -> None:
    """Cut where a count announces more: what is there, and how much is missing."""
    account = enclosure.CONFIGURATION.explain(CONFIGURATION[:end])
    assert fault in account.fault and account.used == end


def test_enclosure_status_and_control() -> None:
    """SES-2 (from memory): four bytes an element; the same page code is another page when a host sends it."""
    data = bytes.fromhex("02 0a 000c 0000000501 00 00 0062 00 23 00")
    layout = data_in("1c01020100 00", data)
    values = values_of(layout, data)
    assert (values["INFO"], values["CRIT"], values["PRDFAIL"], values["DISABLED"]) == (1, 1, 1, 1)
    assert words_of(layout, data)["ELEMENT STATUS CODE"] == "critical"
    block = bytes.fromhex("1d1000001000")
    command = commands.find(block)
    assert command is not None
    sent = commands.parameter_layout(command, block, data, outgoing=True)
    assert sent is enclosure.CONTROL
    assert values_of(sent, bytes.fromhex("02 00 0008 00000005 a0 00 00 00"))["DISABLE"] == 1


# -- asymmetric access ---------------------------------------------------------------------------------------------


def test_target_port_groups() -> None:
    """SPC-4 (from memory); state and group where PYSCSI has them in sense data. With and without the longer header."""
    groups = bytes.fromhex("80 8f 0001 00 00 00 01 0000 000102 8f 0002 00 02 00 02 0000 0002 0000 0003")
    plain = len(groups).to_bytes(4, "big") + groups
    layout = data_in("a30a000000000000 0200 0000", plain)
    values_of(layout, plain)
    assert all_values(layout, plain, "RELATIVE TARGET PORT IDENTIFIER") == [1, 2, 3]
    assert all_values(layout, plain, "PREF") == [1, 0]
    states = [row.meaning for row in layout.explain(plain).rows if row.name == "ASYMMETRIC ACCESS STATE"]
    assert states == ["active, optimized", "standby"]
    extended = (len(groups) + 4).to_bytes(4, "big") + bytes.fromhex("10 3c 0000") + groups
    layout = data_in("a32a000000000000 0200 0000", extended)
    assert layout is target_ports.GROUPS_EXTENDED
    assert values_of(layout, extended)["IMPLICIT TRANSITION TIME"] == 60
    assert data_in("a32a000000000000 0200 0000", plain) is target_ports.GROUPS


def test_set_target_port_groups() -> None:
    """SPC-4 (from memory): four bytes for each group."""
    block = bytes.fromhex("a40a0000000000000008 0000")
    command = commands.find(block, 0)
    assert command is not None and command.name == "SET TARGET PORT GROUPS"
    sent = bytes.fromhex("00000000 02 00 0002")
    layout = commands.parameter_layout(command, block, sent, outgoing=True)
    assert layout is not None and values_of(layout, sent)["TARGET PORT GROUP OR TARGET PORT"] == 2
