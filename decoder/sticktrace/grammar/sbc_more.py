"""Further block commands and their parameter data (SBC-3; SBC-2 where a field became obsolete).

The block device pages of INQUIRY are in `block_vpd`; importing this module adds them to `vpd.VPD_PAGES`. Clauses
without a number name the command in that document.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Int32ub, Int64ub

from sticktrace.grammar import block_vpd, vpd
from sticktrace.grammar.cdb import action, address, allocation, cdb, flags, group, number, parameters
from sticktrace.grammar.choice import RAW
from sticktrace.grammar.command import IN, NO_DATA, NONE, OUT, Command, DataPhase, Values
from sticktrace.grammar.layout import Bits, Bounded, Layout, Part, Series, bits, field, part, reserved, spare
from sticktrace.grammar.sbc import verify_data

LBA = "LOGICAL BLOCK ADDRESS"
BLOCKS = "NUMBER OF LOGICAL BLOCKS"

_BYTCHK = {
    0: "the medium is checked by itself",
    1: "compared with the data sent",
    3: "each block compared with the one block sent",
}


def _protect(name: str, *last: Part) -> Bits:
    return bits(1, part(name, 3, "handling of protection information"), *last)


def _transfer(name: str) -> Bits:
    return _protect(
        name,
        part("DPO", 1, "no need to keep the data in the cache"),
        spare(1),
        part("BYTCHK", 2, "what is verified", meaning=_BYTCHK),
        spare(1),
    )


def _after(name: str, size: int, text: str, opcode_group: int) -> tuple[Construct, ...]:
    """LBA, count and GROUP NUMBER in the order of the 10-, 12- and 16-byte groups."""
    count = number(name, size, text)
    if opcode_group == 10:
        return address(4), group(), count
    return address(4 if opcode_group == 12 else 8), count, group()


def _verify(opcode: int, name: str, size: int) -> Command:
    count = "VERIFICATION LENGTH"
    fields = _after(count, 2 if size == 10 else 4, "blocks to verify", size)
    layout = cdb(opcode, name, f"SBC-3, {name} command", _transfer("VRPROTECT"), *fields)
    return Command(opcode, name, layout, layout.clause, direction=verify_data, lba=LBA, blocks=count)


def _write_and_verify(opcode: int, name: str, size: int) -> Command:
    fields = _after("TRANSFER LENGTH", 2 if size == 10 else 4, "blocks to write and verify", size)
    layout = cdb(opcode, name, f"SBC-3, {name} command", _transfer("WRPROTECT"), *fields)
    return Command(
        opcode, name, layout, layout.clause, direction=OUT, lba=LBA, blocks="TRANSFER LENGTH", medium="write"
    )


def _pattern(values: Values) -> DataPhase:
    """WRITE SAME sends one block, however many are filled with it; none with NDOB."""
    return NO_DATA if values.get("NDOB") else DataPhase(OUT, 1)


def _write_same(opcode: int, name: str, size: int) -> Command:
    fields = _after(BLOCKS, 2 if size == 10 else 4, "blocks to fill; 0 means to the end unless WSNZ is 1", size)
    last = spare(1) if size == 10 else part("NDOB", 1, "no data is sent: zeros are written")
    first = _protect(
        "WRPROTECT",
        part("ANCHOR", 1, "unmapped blocks stay anchored"),
        part("UNMAP", 1, "blocks may be unmapped instead of written"),
        spare(2),
        last,
    )
    layout = cdb(opcode, name, f"SBC-3, {name} command", first, *fields)
    return Command(opcode, name, layout, layout.clause, direction=_pattern, lba=LBA, blocks=BLOCKS)


def _immediate(opcode: int, name: str, size: int, count: str, text: str, *others: tuple[int, str, str]) -> Command:
    first = flags(*others, (1, "IMMED", "status comes before the work is done"))
    fields = _after(count, 2 if size == 10 else 4, text, size)
    layout = cdb(opcode, name, f"SBC-3, {name} command", first, *fields)
    return Command(opcode, name, layout, layout.clause, direction=NONE, lba=LBA, blocks=count)


# -- UNMAP ---------------------------------------------------------------------------------------------------------

UNMAP_BLOCK_DESCRIPTOR = Layout(
    "UNMAP block descriptor",
    "SBC-3, UNMAP parameter list",
    number("UNMAP LOGICAL BLOCK ADDRESS", 8, "first block to unmap"),
    number(BLOCKS, 4, "blocks to unmap"),
    reserved(4),
)

UNMAP_PARAMETERS = Layout(
    "UNMAP parameter list",
    "SBC-3, UNMAP parameter list",
    number("UNMAP DATA LENGTH", 2, "bytes that follow this field"),
    number("UNMAP BLOCK DESCRIPTOR DATA LENGTH", 2, "bytes of descriptors"),
    reserved(4),
    field(
        "descriptors",
        Bounded(lambda c: c["UNMAP BLOCK DESCRIPTOR DATA LENGTH"], Series(UNMAP_BLOCK_DESCRIPTOR)),
        "one per range",
    ),
)

_UNMAP = cdb(
    0x42, "UNMAP", "SBC-3, UNMAP command",
    flags((0, "ANCHOR", "unmapped blocks stay anchored")), reserved(4), group(), parameters(2),
)  # fmt: skip

# -- GET LBA STATUS ------------------------------------------------------------------------------------------------

_RUN_STATES = {0: "mapped or unknown", 1: "deallocated", 2: "anchored"}

LBA_STATUS_DESCRIPTOR = Layout(
    "LBA status descriptor",
    "SBC-3, GET LBA STATUS parameter data",
    number(LBA, 8, "first block of the run"),
    number(BLOCKS, 4, "blocks of the run"),
    bits(1, spare(4), part("PROVISIONING STATUS", 4, "state of the run", meaning=_RUN_STATES)),
    reserved(3),
)

LBA_STATUS = Layout(
    "GET LBA STATUS parameter data",
    "SBC-3, GET LBA STATUS parameter data",
    number("PARAMETER DATA LENGTH", 4, "bytes that follow this field"),
    reserved(4),
    field(
        "descriptors",
        Bounded(lambda c: c["PARAMETER DATA LENGTH"] - 4, Series(LBA_STATUS_DESCRIPTOR)),
        "one per run of blocks",
    ),
)

_GET_LBA_STATUS = cdb(
    0x9E, "GET LBA STATUS", "SBC-3, GET LBA STATUS command",
    action(0x12, "GET LBA STATUS"),
    address(8, "STARTING LOGICAL BLOCK ADDRESS"),
    allocation(4),
    reserved(1),
)  # fmt: skip

# -- READ DEFECT DATA ----------------------------------------------------------------------------------------------

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


def _defect_list(form: int) -> Layout:
    item = _DEFECT_ITEMS.get(form)
    return Layout(
        "READ DEFECT DATA(10) parameter data", "SBC-3, READ DEFECT DATA (10) command",
        reserved(1),
        bits(1, spare(3), part("PLISTV", 1, "holds the primary list"), part("GLISTV", 1, "holds the grown list"),
             _format_part()),
        number("DEFECT LIST LENGTH", 2, "bytes of descriptors"),
        field(
            "defects",
            Bounded(lambda c: c["DEFECT LIST LENGTH"], RAW if item is None else Series(item)),
            "one address per defect",
        ),
    )  # fmt: skip


DEFECT_LISTS: dict[int, Layout] = {form: _defect_list(form) for form in DEFECT_FORMATS}
"""READ DEFECT DATA(10) data by the DEFECT LIST FORMAT that the device chose."""


def defect_list(_cdb: Mapping[str, Any], data: bytes) -> Layout | None:
    """The layout of READ DEFECT DATA(10) data; the device, not the CDB, has the last word on the format."""
    return DEFECT_LISTS.get(data[1] & 7) if len(data) > 1 else DEFECT_LISTS[0]


_READ_DEFECT_DATA = cdb(
    0x37, "READ DEFECT DATA(10)", "SBC-3, READ DEFECT DATA (10) command",
    reserved(1),
    bits(1, spare(3), part("REQ_PLIST", 1, "primary list wanted"), part("REQ_GLIST", 1, "grown list wanted"),
         _format_part()),
    reserved(4),
    allocation(2),
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


# -- seeking -------------------------------------------------------------------------------------------------------

_SEEK_6 = cdb(
    0x0B, "SEEK(6)", "SCSI-2, SEEK command",
    bits(3, spare(3), part(LBA, 21, "block to seek to")), reserved(1),
)  # fmt: skip
_SEEK_10 = cdb(0x2B, "SEEK(10)", "SBC-2, SEEK (10) command", reserved(1), address(4), reserved(3))
_REZERO_UNIT = cdb(0x01, "REZERO UNIT", "SCSI-2, REZERO UNIT command", reserved(4))

vpd.VPD_PAGES.update(block_vpd.BLOCK_VPD_PAGES)

COMMANDS: tuple[Command, ...] = (
    Command(0x01, "REZERO UNIT", _REZERO_UNIT, _REZERO_UNIT.clause, direction=NONE),
    Command(0x04, "FORMAT UNIT", _FORMAT_UNIT, _FORMAT_UNIT.clause, direction=_format_data, data_out=format_list),
    # The length of the defect list stands in the list itself.
    Command(
        0x07, "REASSIGN BLOCKS", _REASSIGN_BLOCKS, _REASSIGN_BLOCKS.clause, direction=OUT, data_out=_reassign_list
    ),
    Command(0x0B, "SEEK(6)", _SEEK_6, _SEEK_6.clause, direction=NONE, lba=LBA),
    Command(0x2B, "SEEK(10)", _SEEK_10, _SEEK_10.clause, direction=NONE, lba=LBA),
    _write_and_verify(0x2E, "WRITE AND VERIFY(10)", 10),
    _write_and_verify(0xAE, "WRITE AND VERIFY(12)", 12),
    _write_and_verify(0x8E, "WRITE AND VERIFY(16)", 16),
    _verify(0xAF, "VERIFY(12)", 12),
    _verify(0x8F, "VERIFY(16)", 16),
    _immediate(0x34, "PRE-FETCH(10)", 10, "PREFETCH LENGTH", "blocks to fetch; 0 means to the end"),
    _immediate(0x90, "PRE-FETCH(16)", 16, "PREFETCH LENGTH", "blocks to fetch; 0 means to the end"),
    _immediate(
        0x91, "SYNCHRONIZE CACHE(16)", 16, BLOCKS, "blocks to write out; 0 means to the end",
        (2, "SYNC_NV", "obsolete: non-volatile cache is enough"),
    ),
    Command(
        0x37, "READ DEFECT DATA(10)", _READ_DEFECT_DATA, _READ_DEFECT_DATA.clause,
        direction=IN, data_in=defect_list, length="ALLOCATION LENGTH",
    ),
    _write_same(0x41, "WRITE SAME(10)", 10),
    _write_same(0x93, "WRITE SAME(16)", 16),
    Command(
        0x42, "UNMAP", _UNMAP, _UNMAP.clause, direction=OUT, data_out=UNMAP_PARAMETERS, length="PARAMETER LIST LENGTH"
    ),
    Command(
        0x9E, "GET LBA STATUS", _GET_LBA_STATUS, _GET_LBA_STATUS.clause, service_action=0x12,
        direction=IN, data_in=LBA_STATUS,
        lba="STARTING LOGICAL BLOCK ADDRESS", length="ALLOCATION LENGTH",
    ),
)  # fmt: skip
"""The commands of this module."""
