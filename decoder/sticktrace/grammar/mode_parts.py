"""What all mode pages share: their names, and the bytes that open them (SPC-4, mode page format)."""

from __future__ import annotations

from typing import Any

from construct import Construct, Int8ub, Int16ub

from sticktrace.grammar.layout import Layout, bits, field, part

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


def head(code: int, length: int) -> tuple[Construct, ...]:
    """The two bytes that open a mode page."""
    return (
        bits(
            1,
            part("PS", 1, "the device can save this page"),
            part("SPF", 1, "a subpage code follows", "SPC-4, mode page format"),
            part("PAGE CODE", 6, "which page", "SPC-4, mode page format", meaning=PAGE_NAMES, default=code),
        ),
        field("PAGE LENGTH", Int8ub, "bytes that follow this one", default=length),
    )


def page(code: int, length: int, name: str, clause: str, *fields: Construct) -> Layout:
    """A mode page of that PAGE LENGTH, its two first bytes included."""
    return Layout(f"{name} mode page", clause, *head(code, length), *fields)


def subpage(code: int, subcode: int, length: int, name: str, clause: str, *fields: Construct) -> Layout:
    """A mode subpage of that PAGE LENGTH, its four first bytes included."""
    return Layout(
        f"{name} mode page", clause,
        bits(
            1,
            part("PS", 1, "the device can save this page"),
            part("SPF", 1, "a subpage code follows", "SPC-4, mode page format", default=1),
            part("PAGE CODE", 6, "which page", "SPC-4, mode page format", meaning=PAGE_NAMES, default=code),
        ),
        field("SUBPAGE CODE", Int8ub, "which subpage", default=subcode),
        field("PAGE LENGTH", Int16ub, "bytes that follow this one", default=length),
        *fields,
    )  # fmt: skip


def tenths(value: Any, _seen: Any) -> str:
    """A time that is counted in tenths of a second."""
    return f"{value / 10:g} s" if value else ""
