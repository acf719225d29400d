"""Quick readers for the block address and block count of a command block, derived from the command's own layout."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from sticktrace.codes import scsi
from sticktrace.errors import LayoutError
from sticktrace.grammar.command import Command
from sticktrace.grammar.layout import Layout

Pair = tuple[int | None, int | None]
Reader = Callable[[bytes], Pair]

NOTHING: Pair = (None, None)


def readers(commands: Iterable[Command]) -> dict[int, Reader]:
    """A reader for each command of a disk with a block address, by opcode; with a service action, by `action_key`."""
    found: dict[int, Reader] = {}
    for command in commands:
        if not command.lba or (command.device_types and scsi.DISK not in command.device_types):
            continue
        action = command.service_action
        key = command.opcode if action is None else action_key(command.opcode, action)
        found.setdefault(key, _pair(command))
    return found


def action_key(opcode: int, action: int) -> int:
    """One number for an opcode and a service action, apart from all plain opcodes."""
    return opcode + 256 * (1 + action)


def _place(layout: Layout, wanted: str) -> tuple[int, int, tuple[int, int] | None]:
    """Offset, size and bits of a field of fixed place."""
    for row in layout.outline():
        if row.name == wanted and row.offset is not None and row.size is not None:
            return row.offset, row.size, row.bits
    raise LayoutError(f"{layout.title}: {wanted} has no fixed place")


def _one(layout: Layout, wanted: str) -> Callable[[bytes], int | None]:
    """Reads one big-endian field, which may begin or end inside a byte."""
    start, size, bits = _place(layout, wanted)
    end = start + size
    high, low = bits or (8 * size - 1, 0)
    mask = (1 << high - low + 1) - 1

    def read(cdb: bytes) -> int | None:
        return int.from_bytes(cdb[start:end], "big") >> low & mask if len(cdb) >= end else None

    return read


def _both_whole(command: Command) -> Reader | None:
    """Reads both fields in one go, where both are whole numbers of a size that `struct` knows and 0 means 0."""
    if not command.blocks or command.zero_blocks:
        return None
    places = [_place(command.cdb, wanted) for wanted in (command.lba, command.blocks)]
    if places[0] > places[1] or any(bits or size not in (1, 2, 4, 8) for _, size, bits in places):
        return None
    unpacker = command.cdb.fast(command.lba, command.blocks)
    unpack, size = unpacker.unpack_from, unpacker.size

    def read(cdb: bytes) -> Pair:
        if len(cdb) < size:
            return NOTHING
        lba, blocks = unpack(cdb)
        return lba, blocks

    return read


def _pair(command: Command) -> Reader:
    quick = _both_whole(command)
    if quick is not None:
        return quick
    lba = _one(command.cdb, command.lba)
    if not command.blocks:
        return lambda cdb: (lba(cdb), None)
    blocks, zero = _one(command.cdb, command.blocks), command.zero_blocks

    def read(cdb: bytes) -> Pair:
        count = blocks(cdb)
        return lba(cdb), zero if count == 0 else count

    return read
