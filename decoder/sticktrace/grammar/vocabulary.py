"""The command vocabulary: every command that the grammar modules define, found by its command block."""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Protocol

from sticktrace.codes import scsi
from sticktrace.grammar import addresses, defects, mmc, mmc_audio, mmc_record, sat, sbc, sbc_more, spc, spc_more
from sticktrace.grammar import target_ports as ports
from sticktrace.grammar.command import NONE, Command, Direction, data_phase
from sticktrace.grammar.layout import Layout


class _Vocabulary(Protocol):
    COMMANDS: tuple[Command, ...]


_MODULES: tuple[_Vocabulary, ...] = (
    spc, sbc, spc_more, sbc_more, defects, ports, sat, mmc, mmc_audio, mmc_record,
)  # fmt: skip
"""Grammar modules that define commands. Where two rows claim one opcode, `find` says which is meant."""

COMMANDS: tuple[Command, ...] = tuple(command for module in _MODULES for command in module.COMMANDS)
"""Every command known."""


def _rows_by_opcode() -> dict[int, list[Command]]:
    rows: dict[int, list[Command]] = {}
    for command in COMMANDS:
        rows.setdefault(command.opcode, []).append(command)
    for same in rows.values():  # the general meaning, that of a disk, comes before those of some device types
        same.sort(key=lambda command: bool(command.device_types))
    return rows


_ROWS = _rows_by_opcode()
_SEVERAL = frozenset(bytes((opcode,)) for opcode, rows in _ROWS.items() if any(row.device_types for row in rows))
_READERS = addresses.readers(COMMANDS)


def meanings(cdb: bytes) -> list[Command]:
    """Every command that a command block can be, as some opcodes are one command on a disk and another on a CD unit;
    the disk's first."""
    action = cdb[1] & 0x1F if len(cdb) > 1 else 0
    rows = _ROWS.get(cdb[0], ()) if cdb else ()
    return [command for command in rows if command.service_action in (None, action)]


def head(cdb: bytes) -> bytes:
    """As much of a command block as tells which command it is, to keep names by: two bytes, or all of it where the
    opcode has several meanings."""
    return cdb if cdb[:1] in _SEVERAL else cdb[:2]


def find(cdb: bytes, device_type: int | None = None) -> Command | None:
    """The command of a command block; None if the opcode, or its service action, is not known.

    ``device_type`` is the PERIPHERAL DEVICE TYPE of the logical unit, which tells apart opcodes with several meanings.
    Where it is not known (None), the first meaning is taken in which no reserved bit of the command block is set.
    """
    rows = _ROWS.get(cdb[0], ()) if cdb else ()
    if len(rows) == 1 and rows[0].service_action is None and not rows[0].device_types:
        return rows[0]
    possible = meanings(cdb)
    if device_type is not None:
        own = [command for command in possible if device_type in command.device_types]
        possible = own or [command for command in possible if not command.device_types]
    elif len(possible) > 1:
        possible = [command for command in possible if _fits(command, cdb)] or possible
    return possible[0] if possible else None


def _fits(command: Command, cdb: bytes) -> bool:
    """Whether no reserved bit of the layout is set."""
    size, mask = _reserved_bits(command.cdb)
    return not int.from_bytes(cdb[:size].ljust(size, b"\0"), "big") & mask


@cache
def _reserved_bits(layout: Layout) -> tuple[int, int]:
    """The size of a CDB layout, and a mask of its reserved bits over all of it as one number."""
    size, mask = int(layout.sizeof()), 0
    for row in layout.outline():
        if row.name.startswith("reserved") and row.offset is not None and row.size is not None:
            high, low = row.bits or (8 * row.size - 1, 0)
            mask |= (1 << high + 1) - (1 << low) << 8 * (size - row.offset - row.size)
    return size, mask


def name(cdb: bytes, device_type: int | None = None) -> str:
    """The standard name of a command, or what its opcode alone tells. ``device_type`` as for `find`."""
    command = find(cdb, device_type)
    if command is not None:
        return command.name
    if not cdb:
        return "empty command block"
    opcode = cdb[0]
    if scsi.is_vendor_specific(opcode):
        return f"vendor specific opcode {opcode:02X}h"
    if len(cdb) > 1 and any(row.service_action is not None for row in _ROWS.get(opcode, ())):
        return f"opcode {opcode:02X}h, service action {cdb[1] & 0x1F:02X}h"
    length = scsi.cdb_length(opcode)
    group = f"{length}-byte" if length else "variable length" if opcode == scsi.VARIABLE_LENGTH else "reserved"
    return f"opcode {opcode:02X}h ({group} group)"


def cdb_length(opcode: int, cdb: bytes = b"") -> int | None:
    """The length in bytes that a command block should have: by the group code of its opcode (SPC-3 4.3.4.1), and for
    opcode 7Fh by its own ADDITIONAL CDB LENGTH (byte 7), if ``cdb`` is given. None where nothing fixes it."""
    if opcode == scsi.VARIABLE_LENGTH and len(cdb) > 7:
        return cdb[7] + 8
    return scsi.cdb_length(opcode)


def lba_and_blocks(cdb: bytes) -> tuple[int | None, int | None]:
    """First logical block address and number of blocks of a command that has them, else None for each.

    A number of 0 is given as what it stands for in that command (256 in the 6-byte READ and WRITE). Meant to be called
    for every exchange of a capture: well under a microsecond.
    """
    if not cdb:
        return addresses.NOTHING
    reader = _READERS.get(cdb[0])
    if reader is None:
        reader = _READERS.get(addresses.action_key(cdb[0], cdb[1] & 0x1F)) if len(cdb) > 1 else None
        if reader is None:
            return addresses.NOTHING
    return reader(cdb)


def data_length(cdb: bytes) -> tuple[int, int] | None:
    """What a command block asks of its data phase: (blocks, 0) for the medium's own blocks, (0, bytes) for parameter
    data by its allocation or parameter list length, (0, 0) for none; None where the command is not known or does not
    tell."""
    blocks = lba_and_blocks(cdb)[1]
    if blocks is not None and cdb[0] in _MEDIUM:
        return blocks, 0
    return _parameter_length(cdb)


_MEDIUM = frozenset(command.opcode for command in COMMANDS if command.medium)


@lru_cache(maxsize=1024)
def _parameter_length(cdb: bytes) -> tuple[int, int] | None:
    command = find(cdb)
    phase = data_phase(command, cdb) if command is not None else None
    return None if phase is None or phase.bytes is None else (phase.blocks, phase.bytes)


def direction(cdb: bytes, device_type: int | None = None) -> Direction | None:
    """The way in which a command block asks its data to go: NONE where it asks for none (a length of 0 too), None where
    the command is not known. A command block that is cut counts as asking for data. ``device_type`` as for `find`.
    """
    command = find(cdb, device_type)
    if command is None:
        return None
    if command.medium and isinstance(command.direction, Direction):
        return NONE if lba_and_blocks(cdb)[1] == 0 else command.direction
    return _direction(cdb, device_type)


@lru_cache(maxsize=1024)
def _direction(cdb: bytes, device_type: int | None) -> Direction | None:
    command = find(cdb, device_type)
    if command is None:
        return None
    if isinstance(command.direction, Direction) and len(cdb) < command.cdb.sizeof():
        return command.direction
    return data_phase(command, cdb).direction
