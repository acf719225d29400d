"""Further block commands and their parameter data (SBC-3; SBC-2 where a field became obsolete).

The block device pages of INQUIRY are in `block_vpd`, some more in `vpd_more`; importing this module adds them to
`vpd.VPD_PAGES`. Clauses without a number name the command in that document.
"""

from __future__ import annotations

from construct import Construct

from sticktrace.grammar import block_vpd, vpd, vpd_more
from sticktrace.grammar.cdb import action, address, allocation, cdb, flags, group, number, parameters
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


_COMPARE_AND_WRITE = cdb(
    0x89, "COMPARE AND WRITE", "SBC-3, COMPARE AND WRITE command",
    _protect("WRPROTECT", part("DPO", 1, "no need to keep the data in the cache"),
             part("FUA", 1, "force unit access: to the medium itself"), spare(1),
             part("FUA_NV", 1, "non-volatile cache will do"), spare(1)),
    address(8), reserved(3), number(BLOCKS, 1, "blocks to compare, and to write if all are equal"), group(),
)  # fmt: skip


def _twice(values: Values) -> DataPhase:
    """COMPARE AND WRITE sends what should be there, then what shall be there."""
    return DataPhase(OUT, 2 * values[BLOCKS]) if values[BLOCKS] else NO_DATA


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

# -- seeking -------------------------------------------------------------------------------------------------------

_SEEK_6 = cdb(
    0x0B, "SEEK(6)", "SCSI-2, SEEK command",
    bits(3, spare(3), part(LBA, 21, "block to seek to")), reserved(1),
)  # fmt: skip
_SEEK_10 = cdb(0x2B, "SEEK(10)", "SBC-2, SEEK (10) command", reserved(1), address(4), reserved(3))
_REZERO_UNIT = cdb(0x01, "REZERO UNIT", "SCSI-2, REZERO UNIT command", reserved(4))

vpd.VPD_PAGES.update(block_vpd.BLOCK_VPD_PAGES | vpd_more.MORE_VPD_PAGES)

COMMANDS: tuple[Command, ...] = (
    Command(0x01, "REZERO UNIT", _REZERO_UNIT, _REZERO_UNIT.clause, direction=NONE),
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
        0x89, "COMPARE AND WRITE", _COMPARE_AND_WRITE, _COMPARE_AND_WRITE.clause, direction=_twice, lba=LBA,
        blocks=BLOCKS,
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
