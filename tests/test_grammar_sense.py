"""Sense data layouts against SPC-3 4.5 (places from memory where marked) and PYSCSI."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sticktrace.grammar import sense
from sticktrace.grammar.layout import Layout


def said(layout: Layout, data: bytes) -> dict[str, str]:
    """Field name to meaning."""
    return {row.name: row.meaning for row in layout.explain(data).rows}


FIXED = bytes.fromhex(
    "f0"  # VALID, response code 70h
    "00"  # obsolete
    "25"  # ILI, sense key 5 ILLEGAL REQUEST
    "00001234"  # INFORMATION
    "0a"  # ADDITIONAL SENSE LENGTH
    "00000000"  # COMMAND-SPECIFIC INFORMATION
    "24 00"  # INVALID FIELD IN CDB
    "00"  # FIELD REPLACEABLE UNIT CODE
    "cd 0002"  # SKSV, C/D, BPV, bit 5; FIELD POINTER 2
)


def test_fixed_format_with_field_pointer() -> None:
    """SPC-3 4.5.3 and 4.5.2.4.2."""
    values = sense.FIXED.parse(FIXED)
    assert (values["VALID"], values["RESPONSE CODE"], values["ILI"], values["SENSE KEY"]) == (1, 0x70, 1, 5)
    assert values["INFORMATION"] == 0x1234
    pointer = values["SENSE KEY SPECIFIC"]
    assert (pointer["SKSV"], pointer["C/D"], pointer["BPV"], pointer["BIT POINTER"]) == (1, 1, 1, 5)
    assert pointer["FIELD POINTER"] == 2
    words = said(sense.FIXED, FIXED)
    assert words["SENSE KEY"] == "ILLEGAL REQUEST"
    assert words["ADDITIONAL SENSE CODE QUALIFIER"] == "INVALID FIELD IN CDB"
    assert words["C/D"] == "in the CDB"


def test_progress_indication() -> None:
    """SPC-3 4.5.2.4.4: with NOT READY the last two bytes count 65536ths."""
    data = bytes.fromhex("70 00 02 00000000 0a 00000000 04 04 00 80 8000")
    assert said(sense.FIXED, data)["PROGRESS INDICATION"] == "50.0 % done"


DESCRIPTORS = bytes.fromhex(
    "72 03 11 00 00 0000 18"  # current, MEDIUM ERROR, UNRECOVERED READ ERROR, 24 bytes of descriptors
    "00 0a 80 00 0000000000001000"  # information, VALID, LBA 1000h
    "02 06 0000 800003 00"  # sense-key specific: retry count 3
    "05 02 00 20"  # block commands: ILI
)


def test_descriptor_format() -> None:
    """SPC-3 4.5.2: information, sense-key specific by the sense key outside, block commands."""
    values = sense.DESCRIPTOR.parse(DESCRIPTORS)
    information, specific, block = (entry["contents"] for entry in values["descriptors"])
    assert (information["VALID"], information["INFORMATION"]) == (1, 0x1000)
    assert specific["SENSE KEY SPECIFIC"]["ACTUAL RETRY COUNT"] == 3
    assert block["ILI"] == 1
    assert sense.DESCRIPTOR.build(values) == DESCRIPTORS
    assert said(sense.DESCRIPTOR, DESCRIPTORS)["ADDITIONAL SENSE CODE QUALIFIER"] == "UNRECOVERED READ ERROR"


def test_ata_status_return() -> None:
    """SAT-2 12.2.6 (from memory): the registers of CHECK POWER MODE, count FFh = active."""
    data = bytes.fromhex("72 01 00 1d 00 0000 0e09 0c 00 00 00 ff 00 00 00 00 00 00 40 50")
    entry = sense.DESCRIPTOR.parse(data)["descriptors"][0]["contents"]
    assert (entry["EXTEND"], entry["COUNT (7:0)"], entry["DEVICE"], entry["STATUS"]) == (0, 0xFF, 0x40, 0x50)


def test_unknown_descriptor_stays_raw() -> None:
    """A vendor's descriptor (80h) keeps its bytes and the next one is still found."""
    data = bytes.fromhex("72 04 44 00 00 0000 0880 02 abcd03 02 00 07")
    first, second = sense.DESCRIPTOR.parse(data)["descriptors"]
    assert first["contents"] == b"\xab\xcd"
    assert second["contents"]["FIELD REPLACEABLE UNIT CODE"] == 7


