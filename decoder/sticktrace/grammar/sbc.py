"""Commands of block devices and their parameter data (SBC-3): reads, writes, capacity, start and stop, cache, verify.
READ FORMAT CAPACITIES is from MMC-5 and UFI 1.0. A clause is cited by its title, which all editions share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Int8ub, Int16ub, Int24ub, Int32ub, Int64ub

from sticktrace.grammar.cdb import action, address, allocation, cdb, group, number
from sticktrace.grammar.command import IN, NO_DATA, NONE, OUT, Command, DataPhase, Values
from sticktrace.grammar.layout import Bits, Bounded, Layout, Part, Series, bits, field, part, reserved, spare

LBA, LENGTH = "LOGICAL BLOCK ADDRESS", "TRANSFER LENGTH"


def _blocks(value: int, _seen: Mapping[str, Any]) -> str:
    return "no data" if value == 0 else f"{value} block{'s' if value > 1 else ''}"


def _blocks_6(value: int, _seen: Mapping[str, Any]) -> str:
    return "256 blocks" if value == 0 else _blocks(value, _seen)


def _flags(protect: str, clause: str) -> Bits:
    """Byte 1 of READ and WRITE from 10 bytes up."""
    rarc = part("RARC", 1, "rebuild assist recovery control: give up early", clause)
    return bits(
        1, part(protect, 3, "protection information: checked or sent", clause),
        part("DPO", 1, "not worth keeping in the cache", clause),
        part("FUA", 1, "force unit access: to or from the medium itself", clause),
        rarc if protect == "RDPROTECT" else spare(1),
        part("FUA_NV", 1, "non-volatile cache will do", clause), part("Obsolete", 1, "was relative addressing", clause),
    )  # fmt: skip


def _transfer(size: int, clause: str) -> Construct:
    return number(LENGTH, size, "blocks to transfer; 0 means none", clause, meaning=_blocks)


def _group_restricted() -> Bits:
    """The group number byte of 12- and 16-byte commands."""
    return bits(1, part("Restricted", 1, "streaming, on CD and DVD units only", "MMC-5"), spare(2),
                part("GROUP NUMBER", 5, "group under which the device counts this command"))  # fmt: skip


def _medium(opcodes: tuple[int, int, int, int], verb: str, protect: str) -> tuple[Command, ...]:
    """The four sizes of READ or WRITE."""
    names = [f"{verb}({size})" for size in (6, 10, 12, 16)]
    clauses = [f"SBC-3, {name} command" for name in names]
    layouts = (
        cdb(opcodes[0], names[0], clauses[0],
            bits(3, spare(3), part(LBA, 21, "first logical block", clauses[0])),
            field(LENGTH, Int8ub, "blocks to transfer; 0 means 256", clauses[0], meaning=_blocks_6)),
        cdb(opcodes[1], names[1], clauses[1],
            _flags(protect, clauses[1]), address(4), group(), _transfer(2, clauses[1])),
        cdb(opcodes[2], names[2], clauses[2],
            _flags(protect, clauses[2]), address(4), _transfer(4, clauses[2]), _group_restricted()),
        cdb(opcodes[3], names[3], clauses[3],
            _flags(protect, clauses[3]), address(8), _transfer(4, clauses[3]), _group_restricted()),
    )  # fmt: skip
    zero, way = (256, 0, 0, 0), IN if verb == "READ" else OUT
    return tuple(
        Command(
            opcode, name, layout, clause, direction=way, lba=LBA, blocks=LENGTH, zero_blocks=none, medium=verb.lower()
        )
        for opcode, name, layout, clause, none in zip(opcodes, names, layouts, clauses, zero, strict=True)
    )  # fmt: skip


READS = _medium((0x08, 0x28, 0xA8, 0x88), "READ", "RDPROTECT")
WRITES = _medium((0x0A, 0x2A, 0xAA, 0x8A), "WRITE", "WRPROTECT")

_CAP_10, _CAP_16 = "SBC-3, READ CAPACITY(10) command", "SBC-3, READ CAPACITY(16) command"
_PMI = part("PMI", 1, "partial medium indicator: capacity up to a delay, from the LBA given")

READ_CAPACITY_10 = cdb(
    0x25, "READ CAPACITY(10)", _CAP_10,
    bits(1, spare(7), part("Obsolete", 1, "was relative addressing", _CAP_10)),
    number(LBA, 4, "zero unless PMI is one", _CAP_10), reserved(2), bits(1, spare(7), _PMI),
)  # fmt: skip

READ_CAPACITY_16 = cdb(
    0x9E, "READ CAPACITY(16)", _CAP_16, action(0x10, "READ CAPACITY(16)"),
    number(LBA, 8, "zero unless PMI is one", _CAP_16), allocation(4), bits(1, spare(7), _PMI),
)  # fmt: skip


def _last(value: int, seen: Mapping[str, Any]) -> str:
    return "more than fits here: READ CAPACITY(16) tells" if value == 0xFFFFFFFF else _count(value, seen)


def _count(value: int, _seen: Mapping[str, Any]) -> str:
    return f"{value + 1:,} blocks"


def _in_bytes(value: int, seen: Mapping[str, Any]) -> str:
    last = seen.get("RETURNED LOGICAL BLOCK ADDRESS", 0xFFFFFFFF)
    return f"{value} bytes" if last == 0xFFFFFFFF else f"{value} bytes; {(last + 1) * value:,} bytes in all"


_RETURNED = "address of the last block, one less than their number"

CAPACITY_10 = Layout(
    "READ CAPACITY(10) data", _CAP_10,
    field("RETURNED LOGICAL BLOCK ADDRESS", Int32ub, _RETURNED, _CAP_10, meaning=_last),
    field("LOGICAL BLOCK LENGTH IN BYTES", Int32ub, "bytes in a block", _CAP_10, meaning=_in_bytes),
)  # fmt: skip


def _flag(name: str, text: str) -> Part:
    return part(name, 1, text, _CAP_16)


CAPACITY_16 = Layout(
    "READ CAPACITY(16) data", _CAP_16,
    field("RETURNED LOGICAL BLOCK ADDRESS", Int64ub, _RETURNED, _CAP_16, meaning=_count),
    field("LOGICAL BLOCK LENGTH IN BYTES", Int32ub, "bytes in a block", _CAP_16, meaning=_in_bytes),
    bits(1, spare(2), part("RC BASIS", 2, "what the address counts on zoned devices", "ZBC"),
         part("P_TYPE", 3, "protection type less one, if PROT_EN", _CAP_16),
         _flag("PROT_EN", "formatted with protection information")),
    bits(1, part("P_I_EXPONENT", 4, "protection intervals in a block, as a power of two", _CAP_16),
         part("LOGICAL BLOCKS PER PHYSICAL BLOCK EXPONENT", 4, "logical blocks in a physical one, as a power of two",
              _CAP_16, meaning=lambda value, _: f"{1 << value} to one")),
    bits(2, _flag("LBPME", "logical block provisioning: blocks can be unmapped"),
         _flag("LBPRZ", "unmapped blocks read as zeros"),
         part("LOWEST ALIGNED LOGICAL BLOCK ADDRESS", 14, "first block at the start of a physical one", _CAP_16)),
    reserved(16),
)  # fmt: skip

_FORMAT = "MMC-5, READ FORMAT CAPACITIES command; UFI 1.0 4.10"

READ_FORMAT_CAPACITIES = cdb(
    0x23, "READ FORMAT CAPACITIES", _FORMAT, reserved(6), allocation(2)
)  # fmt: skip

_DESCRIPTOR_TYPES = {
    0: "reserved", 1: "unformatted: the most that formatting can give", 2: "formatted: the capacity now",
    3: "no medium: the most that any medium can give",
}  # fmt: skip

CURRENT_CAPACITY = Layout(
    "Current/Maximum Capacity Descriptor", _FORMAT,
    field("NUMBER OF BLOCKS", Int32ub, "a count, not the last address", _FORMAT, meaning=_blocks),
    bits(1, spare(6), part("DESCRIPTOR TYPE", 2, "what the count means", _FORMAT, meaning=_DESCRIPTOR_TYPES)),
    field("BLOCK LENGTH", Int24ub, "bytes in a block", _FORMAT),
)  # fmt: skip

FORMATTABLE_CAPACITY = Layout(
    "Formattable Capacity Descriptor", _FORMAT,
    field("NUMBER OF BLOCKS", Int32ub, "a count that formatting can give", _FORMAT, meaning=_blocks),
    bits(1, part("FORMAT TYPE", 6, "which formatting gives it; zero in UFI", _FORMAT), spare(2)),
    field("BLOCK LENGTH", Int24ub, "bytes in a block; depends on the type in MMC", _FORMAT),
)  # fmt: skip

FORMAT_CAPACITIES = Layout(
    "READ FORMAT CAPACITIES data", _FORMAT,
    reserved(3),
    field("CAPACITY LIST LENGTH", Int8ub, "bytes that follow, 8 for each descriptor", _FORMAT),
    field("Current/Maximum Capacity Descriptor", CURRENT_CAPACITY, "always there", _FORMAT),
    field("Formattable Capacity Descriptors",
          Bounded(lambda c: c["CAPACITY LIST LENGTH"] - 8, Series(FORMATTABLE_CAPACITY)), "as many as fit", _FORMAT),
)  # fmt: skip

_START = "SBC-3, START STOP UNIT command"
_POWER = {
    0: "START and LOEJ decide", 1: "active", 2: "idle", 3: "standby", 5: "obsolete (sleep)", 7: "device decides",
    10: "idle timer set to zero", 11: "standby timer set to zero",
}  # fmt: skip


def _start(value: int, seen: Mapping[str, Any]) -> str:
    if seen.get("POWER CONDITION"):
        return ""
    if seen.get("LOEJ"):
        return "load the medium" if value else "eject the medium"
    return "start: make ready" if value else "stop"


START_STOP_UNIT = cdb(
    0x1B, "START STOP UNIT", _START,
    bits(1, spare(7), part("IMMED", 1, "status comes at once, before the work is done", _START)), reserved(1),
    bits(1, spare(4), part("POWER CONDITION MODIFIER", 4, "refines the power condition", _START)),
    bits(1, part("POWER CONDITION", 4, "state to go to", _START, meaning=_POWER), spare(1),
         part("NO_FLUSH", 1, "leave the write cache as it is", _START),
         part("LOEJ", 1, "load or eject the medium", _START),
         part("START", 1, "start or stop", _START, meaning=_start)),
)  # fmt: skip

_SYNC = "SBC-3, SYNCHRONIZE CACHE(10) command"

SYNCHRONIZE_CACHE_10 = cdb(
    0x35, "SYNCHRONIZE CACHE(10)", _SYNC,
    bits(1, spare(5), part("SYNC_NV", 1, "non-volatile cache will do", _SYNC),
         part("IMMED", 1, "status comes at once, before the work is done", _SYNC),
         part("Obsolete", 1, "was relative addressing", _SYNC)),
    address(4), group(),
    field("NUMBER OF LOGICAL BLOCKS", Int16ub, "blocks to write out; 0 means to the last one", _SYNC,
          meaning=lambda value, seen: "to the last block" if value == 0 else _blocks(value, seen)),
)  # fmt: skip

_VERIFY = "SBC-3, VERIFY(10) command"

VERIFY_10 = cdb(
    0x2F, "VERIFY(10)", _VERIFY,
    bits(1, part("VRPROTECT", 3, "protection information: checked or sent", _VERIFY),
         part("DPO", 1, "not worth keeping in the cache", _VERIFY), spare(1),
         part("BYTCHK", 2, "compare with data sent", _VERIFY,
              meaning={0: "no data; the device checks by itself", 1: "compare with the data sent",
                       3: "compare every block with the one block sent"}),
         part("Obsolete", 1, "was relative addressing", _VERIFY)),
    address(4), _group_restricted(),
    field("VERIFICATION LENGTH", Int16ub, "blocks to verify; 0 means none", _VERIFY, meaning=_blocks),
)  # fmt: skip


def verify_data(values: Values) -> DataPhase:
    """VERIFY by BYTCHK (SBC-3): 01b sends every block to compare with, 11b one block for all; 00b sends nothing, and
    10b is reserved."""
    blocks = {1: values["VERIFICATION LENGTH"], 3: min(1, values["VERIFICATION LENGTH"])}.get(values["BYTCHK"], 0)
    return DataPhase(OUT, blocks) if blocks else NO_DATA


def eight_bytes(_values: Values) -> DataPhase:
    """READ CAPACITY(10) has no allocation length: the answer has 8 bytes, always."""
    return DataPhase(IN, bytes=8)


COMMANDS: tuple[Command, ...] = (
    *READS,
    *WRITES,
    Command(0x1B, "START STOP UNIT", START_STOP_UNIT, _START, direction=NONE),
    Command(0x23, "READ FORMAT CAPACITIES", READ_FORMAT_CAPACITIES, _FORMAT, direction=IN, length="ALLOCATION LENGTH",
            data_in=FORMAT_CAPACITIES),
    Command(0x25, "READ CAPACITY(10)", READ_CAPACITY_10, _CAP_10, direction=eight_bytes, data_in=CAPACITY_10),
    Command(0x2F, "VERIFY(10)", VERIFY_10, _VERIFY, direction=verify_data, lba=LBA, blocks="VERIFICATION LENGTH"),
    Command(0x35, "SYNCHRONIZE CACHE(10)", SYNCHRONIZE_CACHE_10, _SYNC, direction=NONE, lba=LBA,
            blocks="NUMBER OF LOGICAL BLOCKS"),
    Command(0x9E, "READ CAPACITY(16)", READ_CAPACITY_16, _CAP_16, direction=IN, service_action=0x10,
            length="ALLOCATION LENGTH", data_in=CAPACITY_16),
)  # fmt: skip
