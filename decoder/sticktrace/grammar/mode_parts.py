"""What all mode pages share: their names, and the bytes that open them (SPC-4, mode page format)."""

from __future__ import annotations

from typing import Any

from construct import Construct, Int8ub, Int16ub

from sticktrace.grammar.layout import Bits, Layout, bits, field, part

PAGE_NAMES = {
    0x00: "Vendor specific",
    0x01: "Read-Write Error Recovery",
    0x02: "Disconnect-Reconnect",
    0x03: "Format Device",
    0x04: "Rigid Disk Geometry",
    0x05: "Flexible Disk or Write Parameters",
    0x06: "RBC Device Parameters",
    0x07: "Verify Error Recovery",
    0x08: "Caching",
    0x0A: "Control",
    0x0D: "CD Device Parameters",
    0x0E: "CD Audio Control",
    0x1A: "Power Condition",
    0x1B: "Removable Block Access Capabilities",
    0x1C: "Informational Exceptions Control or Timer and Protect",
    0x1D: "Timeout and Protect",
    0x2A: "MM Capabilities and Mechanical Status",
    0x3F: "all pages",
}
"""PAGE CODE values met in practice (SPC-4, SBC-3, SCSI-2, RBC, MMC-3, MMC-5, UFI 1.0)."""


_FORMAT = "SPC-4, mode page format"


def _first(code: int, subpage: int, name: str) -> Bits:
    return bits(
        1, part("PS", 1, "the device can save this page", _FORMAT),
        part("SPF", 1, "a subpage code follows", _FORMAT, default=subpage),
        part("PAGE CODE", 6, "which page", _FORMAT, meaning={code: name}, default=code),
    )  # fmt: skip


def head(code: int, length: int, name: str) -> tuple[Construct, ...]:
    """The two bytes that open a mode page of that name."""
    return (_first(code, 0, name), field("PAGE LENGTH", Int8ub, "bytes that follow this one", default=length))


def page(code: int, length: int, name: str, clause: str, *fields: Construct) -> Layout:
    """A mode page of that PAGE LENGTH, its two first bytes included."""
    return Layout(f"{name} mode page", clause, *head(code, length, name), *fields)


def subpage(code: int, subcode: int, length: int, name: str, clause: str, *fields: Construct) -> Layout:
    """A mode subpage of that PAGE LENGTH, its four first bytes included."""
    return Layout(
        f"{name} mode page", clause,
        _first(code, 1, name),
        field("SUBPAGE CODE", Int8ub, "which subpage", default=subcode),
        field("PAGE LENGTH", Int16ub, "bytes that follow this one", default=length),
        *fields,
    )  # fmt: skip


def tenths(value: Any, _seen: Any) -> str:
    """A time that is counted in tenths of a second."""
    return f"{value / 10:g} s" if value else ""