@pytest.mark.parametrize(
    ("code", "layout"),
    [(0x70, sense.FIXED), (0xF0, sense.FIXED), (0x71, sense.FIXED), (0x72, sense.DESCRIPTOR), (0x73, sense.DESCRIPTOR),
     (0x7F, None), (0x00, None)],
)  # fmt: skip
def test_response_code_chooses_the_layout(code: int, layout: Layout | None) -> None:
    """SPC-3 4.5.1; VALID (bit 7) does not matter."""
    assert sense.sense_layout(bytes([code])) is layout
    assert sense.sense_layout(b"") is None


ATA_FIXED = bytes.fromhex(
    "70 00 01"  # RECOVERED ERROR
    "04 51 40 03"  # ERROR: ABRT; STATUS: DRDY, DSC, ERR; DEVICE; COUNT (7:0)
    "0a"
    "65 00 4f c2"  # COUNT UPPER NONZERO, LBA UPPER NONZERO, log index 5; LBA (7:0), (15:8), (23:16)
    "00 1d 00 000000"
)


def test_ata_registers_in_fixed_format() -> None:
    """SAT-3 (from memory): with 00/1D, bytes 3 to 6 and 8 to 11 are ATA registers, not a block address."""
    layout = sense.sense_layout(ATA_FIXED)
    assert layout is sense.FIXED_ATA
    values = layout.parse(ATA_FIXED)
    names = ("ERROR", "STATUS", "DEVICE", "COUNT (7:0)", "LBA (7:0)", "LBA (15:8)", "LBA (23:16)", "LOG INDEX")
    assert [values[name] for name in names] == [4, 0x51, 0x40, 3, 0, 0x4F, 0xC2, 5]
    assert (values["EXTEND"], values["COUNT UPPER NONZERO"], values["LBA UPPER NONZERO"]) == (0, 1, 1)
    words = said(layout, ATA_FIXED)
    assert (words["STATUS"], words["ADDITIONAL SENSE CODE QUALIFIER"]) == (
        "DRDY, DSC, ERR", "ATA PASS THROUGH INFORMATION AVAILABLE",
    )  # fmt: skip
    assert "no threshold is exceeded" in words["LBA (23:16)"]  # ATA8-ACS, SMART RETURN STATUS: 4Fh and C2h
    assert layout.build(values) == ATA_FIXED


@pytest.mark.parametrize(
    "data",
    [
        "f00003000012340a00000000110000000000",  # a medium error
        "f00000000012340a00000000001c00000000",  # 00/1C
        "70000104514003040000004f",  # cut before the code
        "7000010451400304000000c2001d",  # ADDITIONAL SENSE LENGTH ends before it
    ],
)
def test_other_fixed_format_is_as_ever(data: str) -> None:
    """The near misses: INFORMATION is INFORMATION."""
    assert sense.sense_layout(bytes.fromhex(data)) is sense.FIXED


def body(kind: str, contents: str) -> tuple[Layout, bytes]:
    """Descriptor format sense with one descriptor."""
    raw = bytes.fromhex(contents)
    data = bytes.fromhex("72 03 11 00 00 0000") + bytes((len(raw) + 2, int(kind, 16), len(raw))) + raw
    assert sense.DESCRIPTOR.explain(data).fault == ""
    assert sense.DESCRIPTOR.build(sense.DESCRIPTOR.parse(data)) == data
    return sense.DESCRIPTOR, data


def test_object_identification() -> None:
    """Descriptor 06h (OSD-2): 32 bytes, places as PYSCSI has them."""
    layout, data = body("06", "000000000000 00000010 00000001 0000000000010000 0000000000020000")
    contents = layout.parse(data)["descriptors"][0]["contents"]
    assert (contents["NOT INITIATED COMMAND FUNCTIONS"], contents["OBJECT_ID"]) == (0x10, 0x20000)


