"""Sense data boiled down: against SPC-3 4.5 and against the layouts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sticktrace.codes import asc as asc_codes
from sticktrace.codes import sense_keys
from sticktrace.grammar import sense as grammar
from sticktrace.storage import sense


@pytest.mark.parametrize(
    ("data", "facts"),
    [
        # SPC-3 4.5.3 fixed format: medium changed
        ("700006000000000a00000000280000000000", sense.SenseFacts(0x70, 6, 0x28, 0, False)),
        # SPC-3 4.5.2 descriptor format: reset
        ("7206290000000000", sense.SenseFacts(0x72, 6, 0x29, 0, False)),
        # VALID and INFORMATION, and ILI
        ("f00023000012340a00000000110000000000", sense.SenseFacts(0x70, 3, 0x11, 0, False, 0x1234, True)),
        # 71h: the error belongs to an earlier command
        ("710003000000000a000000000c0000000000", sense.SenseFacts(0x71, 3, 0x0C, 0, True)),
        # SPC-3 4.5.2.4.4: half done
        ("700002000000000a00000000040400808000", sense.SenseFacts(0x70, 2, 4, 4, False, None, False, 0.5)),
        # descriptors: information, progress, block commands
        (
            "7302040400000018000a800000000000000000ff020600008040000005020020",
            sense.SenseFacts(0x73, 2, 4, 4, True, 0xFF, True, 0.25),
        ),
        # SAT-3, ATA registers that CK_COND asked for: no block address, whatever VALID says
        (
            "f00001045140030a0000f42c001d00000000",
            sense.SenseFacts(0x70, 1, 0, 0x1D, False, registers=sense.AtaRegisters(4, 0x51, 0x40, 3, 0x2CF400)),
        ),
        (
            "7201001d0000000e090c010001023300554f66c24050",
            sense.SenseFacts(
                0x72, 1, 0, 0x1D, False, registers=sense.AtaRegisters(0, 0x50, 0x40, 0x102, 0x665533C24F00)
            ),
        ),
        # SBC-3, direct-access block device: information, progress and ILI in one descriptor
        (
            "72020404000000180d16a0008040000000000000000000ff0000000000000000",
            sense.SenseFacts(0x72, 2, 4, 4, False, 0xFF, True, 0.25),
        ),
        # claims no additional bytes: ASC does not count
        ("700005000000000000000000200000000000", sense.SenseFacts(0x70, 5, 0, 0, False)),
        ("70000500", sense.SenseFacts(0x70, 5, 0, 0, False)),
        ("700005", None),
        ("7f00050000000000", None),
        ("00000000000000000000000000000000", None),
        ("", None),
    ],
)
def test_decode(data: str, facts: sense.SenseFacts | None) -> None:
    """Both formats, deferred errors, short and foreign data."""
    assert sense.decode(bytes.fromhex(data)) == facts


@given(st.sampled_from([0x70, 0x71, 0xF0]), st.binary(min_size=6, max_size=6), st.binary(min_size=10, max_size=30))
def test_fixed_format_agrees_with_the_layout(code: int, head: bytes, rest: bytes) -> None:
    """The short way and the layout read the same."""
    data = bytes([code]) + head + bytes([len(rest)]) + rest
    facts = sense.decode(data)
    values = grammar.FIXED.parse(data)
    assert facts is not None
    assert (facts.key, facts.asc) == (values["SENSE KEY"], values["ADDITIONAL SENSE CODE"])
    assert facts.ascq == values["ADDITIONAL SENSE CODE QUALIFIER"]
    ata = (facts.asc, facts.ascq) == sense.ATA_REPORT
    assert facts.information == (values["INFORMATION"] if values["VALID"] and not ata else None)
    assert facts.ili == bool(values["ILI"])


ADVICE = [
    # misread.md's own rows: each code what it says (T10's assignments)
    ("0/5D/00", "expects to fail", "Nothing is wrong"),
    ("6/5D/00", "expects to fail", "This is news"),
    ("6/5D/00", sense.NOT_DONE, "Nothing is wrong"),
    ("1/5D/10", "expects to fail", "The data is good"),
    ("6/5D/FF", "false prediction", "replace"),
    ("1/5D/FF", "nothing is wrong", "replace"),
    ("6/0B/01", "too hot", "This is news"),
    ("1/0B/06", "SYNCHRONIZE CACHE", "often"),
    ("B/0B/08", "lose power", "Retry the command"),
    ("6/0B/99", "warns", "This is news"),
    ("6/37/00", "rounded", "This is news"),
    ("1/37/00", "read the page back", "save the data"),
    ("1/1C/00", "no defect list", "save the data"),
    ("6/1C/02", "no defect list", "save the data"),
    ("1/00/1D", "not an error", "save the data"),
    ("0/00/1D", "ATA registers", "Nothing is wrong"),
    ("7/27/00", "look for a switch", "software"),
    ("7/27/02", "SWP bit", "look for a switch"),
    ("7/27/07", "free space", "look for a switch"),
    ("2/27/07", "free space", "Poll"),
    ("7/27/05", "for good", "look for a switch"),
    ("2/04/12", "offline", "poll with"),
    ("2/04/20", "reset", "poll with"),
    ("2/04/21", "reset the port", "poll with"),
    ("2/04/22", "power", "poll with"),
    ("2/04/01", "poll with TEST UNIT READY", "power"),
    ("2/04/07", "operation under way", "power"),
    ("2/30/00", "formatted first, which erases it", "Poll"),
    ("2/31/00", "formatting erases it", "Poll"),
    ("2/57/00", "table of contents", "Poll"),
    ("2/3E/01", "faulty", "Poll"),
    ("2/3E/00", "wait and poll", "faulty"),
    ("3/30/01", "another device", "treat the block as lost"),
    ("3/11/00", "cannot be read", "another device"),
    ("5/53/00", "loaded or ejected", "PREVENT ALLOW"),
    ("5/53/02", "PREVENT ALLOW", "blocks it"),
    ("6/2A/09", "capacity", "Parameters or reservations"),
    ("6/2A/01", "Parameters or reservations", "capacity"),
]


@pytest.mark.parametrize(("codes", "says", "says_not"), ADVICE)
def test_advice_goes_by_what_the_code_says(codes: str, says: str, says_not: str) -> None:
    """Common practice among hosts; each with the advice that another code would get and that is wrong here."""
    told = sense.advice(*(int(part, 16) for part in codes.split("/")))
    assert says in told
    assert says_not not in told


def test_advice_is_for_codes_that_exist() -> None:
    """Every row of the table names a sense key and, where it names codes, one that T10 assigned."""
    for row in sense._advice():
        key, asc, ascq = row.split("/")
        assert key == "*" or int(key, 16) in sense_keys.NAMES, row
        if asc != "*":
            assert any(code == int(asc, 16) and ascq in ("*", f"{other:02X}") for code, other in asc_codes.table()), row


@given(st.binary(max_size=80))
def test_any_bytes(data: bytes) -> None:
    """Never an exception; words and advice for whatever comes out."""
    for code in (0x70, 0x72, 0x73):
        facts = sense.decode(bytes([code]) + data)
        if facts is not None:
            assert facts.words
            assert isinstance(sense.advice(facts.key, facts.asc, facts.ascq), str)


def test_in_words() -> None:
    """Key, code and numbers in one line."""
    assert sense.in_words(2, 0x3A, 0) == "NOT READY: MEDIUM NOT PRESENT (2/3A/00)"
    assert sense.in_words(0, 0, 0) == "NO SENSE: NO ADDITIONAL SENSE INFORMATION (0/00/00)"


def test_every_common_key_has_advice() -> None:
    """Keys that sticks return (common practice) always have advice; the special case wins over the general one."""
    for key in (0, 1, 2, 3, 4, 5, 6, 7, 0xB):
        assert sense.advice(key, 0x7E, 0x7E), sense_keys.NAMES[key]
    assert sense.advice(2, 0x04, 0x02) != sense.advice(2, 0x04, 0x01) != sense.advice(2, 0x7E, 0)
    assert "START STOP UNIT" in sense.advice(2, 0x04, 0x02)  # SPC-3: INITIALIZING COMMAND REQUIRED
    assert sense.advice(0xD, 0, 0) == ""
