"""Identity, capacity and write protection from parameter data."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sticktrace.grammar import mode, spc
from sticktrace.storage import words

INQUIRY = bytes.fromhex(  # recorded from an emulated disk; SPC-3 6.4.2
    "008005021f000000534b45525259202054494445204c4f474745522020202020322e3331"
)


def test_inquiry() -> None:
    """All texts without padding."""
    assert words.Inquiry.from_data(INQUIRY) == words.Inquiry(0, 0, True, 5, "SKERRY", "TIDE LOGGER", "2.31")


def test_inquiry_cut_and_absent() -> None:
    """31 bytes lose the revision and part of the product (text captures keep 32 bytes); 4 bytes are nothing."""
    cut = words.Inquiry.from_data(INQUIRY[:20])
    assert cut is not None
    assert (cut.vendor, cut.product, cut.revision) == ("SKERRY", "TIDE", "")
    assert words.Inquiry.from_data(INQUIRY[:4]) is None


def test_inquiry_of_no_unit_and_of_hostile_text() -> None:
    """SPC-3 6.4.2: 7Fh is no unit. Escape sequences and NULs do not get through."""
    nothing = words.Inquiry.from_data(b"\x7f" + INQUIRY[1:])
    assert nothing is not None
    assert not nothing.present
    hostile = words.Inquiry.from_data(INQUIRY[:8] + b"A\x1b[31m\xff\x00" + INQUIRY[16:])
    assert hostile is not None
    assert hostile.vendor == r"A\x1b[31m\xff"


@given(st.binary(min_size=36, max_size=36))
def test_inquiry_agrees_with_the_layout(data: bytes) -> None:
    """The short way and the layout read the same."""
    values = spc.INQUIRY_DATA.read(data)
    found = words.Inquiry.from_data(data)
    assert found is not None
    assert (found.qualifier, found.device_type) == (values["PERIPHERAL QUALIFIER"], values["PERIPHERAL DEVICE TYPE"])
    assert (found.removable, found.version) == (bool(values["RMB"]), values["VERSION"])


@pytest.mark.parametrize(
    ("data", "long", "last", "length", "beyond", "size"),
    [  # SBC-3, READ CAPACITY data; 2 TiB and 4096-byte boundaries
        ("00007fff00000200", False, 0x7FFF, 512, False, 16_777_216),
        ("ffffffff00000200", False, 0xFFFFFFFF, 512, True, 2 << 40),
        ("fffffffe00001000", False, 0xFFFFFFFE, 4096, False, 17_592_186_040_320),
        ("0000000100000000000002000000", True, 1 << 32, 512, False, ((1 << 32) + 1) * 512),
    ],
)
def test_capacity(data: str, long: bool, last: int, length: int, beyond: bool, size: int) -> None:
    """Last address, block length, and the bytes that they make."""
    found = words.Capacity.from_data(bytes.fromhex(data), long)
    assert found == words.Capacity(last, length, beyond)
    assert found.bytes == size
    assert words.Capacity.from_data(bytes.fromhex(data)[:7], long) is None


@given(st.binary(min_size=8, max_size=8))
def test_write_protect_agrees_with_the_layouts(data: bytes) -> None:
    """WP of both mode parameter headers (SPC-3 7.4.3, SBC-3)."""
    for opcode, layout in ((0x1A, mode.SENSE_DATA_6), (0x5A, mode.SENSE_DATA_10)):
        values = layout.read(data)
        assert words.write_protected(opcode, data) == bool(values["DEVICE-SPECIFIC PARAMETER"]["WP"])
    assert words.write_protected(0x1A, b"\x03\x00") is None
    assert words.write_protected(0x28, data) is None
