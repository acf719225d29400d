"""Mode parameters (SPC-3 7.4): header, block descriptors, and the chain of mode pages.

The pages themselves are in `mode_pages`; one that has no layout there keeps its contents as raw bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Container, Int8ub, Int16ub, Int24ub, Int32ub, Int64ub

from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bits, Bounded, Layout, Part, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mode_pages import mode_page
from sticktrace.grammar.mode_parts import PAGE_NAMES

PAGE_CONTROL: dict[int, str] = {0: "current values", 1: "changeable values", 2: "default values", 3: "saved values"}

_PAGE = "SPC-3 7.4.5"


def page_name(code: int, _seen: Mapping[str, Any] | None = None) -> str:
    """The name of a mode page; vendor pages are 20h to 3Eh where no standard took the number."""
    return PAGE_NAMES.get(code, "vendor specific" if 0x20 <= code <= 0x3E else "")


def _page_bits() -> Bits:
    return bits(
        1, part("PS", 1, "the device can save this page", _PAGE),
        part("SPF", 1, "a subpage code follows", _PAGE, meaning={0: "page format", 1: "subpage format"}),
        part("PAGE CODE", 6, "which page this is", _PAGE, meaning=page_name),
    )  # fmt: skip


_BODY = field(
    "contents", Bounded(lambda c: c["PAGE LENGTH"], RAW), "a page without a layout here", _PAGE
)  # fmt: skip

PAGE = Layout(
    "Mode page", "SPC-3 7.4.5 page_0 format", _page_bits(),
    field("PAGE LENGTH", Int8ub, "bytes that follow in this page", _PAGE), _BODY,
)  # fmt: skip

SUBPAGE = Layout(
    "Mode subpage", "SPC-3 7.4.5 sub_page format", _page_bits(),
    field("SUBPAGE CODE", Int8ub, "which subpage this is", _PAGE),
    field("PAGE LENGTH", Int16ub, "bytes that follow in this page", _PAGE), _BODY,
)  # fmt: skip


def _page_form(_values: Container, coming: Any) -> Construct:
    """A page confined to its own length, by its code, subpage code and length, which come next."""
    if isinstance(coming, Mapping):
        code, subcode, length = coming["PAGE CODE"], coming.get("SUBPAGE CODE", 0), coming["PAGE LENGTH"]
        subpage = bool(coming["SPF"])
    else:
        code, subpage = coming[0] & 0x3F, bool(coming[0] & 0x40)
        subcode = coming[1] if subpage and len(coming) > 1 else 0
        length = int.from_bytes(coming[2:4] if subpage else coming[1:2], "big")
    layout = None if subpage and not subcode else mode_page(code, length, subcode)
    if layout is None:
        return SUBPAGE if subpage else PAGE
    return Bounded((4 if subpage else 2) + length, layout)


PAGE_CHAIN = Series(Choice(_page_form))
"""Mode pages one after the other to the end of the bounds; for MODE SENSE data and MODE SELECT parameters alike."""

_BLOCK = "SPC-3 7.4.4"

BLOCK_DESCRIPTOR = Layout(
    "Mode parameter block descriptor", "SPC-3 7.4.4.2",
    field("DENSITY CODE", Int8ub, "depends on the device type; for a disk SBC-3 makes it the top byte of the count",
          _BLOCK),
    field("NUMBER OF BLOCKS", Int24ub, "blocks described; 0 means all that remain", _BLOCK),
    reserved(1),
    field("BLOCK LENGTH", Int24ub, "bytes in a block", _BLOCK, meaning=lambda value, _: f"{value} bytes"),
)  # fmt: skip

LONG_BLOCK_DESCRIPTOR = Layout(
    "Long LBA mode parameter block descriptor", "SBC-3, long LBA mode parameter block descriptor",
    field("NUMBER OF LOGICAL BLOCKS", Int64ub, "blocks described", "SBC-3"),
    reserved(4),
    field("LOGICAL BLOCK LENGTH", Int32ub, "bytes in a block", "SBC-3", meaning=lambda value, _: f"{value} bytes"),
)  # fmt: skip


def _block_form(values: Container, _coming: Any) -> Construct:
    return LONG_BLOCK_DESCRIPTOR if values.get("LONGLBA") else BLOCK_DESCRIPTOR


_BLOCKS = field(
    "Block descriptors", Bounded(lambda c: c["BLOCK DESCRIPTOR LENGTH"], Series(Choice(_block_form))),
    "block sizes and counts", _BLOCK,
)  # fmt: skip


def _device_specific() -> tuple[Part, ...]:
    return (
        part("WP", 1, "write protect, for a disk", "SBC-3, DEVICE-SPECIFIC PARAMETER field",
             meaning={0: "not write protected", 1: "write protected"}),
        spare(2),
        part("DPOFUA", 1, "the DPO and FUA bits are supported", "SBC-3, DEVICE-SPECIFIC PARAMETER field"),
        spare(4),
    )  # fmt: skip


HEADER_6 = (
    field("MODE DATA LENGTH", Int8ub, "bytes that follow; reserved in MODE SELECT", "SPC-3 7.4.3"),
    field("MEDIUM TYPE", Int8ub, "depends on the device type; zero for a disk", "SPC-3 7.4.3"),
    bits(1, *_device_specific(), name="DEVICE-SPECIFIC PARAMETER", text="meaning depends on the device type"),
    field("BLOCK DESCRIPTOR LENGTH", Int8ub, "bytes of block descriptors that follow", "SPC-3 7.4.3"),
    _BLOCKS,
)
"""Mode parameter header(6) and block descriptors; pages follow."""

HEADER_10 = (
    field("MODE DATA LENGTH", Int16ub, "bytes that follow; reserved in MODE SELECT", "SPC-3 7.4.3"),
    field("MEDIUM TYPE", Int8ub, "depends on the device type; zero for a disk", "SPC-3 7.4.3"),
    bits(1, *_device_specific(), name="DEVICE-SPECIFIC PARAMETER", text="meaning depends on the device type"),
    bits(1, spare(7), part("LONGLBA", 1, "block descriptors have the long form", "SPC-3 7.4.3")),
    reserved(1),
    field("BLOCK DESCRIPTOR LENGTH", Int16ub, "bytes of block descriptors that follow", "SPC-3 7.4.3"),
    _BLOCKS,
)
"""Mode parameter header(10) and block descriptors; pages follow."""


def _pages(header: int) -> Bounded:
    """The chain as long as MODE DATA LENGTH says; ``header`` is what that length counts besides blocks and pages."""
    return Bounded(lambda c: c["MODE DATA LENGTH"] - header - c["BLOCK DESCRIPTOR LENGTH"], PAGE_CHAIN)


SENSE_DATA_6 = Layout(
    "MODE SENSE(6) data", "SPC-3 7.4.2", *HEADER_6, field("Mode pages", _pages(3), "one after the other", _PAGE)
)
SENSE_DATA_10 = Layout(
    "MODE SENSE(10) data", "SPC-3 7.4.2", *HEADER_10, field("Mode pages", _pages(6), "one after the other", _PAGE)
)
