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
    data = bytes.fromhex("72 01 00 1d 00 0000 0e" "09 0c 00 00 00 ff 00 00 00 00 00 00 40 50")
    entry = sense.DESCRIPTOR.parse(data)["descriptors"][0]["contents"]
    assert (entry["EXTEND"], entry["COUNT (7:0)"], entry["DEVICE"], entry["STATUS"]) == (0, 0xFF, 0x40, 0x50)


def test_unknown_descriptor_stays_raw() -> None:
    """A vendor's descriptor (80h) keeps its bytes and the next one is still found."""
    data = bytes.fromhex("72 04 44 00 00 0000 08" "80 02 abcd" "03 02 00 07")
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
