"""UFI 1.0 command blocks: floppy drives and the sticks that speak like one (interface subclass 04h).

Every command block has 12 bytes, the logical unit number in byte 1 bits 7-5, and no CONTROL byte. CBI carries them in
the ADSC class request, Bulk-Only Transport in CBWCB. Field names are spelt as UFI 1.0 prints them. `UFI_COMMANDS`
stands apart from the main vocabulary: the same opcodes there follow SPC and SBC.
"""

from __future__ import annotations

from construct import Construct, Int8ub, Int16ub, Int32ub

from sticktrace.grammar.cdb import cdb
from sticktrace.grammar.command import IN, NONE, OUT, Command, DataPhase, DataRule, Direction, Values
from sticktrace.grammar.layout import Bits, Field, Layout, Part, bits, field, part, reserved, spare

UFI = "UFI 1.0"
LBA, LENGTH = "Logical Block Address", "Transfer Length"


def _unit(*low: Part) -> Bits:
    """Byte 1: Logical Unit Number in bits 7-5, and the five bits below."""
    return bits(1, part("Logical Unit Number", 3, "which logical unit", UFI), *(low or (spare(5),)))


_ZERO = "zero in UFI"


def _flag(name: str, text: str) -> Part:
    meaning = {0: "zero, as UFI has it", 1: "one, where UFI has zero"} if text == _ZERO else None
    return part(name, 1, text, UFI, meaning=meaning)


def _lba() -> Field:
    return field(LBA, Int32ub, "first block", UFI)


def _allocation(size: int) -> Field:
    text = "at most this many bytes are wanted back"
    return field("Allocation Length", Int8ub if size == 1 else Int16ub, text, UFI)


def _length(size: int) -> Field:
    return field(LENGTH, Int16ub if size == 2 else Int32ub, "blocks to move", UFI)


def _parameters() -> Field:
    return field("Parameter List Length", Int16ub, "bytes of parameter data sent", UFI)


def _ufi(opcode: int, name: str, *fields: Construct) -> Layout:
    return cdb(opcode, name, f"{UFI}, {name} command", *fields, control=False)


def _transfer(opcode: int, name: str, *low: Part) -> Layout:
    return _ufi(opcode, name, _unit(*low), _lba(), reserved(1), _length(2), reserved(3))


def _long(opcode: int, name: str) -> Layout:
    return _ufi(opcode, name, _cached(), _lba(), _length(4), reserved(2))


def _cache_parts() -> tuple[Part, ...]:
    return (
        _flag("DPO", "no need to keep the data"),
        _flag("FUA", "to the medium, not to a cache"),
        spare(2),
        _flag("RelAdr", _ZERO),
    )


def _cached() -> Bits:
    return _unit(*_cache_parts())


def _check_parts() -> tuple[Part, ...]:
    return (_flag("DPO", _ZERO), spare(2), _flag("ByteChk", _ZERO), _flag("RelAdr", _ZERO))


_FORMAT = _ufi(
    0x04,
    "FORMAT UNIT",
    _unit(
        _flag("FmtData", "a parameter list is sent"),
        _flag("CmpList", _ZERO),
        part("Defect List Format", 3, "7 in UFI", UFI),
    ),
    field("Track Number", Int8ub, "which track, where a single one is formatted", UFI),
    field("Interleave", Int16ub, "order of the sectors", UFI),
    reserved(2),
    _parameters(),
    reserved(3),
)
_INQUIRY = _ufi(
    0x12,
    "INQUIRY",
    _unit(spare(4), _flag("EVPD", _ZERO)),
    field("Page Code", Int8ub, "zero in UFI", UFI),
    reserved(1),
    _allocation(1),
    reserved(7),
)
_START_STOP = _ufi(
    0x1B,
    "START STOP UNIT",
    _unit(spare(4), _flag("Immed", "status comes at once")),
    reserved(2),
    bits(
        1,
        spare(6),
        _flag("LoEj", "eject or load"),
        part("Start", 1, "start or stop", UFI, meaning={0: "stop", 1: "start"}),
    ),
    reserved(7),
)
_SEND_DIAGNOSTIC = _ufi(
    0x1D,
    "SEND DIAGNOSTIC",
    _unit(
        _flag("PF", "page format"),
        spare(1),
        _flag("SelfTest", "run the default test"),
        _flag("DevOfl", "the device may go off line"),
        _flag("UnitOfl", "the unit may go off line"),
    ),
    reserved(10),
)
_PREVENT = _ufi(
    0x1E,
    "PREVENT-ALLOW MEDIUM REMOVAL",
    _unit(),
    reserved(2),
    bits(1, spare(7), _flag("Prevent", "lock the medium in")),
    reserved(7),
)
_FORMAT_CAPACITIES = _ufi(0x23, "READ FORMAT CAPACITIES", _unit(), reserved(5), _allocation(2), reserved(3))
_CAPACITY = _ufi(
    0x25,
    "READ CAPACITY",
    _unit(spare(4), _flag("RelAdr", _ZERO)),
    _lba(),
    reserved(2),
    bits(1, spare(7), _flag("PMI", _ZERO)),
    reserved(3),
)
_MODE_SELECT = _ufi(
    0x55,
    "MODE SELECT",
    _unit(
        part("PF", 1, "page format", UFI, meaning={0: "zero, where UFI has one", 1: "one, as UFI has it"}),
        spare(3),
        _flag("SP", "save the pages"),
    ),
    reserved(5),
    _parameters(),
    reserved(3),
)
_MODE_SENSE = _ufi(
    0x5A,
    "MODE SENSE",
    _unit(spare(1), _flag("DBD", "no block descriptors"), spare(3)),
    bits(1, part("PC", 2, "which values", UFI), part("Page Code", 6, "which page; 3Fh for all", UFI)),
    reserved(4),
    _allocation(2),
    reserved(3),
)


