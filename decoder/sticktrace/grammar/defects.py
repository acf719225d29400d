"""Defects and formatting of block devices (SBC-3): READ DEFECT DATA, REASSIGN BLOCKS, FORMAT UNIT and their data.

Clauses name the command in that document.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from construct import Construct, Int32ub, Int64ub

from sticktrace.grammar.cdb import allocation, cdb, flags, number
from sticktrace.grammar.choice import RAW
from sticktrace.grammar.command import IN, NO_DATA, OUT, Command, DataPhase, Values
from sticktrace.grammar.layout import Bits, Bounded, Layout, Part, Series, bits, field, part, reserved, spare

DEFECT_FORMATS = {
    0: "short block format",
    3: "long block format",
    4: "bytes from index format",
    5: "physical sector format",
    6: "vendor specific",
}
"""DEFECT LIST FORMAT values (SBC-3, address descriptors)."""


def _format_part() -> Part:
    return part("DEFECT LIST FORMAT", 3, "how defects are addressed", meaning=DEFECT_FORMATS)


def _defect(name: str, last: str) -> Layout:
    return Layout(
        f"{name} address descriptor", "SBC-3, address descriptors",
        number("CYLINDER NUMBER", 3, "cylinder"), number("HEAD NUMBER", 1, "head"),
        number(last, 4, "place on the track"),
    )  # fmt: skip


_DEFECT_ITEMS: dict[int, Construct] = {
    0: Int32ub,
    3: Int64ub,
    4: _defect("bytes from index", "BYTES FROM INDEX"),
    5: _defect("physical sector", "SECTOR NUMBER"),
}


def _defect_list(size: int, form: int) -> Layout:
    item = _DEFECT_ITEMS.get(form)
    generation = (number("GENERATION CODE", 2, "counts changes of the list; 0 where not told"),) if size == 12 else ()
    return Layout(
        f"READ DEFECT DATA({size}) parameter data", f"SBC-3, READ DEFECT DATA({size}) command",
        reserved(1),
        bits(1, spare(3), part("PLISTV", 1, "holds the primary list"), part("GLISTV", 1, "holds the grown list"),
             _format_part()),
        *generation,
        number("DEFECT LIST LENGTH", 4 if size == 12 else 2, "bytes of descriptors"),
        field(
            "defects",
            Bounded(lambda c: c["DEFECT LIST LENGTH"], RAW if item is None else Series(item)),
            "one address per defect",
        ),
    )  # fmt: skip


DEFECT_LISTS: dict[tuple[int, int], Layout] = {
    (size, form): _defect_list(size, form) for size in (10, 12) for form in DEFECT_FORMATS
}
"""READ DEFECT DATA(10) and (12) data by the DEFECT LIST FORMAT that the device chose."""


def _list_of(size: int) -> Callable[[Mapping[str, Any], bytes], Layout | None]:
    """The layout of READ DEFECT DATA data; the device, not the CDB, has the last word on the format."""
    return lambda _values, data: DEFECT_LISTS.get((size, data[1] & 7 if len(data) > 1 else 0))


def _wanted() -> Bits:
    return bits(1, spare(3), part("REQ_PLIST", 1, "primary list wanted"), part("REQ_GLIST", 1, "grown list wanted"),
                _format_part())  # fmt: skip


_READ_DEFECT_DATA_10 = cdb(
    0x37, "READ DEFECT DATA(10)", "SBC-3, READ DEFECT DATA(10) command",
    reserved(1), _wanted(), reserved(4), allocation(2),
)  # fmt: skip
_READ_DEFECT_DATA_12 = cdb(
    0xB7, "READ DEFECT DATA(12)", "SBC-3, READ DEFECT DATA(12) command",
    _wanted(), number("ADDRESS DESCRIPTOR INDEX", 4, "first descriptor wanted"), allocation(4), reserved(1),
)  # fmt: skip

# -- FORMAT UNIT, REASSIGN BLOCKS ----------------------------------------------------------------------------------

_FORMAT_FLAGS: tuple[Construct, ...] = (
    bits(1, spare(5), part("PROTECTION FIELD USAGE", 3, "which type of protection information")),
    flags(
        (7, "FOV", "the bits below are meant, not defaults"),
        (6, "DPRY", "leave out the primary list"),
        (5, "DCRT", "do not certify"),
        (4, "STPF", "stop where a list cannot be read"),
        (3, "IP", "an initialization pattern follows"),
        (1, "IMMED", "status comes before the work is done"),
        (0, "VENDOR SPECIFIC", "side of the medium in UFI"),
    ),
)

FORMAT_SHORT = Layout(
    "FORMAT UNIT short parameter list",
    "SBC-3, FORMAT UNIT parameter list",
    *_FORMAT_FLAGS,
    number("DEFECT LIST LENGTH", 2, "bytes of descriptors"),
    field("descriptors", RAW, "initialization pattern and defect list, or an MMC or UFI format descriptor"),
)

FORMAT_LONG = Layout(
    "FORMAT UNIT long parameter list",
    "SBC-3, FORMAT UNIT parameter list",
    *_FORMAT_FLAGS,
    reserved(1),
    bits(1, part("P_I_INFORMATION", 4, "reserved"), part("PROTECTION INTERVAL EXPONENT", 4, "intervals per block")),
    number("DEFECT LIST LENGTH", 4, "bytes of descriptors"),
    field("descriptors", RAW, "initialization pattern and defect list"),
)


def format_list(values: Mapping[str, Any], _data: bytes) -> Layout:
    """The FORMAT UNIT parameter list that the CDB announces: long header where LONGLIST is 1."""
    return FORMAT_LONG if values.get("LONGLIST") else FORMAT_SHORT


_FORMAT_UNIT = cdb(
    0x04, "FORMAT UNIT", "SBC-3, FORMAT UNIT command",
    bits(
        1, part("FMTPINFO", 2, "format with protection information"), part("LONGLIST", 1, "long parameter list header"),
        part("FMTDATA", 1, "a parameter list is sent"), part("CMPLST", 1, "the list sent is the whole list"),
        _format_part(),
    ),
    number("VENDOR SPECIFIC", 1, "vendor specific"),
    number("INTERLEAVE", 2, "obsolete"),
)  # fmt: skip


def _format_data(values: Values) -> DataPhase:
    """FORMAT UNIT sends a list where FMTDATA is 1; how long it is stands only in the list."""
    return DataPhase(OUT, bytes=None) if values["FMTDATA"] else NO_DATA


_REASSIGN_BLOCKS = cdb(
    0x07, "REASSIGN BLOCKS", "SBC-3, REASSIGN BLOCKS command",
    flags((1, "LONGLBA", "addresses of 8 bytes"), (0, "LONGLIST", "list length of 4 bytes")),
    reserved(3),
)  # fmt: skip


def _reassign(wide_list: bool, wide_address: bool) -> Layout:
    length = "DEFECT LIST LENGTH"
    head = (number(length, 4, "bytes"),) if wide_list else (reserved(2), number(length, 2, "bytes of addresses"))
    return Layout(
        "REASSIGN BLOCKS defect list", "SBC-3, REASSIGN BLOCKS command",
        *head,
        field(
            "defects",
            Bounded(lambda c: c[length], Series(Int64ub if wide_address else Int32ub)),
            "addresses to move elsewhere",
        ),
    )  # fmt: skip


REASSIGN_LISTS: dict[tuple[int, int], Layout] = {
    (wide_list, wide_address): _reassign(bool(wide_list), bool(wide_address))
    for wide_list in (0, 1)
    for wide_address in (0, 1)
}
"""REASSIGN BLOCKS parameter lists by (LONGLIST, LONGLBA)."""


def _reassign_list(values: Mapping[str, Any], _data: bytes) -> Layout:
    return REASSIGN_LISTS[values.get("LONGLIST", 0), values.get("LONGLBA", 0)]


COMMANDS: tuple[Command, ...] = (
    Command(0x04, "FORMAT UNIT", _FORMAT_UNIT, _FORMAT_UNIT.clause, direction=_format_data, data_out=format_list),
    # The length of the defect list stands in the list itself.
    Command(
        0x07, "REASSIGN BLOCKS", _REASSIGN_BLOCKS, _REASSIGN_BLOCKS.clause, direction=OUT, data_out=_reassign_list
    ),
    Command(
        0x37, "READ DEFECT DATA(10)", _READ_DEFECT_DATA_10, _READ_DEFECT_DATA_10.clause,
        direction=IN, data_in=_list_of(10), length="ALLOCATION LENGTH",
    ),
    Command(
        0xB7, "READ DEFECT DATA(12)", _READ_DEFECT_DATA_12, _READ_DEFECT_DATA_12.clause,
        direction=IN, data_in=_list_of(12), length="ALLOCATION LENGTH",
    ),
)  # fmt: skip
"""The commands of this module."""
