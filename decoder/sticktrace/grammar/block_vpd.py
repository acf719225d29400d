"""The VPD pages of block devices (SBC-3): B0h Block Limits, B1h Block Device Characteristics, B2h Logical Block
Provisioning; and B6h Zoned Block Device Characteristics (ZBC, from memory). `sbc_more` adds them to INQUIRY's."""

from __future__ import annotations

from typing import Any

from construct import Construct, Container

from sticktrace.grammar import vpd
from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bounded, Field, Layout, bits, field, part, reserved, spare

_LIMITS_CLAUSE = "SBC-3, Block Limits VPD page"


def _limit(name: str, size: int, text: str, zero: str) -> Field:
    return number(name, size, text, _LIMITS_CLAUSE, meaning={0: zero, 0xFFFFFFFF: "no limit"})


UNMAP_LIMITS = Layout(
    "Block Limits VPD page from byte 16", _LIMITS_CLAUSE,
    number("MAXIMUM PREFETCH LENGTH", 4, "blocks", _LIMITS_CLAUSE),
    _limit("MAXIMUM UNMAP LBA COUNT", 4, "blocks in one UNMAP", "UNMAP not supported"),
    _limit("MAXIMUM UNMAP BLOCK DESCRIPTOR COUNT", 4, "ranges in one UNMAP", "UNMAP not supported"),
    _limit("OPTIMAL UNMAP GRANULARITY", 4, "blocks", "not reported"),
    bits(4, part("UGAVALID", 1, "the alignment is valid"), part("UNMAP GRANULARITY ALIGNMENT", 31, "blocks")),
    _limit("MAXIMUM WRITE SAME LENGTH", 8, "blocks", "no limit reported"),
    reserved(20),
)  # fmt: skip


def _limits_tail(values: Container, _coming: Any) -> Construct:
    """Bytes 16 to 63 of SBC-3; SBC-2 printed a shorter page."""
    return UNMAP_LIMITS if values["PAGE LENGTH"] >= 0x3C else RAW


BLOCK_LIMITS = Layout(
    "Block Limits VPD page", _LIMITS_CLAUSE,
    *vpd.header(0xB0),
    flags((0, "WSNZ", "WRITE SAME with 0 blocks is refused")),
    _limit("MAXIMUM COMPARE AND WRITE LENGTH", 1, "blocks", "COMPARE AND WRITE not supported"),
    _limit("OPTIMAL TRANSFER LENGTH GRANULARITY", 2, "blocks", "not reported"),
    _limit("MAXIMUM TRANSFER LENGTH", 4, "blocks in one command", "no limit reported"),
    _limit("OPTIMAL TRANSFER LENGTH", 4, "blocks", "not reported"),
    field("From byte 16", Bounded(lambda c: c["PAGE LENGTH"] - 12, Choice(_limits_tail)), "later fields of the page"),
)  # fmt: skip


def _rotation(value: Any, _seen: Any) -> str:
    if value in (0, 1):
        return ("not reported", "non-rotating medium")[value]
    return f"{value} revolutions per minute" if 0x0401 <= value <= 0xFFFE else "reserved"


_FORM_FACTORS = {0: "not reported", 1: "5.25 inch", 2: "3.5 inch", 3: "2.5 inch", 4: "1.8 inch", 5: "under 1.8 inch"}

_AFTER_ERASE = {0: "not specified"}

BLOCK_CHARACTERISTICS = Layout(
    "Block Device Characteristics VPD page", "SBC-3, Block Device Characteristics VPD page",
    *vpd.header(0xB1),
    number("MEDIUM ROTATION RATE", 2, "how fast the medium turns", meaning=_rotation),
    number("PRODUCT TYPE", 1, "reserved before SBC-4"),
    bits(
        1, part("WABEREQ", 2, "write after block erase required: before a block reads again", meaning=_AFTER_ERASE),
        part("WACEREQ", 2, "write after cryptographic erase required: before a block reads again",
             meaning=_AFTER_ERASE),
        part("NOMINAL FORM FACTOR", 4, "size of the device", meaning=_FORM_FACTORS),
    ),
    bits(
        1, spare(2), part("ZONED", 2, "zone capabilities; reserved before SBC-4"), spare(2),
        part("FUAB", 1, "FUA reaches non-volatile cache"),
        part("VBULS", 1, "verify byte check of unmapped LBAs supported"),
    ),
    field("From byte 9", Bounded(lambda c: c["PAGE LENGTH"] - 5, RAW), "reserved"),
)  # fmt: skip

_PROVISIONING = {0: "not reported or full", 1: "resource provisioned", 2: "thin provisioned"}

LOGICAL_BLOCK_PROVISIONING = Layout(
    "Logical Block Provisioning VPD page", "SBC-3, Logical Block Provisioning VPD page",
    *vpd.header(0xB2),
    number("THRESHOLD EXPONENT", 1, "thresholds count 2^n blocks", meaning={0: "thresholds not supported"}),
    bits(
        1, part("LBPU", 1, "UNMAP is supported"), part("LBPWS", 1, "WRITE SAME(16) can unmap"),
        part("LBPWS10", 1, "WRITE SAME(10) can unmap"), spare(2), part("LBPRZ", 1, "unmapped blocks read as zeros"),
        part("ANC_SUP", 1, "anchored blocks are supported"), part("DP", 1, "a group descriptor follows"),
    ),
    bits(1, spare(5), part("PROVISIONING TYPE", 3, "how space is handed out", meaning=_PROVISIONING)),
    reserved(1),
    field("PROVISIONING GROUP DESCRIPTOR", Bounded(lambda c: c["PAGE LENGTH"] - 4, RAW), "pool that space is from"),
)  # fmt: skip

_ZONED_CLAUSE = "ZBC, Zoned Block Device Characteristics VPD page"


def _zones(name: str, text: str) -> Field:
    return number(name, 4, text, _ZONED_CLAUSE, meaning={0: "not told", 0xFFFFFFFF: "no limit, or not told"})


ZONED_CHARACTERISTICS = Layout(
    "Zoned Block Device Characteristics VPD page", _ZONED_CLAUSE,
    *vpd.header(0xB6),
    flags((0, "URSWRZ", "reads beyond the write pointer of a sequential write required zone are allowed")),
    reserved(3),
    _zones("OPTIMAL NUMBER OF OPEN SEQUENTIAL WRITE PREFERRED ZONES", "more of them open cost speed"),
    _zones("OPTIMAL NUMBER OF NON-SEQUENTIALLY WRITTEN SEQUENTIAL WRITE PREFERRED ZONES", "more of them cost speed"),
    _zones("MAXIMUM NUMBER OF OPEN SEQUENTIAL WRITE REQUIRED ZONES", "more cannot be open"),
    field("From byte 20", Bounded(lambda c: c["PAGE LENGTH"] - 16, RAW), "reserved in ZBC"),
)  # fmt: skip

BLOCK_VPD_PAGES: dict[int, Layout] = {
    0xB0: BLOCK_LIMITS,
    0xB1: BLOCK_CHARACTERISTICS,
    0xB2: LOGICAL_BLOCK_PROVISIONING,
    0xB6: ZONED_CHARACTERISTICS,
}
"""Block device VPD pages by PAGE CODE, header included."""
