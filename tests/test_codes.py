"""Code tables against the lists that assign the codes."""

from __future__ import annotations

import errno

import pytest

from sticktrace.codes import asc, error_numbers, msc, scsi, sense_keys, status


@pytest.mark.parametrize(
    ("code", "words"),
    [  # T10, ASC-NUM.TXT of 2015-01-03
        ((0x00, 0x00), "NO ADDITIONAL SENSE INFORMATION"),
        ((0x04, 0x01), "LOGICAL UNIT IS IN PROCESS OF BECOMING READY"),
        ((0x11, 0x00), "UNRECOVERED READ ERROR"),
        ((0x20, 0x00), "INVALID COMMAND OPERATION CODE"),
        ((0x21, 0x00), "LOGICAL BLOCK ADDRESS OUT OF RANGE"),
        ((0x24, 0x00), "INVALID FIELD IN CDB"),
        ((0x27, 0x00), "WRITE PROTECTED"),
        ((0x28, 0x00), "NOT READY TO READY CHANGE, MEDIUM MAY HAVE CHANGED"),
        ((0x29, 0x00), "POWER ON, RESET, OR BUS DEVICE RESET OCCURRED"),
        ((0x3A, 0x00), "MEDIUM NOT PRESENT"),
        ((0x3F, 0x0E), "REPORTED LUNS DATA HAS CHANGED"),
        # range rows of the same list
        ((0x40, 0x85), "DIAGNOSTIC FAILURE ON COMPONENT 85h"),
        ((0x4D, 0x05), "TAGGED OVERLAPPED COMMANDS (TASK TAG 05h)"),
        ((0x70, 0x03), "DECOMPRESSION EXCEPTION SHORT ALGORITHM ID OF 03h"),
        # SPC-3 4.5.6, footnotes on vendor codes (from memory)
        ((0x80, 0x00), "vendor specific code 80h/00h"),
        ((0xFF, 0xFF), "vendor specific code FFh/FFh"),
        ((0x3A, 0x80), "MEDIUM NOT PRESENT, vendor specific qualifier 80h"),
        # blank in T10's list
        ((0x0F, 0x00), "code 0Fh/00h is not assigned"),
    ],
)
def test_additional_sense_codes(code: tuple[int, int], words: str) -> None:
    """Assigned, ranged, vendor and unassigned codes."""
    assert asc.meaning(*code) == words


def test_every_code_has_words() -> None:
    """The whole table is there (762 rows in the published lists), and no pair of codes is left without an answer."""
    assert len(asc.table()) == 762
    assert all(asc.meaning(code, qualifier) for code in range(256) for qualifier in range(256))


def test_sense_codes_agree_with_pyscsi() -> None:
    """PYSCSI carries T10's list too, copied independently; only spacing, punctuation and case may differ."""
    theirs = pytest.importorskip("pyscsi.pyscsi.scsi_sense").sense_ascq_dict

    def plain(words: str) -> str:
        return "".join(char for char in words.upper() if char.isalnum())

    ours = asc.table()
    shared = [code for code in theirs if (code >> 8, code & 0xFF) in ours]
    differing = {
        hex(code): (theirs[code], ours[code >> 8, code & 0xFF])
        for code in shared
        if plain(theirs[code]) != plain(ours[code >> 8, code & 0xFF])
    }
    assert len(shared) > 690
    assert differing == {}


def test_sense_keys_agree_with_pyscsi() -> None:
    """Sense key names, case aside."""
    theirs = pytest.importorskip("pyscsi.pyscsi.scsi_sense").sense_key_dict
    assert {key: words.upper() for key, words in theirs.items()} == {key: sense_keys.NAMES[key] for key in theirs}


@pytest.mark.parametrize(
    ("opcode", "length"),
    [  # SPC-3 4.3.4.1, group codes
        (0x00, 6), (0x1F, 6), (0x20, 10), (0x5F, 10), (0x60, None), (0x7F, None), (0x80, 16), (0x9F, 16), (0xA0, 12),
        (0xBF, 12), (0xC0, None), (0xFF, None),
    ],
)  # fmt: skip
def test_group_code_gives_the_length(opcode: int, length: int | None) -> None:
    """The top three bits of the operation code."""
    assert scsi.cdb_length(opcode) == length


def test_scsi_status() -> None:
    """SAM-3 5.3.1."""
    names = {0: "GOOD", 2: "CHECK CONDITION", 8: "BUSY", 0x18: "RESERVATION CONFLICT", 0x28: "TASK SET FULL"}
    assert {code: scsi.STATUS[code] for code in names} == names