def _row(
    layout: Layout, opcode: int, direction: Direction | DataRule, *, lba: str = "", blocks: str = "", length: str = "",
    medium: str = "",
) -> Command:  # fmt: skip
    name = layout.title.removesuffix(" CDB")
    return Command(
        opcode, name, layout, layout.clause, direction=direction, lba=lba, blocks=blocks, length=length, medium=medium
    )


def _eight_bytes(_values: Values) -> DataPhase:
    """READ CAPACITY has no allocation length: the answer has 8 bytes, always."""
    return DataPhase(IN, bytes=8)


UFI_COMMANDS: tuple[Command, ...] = (
    _row(_ufi(0x00, "TEST UNIT READY", _unit(), reserved(10)), 0x00, NONE),
    _row(_ufi(0x01, "REZERO UNIT", _unit(), reserved(10)), 0x01, NONE),
    _row(
        _ufi(0x03, "REQUEST SENSE", _unit(), reserved(2), _allocation(1), reserved(7)),
        0x03,
        IN,
        length="Allocation Length",
    ),
    _row(_FORMAT, 0x04, OUT, length="Parameter List Length"),
    _row(_INQUIRY, 0x12, IN, length="Allocation Length"),
    _row(_START_STOP, 0x1B, NONE),
    _row(_SEND_DIAGNOSTIC, 0x1D, NONE),
    _row(_PREVENT, 0x1E, NONE),
    _row(_FORMAT_CAPACITIES, 0x23, IN, length="Allocation Length"),
    _row(_CAPACITY, 0x25, _eight_bytes, lba=LBA),
    _row(_transfer(0x28, "READ(10)", *_cache_parts()), 0x28, IN, lba=LBA, blocks=LENGTH, medium="read"),
    _row(_transfer(0x2A, "WRITE(10)", *_cache_parts()), 0x2A, OUT, lba=LBA, blocks=LENGTH, medium="write"),
    _row(_ufi(0x2B, "SEEK(10)", _unit(), _lba(), reserved(6)), 0x2B, NONE, lba=LBA),
    _row(_transfer(0x2E, "WRITE AND VERIFY", *_check_parts()), 0x2E, OUT, lba=LBA, blocks=LENGTH, medium="write"),
    _row(_transfer(0x2F, "VERIFY", *_check_parts()), 0x2F, NONE, lba=LBA, blocks=LENGTH),
    _row(_MODE_SELECT, 0x55, OUT, length="Parameter List Length"),
    _row(_MODE_SENSE, 0x5A, IN, length="Allocation Length"),
    _row(_long(0xA8, "READ(12)"), 0xA8, IN, lba=LBA, blocks=LENGTH, medium="read"),
    _row(_long(0xAA, "WRITE(12)"), 0xAA, OUT, lba=LBA, blocks=LENGTH, medium="write"),
)
"""The UFI command set; every layout has 12 bytes."""

_BY_OPCODE = {command.opcode: command for command in UFI_COMMANDS}


def find(opcode: int) -> Command | None:
    """The UFI command with this operation code."""
    return _BY_OPCODE.get(opcode)