def test_referral() -> None:
    """Descriptor 0Bh (SBC-3): segments, each with the target port groups that lead to it; places as PYSCSI has them."""
    group, segment = "02 00 0007", "000000 01 0000000000001000 0000000000001fff"
    layout, data = body("0b", "01 00" + segment + group + segment + "00 00 0008")
    contents = layout.parse(data)["descriptors"][0]["contents"]
    assert contents["NOT_ALL_R"] == 1
    assert [item["LAST USER DATA SEGMENT LBA"] for item in contents["referrals"]] == [0x1FFF, 0x1FFF]
    assert said(layout, data)["ASYMMETRIC ACCESS STATE"] == "active, optimized"


def test_forwarded_sense() -> None:
    """Descriptor 0Ch (SPC-4): sense data inside sense data, in each format, and what is none."""
    for inner, key in (("700005000000000a00000000240000000000", 5), ("7206290000000000", 6), (ATA_FIXED.hex(), 1)):
        layout, data = body("0c", "02 02" + inner)
        contents = layout.parse(data)["descriptors"][0]["contents"]
        assert contents["SENSE DATA SOURCE"] == 2 and contents["FORWARDED SENSE DATA"]["SENSE KEY"] == key
    layout, data = body("0c", "81 02 00aabb")
    assert layout.parse(data)["descriptors"][0]["contents"]["FORWARDED SENSE DATA"] == b"\x00\xaa\xbb"


def test_direct_access_device() -> None:
    """Descriptor 0Dh (SBC-3; from memory): key specific bytes by the sense key outside, then two numbers of 8 bytes."""
    layout, data = body("0d", "a0 00 800003 07 0000000000001234 0000000000000000")
    contents = layout.parse(data)["descriptors"][0]["contents"]
    assert (contents["VALID"], contents["ILI"], contents["INFORMATION"]) == (1, 1, 0x1234)
    assert contents["SENSE KEY SPECIFIC"]["ACTUAL RETRY COUNT"] == 3
    assert contents["FIELD REPLACEABLE UNIT CODE"] == 7


def test_nested_sense_ends() -> None:
    """Sense data forwarded in sense data, as deep as its length byte lets it: one clean account."""
    data = b"\x70" + bytes(17)
    for _ in range(40):
        body_ = b"\x0c" + bytes((min(255, len(data) + 2),)) + b"\x01\x02" + data
        data = bytes.fromhex("72030000000000") + bytes((min(255, len(body_)),)) + body_
    account = sense.DESCRIPTOR.explain(data)
    assert "\n" not in account.fault and account.used <= len(data)


@pytest.mark.parametrize(
    ("table", "kind"), [("_osd_obj_ident_sdata_desc_bits", 0x06), ("_ata_status_return_desc_bits", 0x09)]
)
def test_descriptors_agree_with_pyscsi(table: str, kind: int) -> None:
    """Byte by byte, two header bytes before each; PYSCSI gives three of the numbers a byte too few."""
    theirs = getattr(pytest.importorskip("pyscsi.pyscsi.scsi_sense").SCSICheckCondition, table)
    places = {row.offset for row in sense.DESCRIPTORS[kind].outline()}
    assert {byte - 2 for name, (_, byte) in theirs.items() if name not in ("desc_type", "additional_len")} <= places


@settings(max_examples=50, deadline=None)
@given(st.binary(min_size=17, max_size=17))
def test_fixed_format_agrees_with_pyscsi(rest: bytes) -> None:
    """PYSCSI's reading of fixed format sense data, field by field."""
    theirs = pytest.importorskip("pyscsi.pyscsi.scsi_sense").SCSICheckCondition
    data = b"\xf0" + rest
    read = theirs.unmarshall_fixed_format_sense_data(bytearray(data))
    values = sense.FIXED.read(data)
    names = {
        "valid": "VALID", "response_code": "RESPONSE CODE", "filemark": "FILEMARK", "eom": "EOM", "ili": "ILI",
        "sdat_ovfl": "SDAT_OVFL", "sense_key": "SENSE KEY", "information": "INFORMATION",
        "additional_sense_len": "ADDITIONAL SENSE LENGTH",
        "command_specific_information": "COMMAND-SPECIFIC INFORMATION",
        "additional_sense_code": "ADDITIONAL SENSE CODE",
        "additional_sense_code_qualifier": "ADDITIONAL SENSE CODE QUALIFIER",
        "field_replaceable_unit_code": "FIELD REPLACEABLE UNIT CODE",
    }  # fmt: skip
    assert {name: read[name] for name in names} == {name: values[field] for name, field in names.items()}
