"""Sense data boiled down: against SPC-3 4.5 and against the layouts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
            "7302040400000018" "000a800000000000000000ff" "0206000080400000" "05020020",
            sense.SenseFacts(0x73, 2, 4, 4, True, 0xFF, True, 0.25),
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
    assert facts.information == (values["INFORMATION"] if values["VALID"] else None)
    assert facts.ili == bool(values["ILI"])


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