def test_mass_storage_codes() -> None:
    """Mass Storage Class Specification Overview 1.4, Tables 1 to 3."""
    assert msc.subclass(0x06) == "SCSI transparent command set"
    assert msc.protocol(0x50) == "Bulk-Only Transport"
    assert msc.protocol(0x62) == "USB Attached SCSI"
    assert msc.subclass(0x09) == "reserved subclass 09h"
    assert msc.CLASS_REQUESTS[0xFE] == "Get Max LUN"
    assert msc.CLASS_REQUESTS[0xFF] == "Bulk-Only Mass Storage Reset"


def test_errno_names() -> None:
    """Names and numbers agree with the C library's errno list, where this machine numbers as x86 and ARM do."""
    if errno.EPROTO != 71:
        pytest.skip("errno is numbered otherwise here")
    for code, ending in status.ENDINGS.items():
        if code:
            assert errno.errorcode[-code] == ending.name


@pytest.mark.parametrize(
    ("usbd", "code"),
    [  # USBD status of the Windows headers; errno as the kernel documentation describes the same condition
        (0x00000000, 0), (0xC0000004, -32), (0xC0000011, -71), (0xC0000005, -71), (0xC0010000, -104),
        (0xC000000C, -75), (0xC0000008, -75), (0xC0000009, -121), (0x40000000, -115), (0xC0DEAD00, -71),
    ],
)  # fmt: skip
def test_usbd_status(usbd: int, code: int) -> None:
    """Listed codes one by one, others by their severity bits."""
    assert status.from_usbd(usbd) == code


def test_status_in_words() -> None:
    """What a person reads."""
    assert status.in_words(-32) == "EPIPE (-32): the endpoint answered STALL"
    assert status.in_words(None) == "completion not in this capture"
    assert status.in_words(-9999) == "status -9999"
    assert status.usbd_name(0xC0000004) == "STALL_PID"


def test_error_numbers_are_those_of_the_system() -> None:
    """Against the numbers of the machine that runs the tests, through the standard library."""
    import platform

    if platform.system() != "Linux" or platform.machine() not in ("x86_64", "aarch64", "armv7l", "i686"):
        pytest.skip("numbers of another system")
    for name, number in error_numbers.NUMBERS.items():
        assert getattr(errno, name) == number, name


@pytest.mark.parametrize(
    ("printed", "number", "machine"),
    [
        ("-71", -71, ""), ("71", -71, ""), ("-110", -110, ""), ("0", 0, ""), ("-9999", -9999, ""), ("EPROTO", -71, ""),
        # asm/errno.h of each machine, Linux 6.1: ETIMEDOUT 145, 60, 238; ESHUTDOWN 143; EPROTO 86, 85
        ("-145", -110, "MIPS"), ("-143", -108, "MIPS"), ("-60", -110, "SPARC"), ("-86", -71, "SPARC"),
        ("-85", -71, "Alpha"), ("-238", -110, "PA-RISC"),
        ("USB_ERR_STALLED", -32, ""), ("(TIMEOUT)", -110, ""), ("no word", 0, ""), ("", 0, ""),
    ],
)  # fmt: skip
def test_a_printed_error_is_read(printed: str, number: int, machine: str) -> None:
    assert error_numbers.from_log(printed) == (number, machine)


def test_sense_words_lead_back_to_their_codes() -> None:
    """T10's wording in another case and punctuation, as kernels print it."""
    assert asc.from_words("Unrecovered read error") == (0x11, 0x00)
    assert asc.from_words("logical block address out-of range") == (0x21, 0x00)
    assert asc.from_words("the tide is out") is None
    assert asc.from_words("Obsolete") is None  # several codes have that text
    for code, words in asc.table().items():
        found = asc.from_words(words.capitalize())
        assert found is None or asc.table()[found].casefold() == words.casefold(), code
    assert [sense_keys.from_words(w) for w in ("Medium Error", "NOT READY", "Media Error", "tide")] == [3, 2, 3, None]


def test_a_code_in_an_unknown_base() -> None:
    """Decimal 40 is 28h, which goes with UNIT ATTENTION; 40h does not."""
    assert asc.as_printed(6, "40") == (0x28, True)
    assert asc.as_printed(4, "40") == (0x40, False)
    assert asc.as_printed(2, "3a") == (0x3A, False)
    assert asc.as_printed(5, "20") == (0x20, False)
