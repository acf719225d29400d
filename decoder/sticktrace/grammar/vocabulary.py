"""The command vocabulary: every command that the grammar modules define, found by its command block."""

from __future__ import annotations

from functools import lru_cache
from typing import Protocol

from sticktrace.codes import scsi
from sticktrace.grammar import addresses, mmc, sat, sbc, sbc_more, spc, spc_more
from sticktrace.grammar.command import Command
from sticktrace.grammar.data_phase import data_phase


class _Vocabulary(Protocol):
    COMMANDS: tuple[Command, ...]


_MODULES: tuple[_Vocabulary, ...] = (spc, sbc, spc_more, sbc_more, sat, mmc)
"""Grammar modules that define commands. Where two rows claim one opcode, the device type decides, then the order."""

COMMANDS: tuple[Command, ...] = tuple(command for module in _MODULES for command in module.COMMANDS)
"""Every command known."""


def _rows_by_opcode() -> dict[int, list[Command]]:
    rows: dict[int, list[Command]] = {}
    for command in COMMANDS:
        rows.setdefault(command.opcode, []).append(command)
    for same in rows.values():  # rows for some device types come first: the general row is the last resort
        same.sort(key=lambda command: not command.device_types)
    return rows


_ROWS = _rows_by_opcode()
_READERS = addresses.readers(COMMANDS)


def find(cdb: bytes, device_type: int = 0) -> Command | None:
    """The command of a command block; None if the opcode, or its service action, is not known.

    ``device_type`` is the PERIPHERAL DEVICE TYPE of the logical unit, which tells apart opcodes with two meanings.
    """
    if not cdb:
        return None
    action = cdb[1] & 0x1F if len(cdb) > 1 else 0
    for command in _ROWS.get(cdb[0], ()):
        if command.service_action is not None and command.service_action != action:
            continue
        if not command.device_types or device_type in command.device_types:
            return command
    return None


def name(cdb: bytes, device_type: int = 0) -> str:
    """The standard name of a command, or what its opcode alone tells."""
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
    return None if phase is None else (phase.blocks, phase.bytes)
