"""UAS information units against INCITS 471 as Linux's uas.h gives it (structures and numbers), and recorded traffic."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import uas
from vectors import values_of, words_of

COMMAND = bytes.fromhex(  # struct command_iu
    "01"  # IU ID: command
    "00"
    "0003"  # TAG
    "02"  # COMMAND PRIORITY 0, TASK ATTRIBUTE 2 (UAS_ORDERED_TAG)
    "00"
    "04"  # ADDITIONAL CDB LENGTH 1 (bits 7-2): 4 bytes
    "00"
    "0001000000000000"  # LOGICAL UNIT NUMBER: peripheral addressing, LUN 1
    "7f000000000000180009000000000000"  # CDB
    "aabbccdd"  # ADDITIONAL CDB BYTES
)
SENSE = bytes.fromhex(  # struct sense_iu
    "03"  # IU ID: status
    "00"
    "0003"  # TAG
    "0000"  # STATUS QUALIFIER
    "02"  # STATUS: SAM_STAT_CHECK_CONDITION
    "00000000000000"
    "0008"  # SENSE DATA LENGTH
    "7206290000000000"  # SENSE DATA: 6/29/00 in descriptor format
)
RESPONSE = bytes.fromhex(  # struct response_iu
    "04"  # IU ID: response
    "00"
    "0005"  # TAG
    "000000"  # ADDITIONAL RESPONSE INFORMATION
    "08"  # RESPONSE CODE: RC_TMF_SUCCEEDED
)
TASK_MANAGEMENT = bytes.fromhex(  # struct task_mgmt_iu
    "05"  # IU ID: task management
    "00"
    "0005"  # TAG
    "01"  # TASK MANAGEMENT FUNCTION: TMF_ABORT_TASK
    "00"
    "0003"  # TAG OF TASK TO BE MANAGED
    "0000000000000000"  # LOGICAL UNIT NUMBER
)


def test_command_iu() -> None:
    """Positions of struct command_iu; the CDB goes on after byte 31 where the length says so."""
    values = values_of(uas.COMMAND_IU, COMMAND)
    assert (values["TAG"], values["TASK ATTRIBUTE"], values["ADDITIONAL CDB LENGTH"]) == (3, 2, 1)
    assert values["CDB"] == COMMAND[16:32]
    assert values["ADDITIONAL CDB BYTES"] == bytes.fromhex("aabbccdd")
    words = words_of(uas.COMMAND_IU, COMMAND)
    assert words["LOGICAL UNIT NUMBER"] == "LUN 1"
    assert words["TASK ATTRIBUTE"] == "ORDERED"


def test_sense_iu() -> None:
    """Positions of struct sense_iu."""
    values = values_of(uas.SENSE_IU, SENSE)
    assert (values["STATUS"], values["SENSE DATA LENGTH"], values["SENSE DATA"]) == (2, 8, SENSE[16:])
    assert words_of(uas.SENSE_IU, SENSE)["STATUS"] == "CHECK CONDITION"


RECORDED = [  # an emulated device and a kernel's driver, neither of this project
    ("01000001000000000000000000000000120000002400" + "00" * 10, {"TAG": 1, "ADDITIONAL CDB LENGTH": 0}),
    ("06000001", {"TAG": 1}),
    ("03000001000000000000000000000000", {"STATUS": 0, "SENSE DATA LENGTH": 0}),
    ("03000001000002000000000000000012700005000000000a00000000200000000000", {"STATUS": 2, "SENSE DATA LENGTH": 18}),
]


@pytest.mark.parametrize(("raw", "fields"), RECORDED)
def test_recorded_units(raw: str, fields: dict[str, int]) -> None:
    """Units of real traffic fit their layouts to the last byte."""
    data = bytes.fromhex(raw)
    values = values_of(uas.IU_LAYOUTS[data[0]], data)
    assert {name: values[name] for name in fields} == fields


def test_good_status_has_no_sense() -> None:
    """GOOD is 16 bytes with a length of zero."""
    assert values_of(uas.SENSE_IU, bytes.fromhex("0300000700000000000000000000") + bytes(2))["SENSE DATA"] == b""


def test_response_and_task_management() -> None:
    """Positions of struct response_iu and struct task_mgmt_iu."""
    assert values_of(uas.RESPONSE_IU, RESPONSE)["RESPONSE CODE"] == 8
    assert words_of(uas.RESPONSE_IU, RESPONSE)["RESPONSE CODE"] == "TASK MANAGEMENT FUNCTION SUCCEEDED"
    values = values_of(uas.TASK_MANAGEMENT_IU, TASK_MANAGEMENT)
    assert (values["TASK MANAGEMENT FUNCTION"], values["TAG OF TASK TO BE MANAGED"]) == (1, 3)


@pytest.mark.parametrize(("iu", "name"), [(0x06, "READ READY"), (0x07, "WRITE READY")])
def test_ready_ius(iu: int, name: str) -> None:
    """Four bytes: the common header (struct iu)."""
    data = bytes([iu, 0, 0x12, 0x34])
    assert values_of(uas.IU_LAYOUTS[iu], data)["TAG"] == 0x1234
    assert words_of(uas.IU_LAYOUTS[iu], data)["IU ID"] == name


def test_numbers_of_the_header() -> None:
    """IU_ID_*, TMF_* and RC_* of uas.h."""
    assert sorted(uas.IU_LAYOUTS) == sorted(uas.IU_NAMES) == [1, 3, 4, 5, 6, 7]
    assert sorted(uas.TASK_MANAGEMENT_FUNCTIONS) == [1, 2, 4, 8, 0x10, 0x40, 0x80, 0x81, 0x82]
    assert sorted(uas.RESPONSE_CODES) == [0, 2, 4, 5, 8, 9, 0x0A]


@pytest.mark.parametrize(
    ("raw", "lun"),
    [
        ("0003000000000000", 3),  # SAM-5: peripheral device addressing
        ("4103000000000000", 0x103),  # SAM-5: flat space addressing
        ("c101000000000000", None),  # SAM-5: extended (well known logical unit)
        ("0003000100000000", None),  # a second level is given
    ],
)
def test_logical_unit_numbers(raw: str, lun: int | None) -> None:
    """The addressing methods of SAM-5, LUN structures."""
    assert uas.single_level_lun(bytes.fromhex(raw)) == lun


@pytest.mark.parametrize("layout", uas.IU_LAYOUTS.values(), ids=lambda layout: layout.title)
def test_any_bytes(layout: uas.Layout) -> None:
    """Rules of every layout, on any bytes."""

    @settings(max_examples=40, deadline=None)
    @given(st.binary(max_size=60))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()
    for data in (COMMAND, SENSE, RESPONSE, TASK_MANAGEMENT):
        check_everything(layout, data)
