"""One row of the command vocabulary: an opcode, its name, its CDB layout, the way of its data and their layouts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass, field
from typing import Any, NamedTuple

from sticktrace.grammar.direction import IN, NONE, OUT, Direction
from sticktrace.grammar.layout import Layout

__all__ = [
    "IN", "NONE", "NO_DATA", "OUT", "Command", "DataLayout", "DataPhase", "DataRule", "Direction", "Values",
    "data_phase",
]  # fmt: skip

Values = Mapping[str, Any]
"""The values of a CDB by field name."""

DataLayout = Layout | Callable[[Values, bytes], Layout | None] | None
"""A fixed layout, or a choice made from the CDB's values and the first bytes of the data."""


class DataPhase(NamedTuple):
    """The data phase that a command block asks for: its direction, and either ``blocks`` of the medium or ``bytes`` of
    parameter data. ``bytes`` is None where the command block does not tell how much."""

    direction: Direction
    blocks: int = 0
    bytes: int | None = 0


NO_DATA = DataPhase(NONE)

DataRule = Callable[[Values], DataPhase]
"""Tells the data phase from the CDB's values, where its bits decide whether there is data, which way or how much."""


@dataclass(frozen=True, slots=True)
class Command:
    """A SCSI command as a standard defines it.

    ``service_action`` tells apart commands that share an opcode (byte 1, bits 4-0), None where there is none.
    ``lba``, ``blocks`` and ``length`` name the CDB fields that hold the first logical block address, the number of
    blocks and the allocation or parameter list length, "" where the command has none. ``zero_blocks`` is what 0 in the
    ``blocks`` field stands for (256 in the 6-byte READ and WRITE). ``medium`` is "read" or "write" when the data phase
    carries the medium's own blocks. ``device_types`` limits a row to peripheral device types (opcodes with several
    meanings, such as A1h), empty for all. ``data_in`` and ``data_out`` lay out the parameter data. ``direction`` is the
    way that its data goes, or the rule by which the CDB tells it.
    """

    opcode: int
    name: str
    cdb: Layout
    clause: str
    service_action: int | None = None
    data_in: DataLayout = None
    data_out: DataLayout = None
    lba: str = ""
    blocks: str = ""
    length: str = ""
    zero_blocks: int = 0
    medium: str = ""
    device_types: frozenset[int] = field(default_factory=frozenset)
    _: KW_ONLY
    direction: Direction | DataRule


def data_phase(command: Command, cdb: bytes) -> DataPhase:
    """The data phase that a command block asks for. Missing bytes count as zero."""
    values = command.cdb.read(cdb.ljust(command.cdb.sizeof(), b"\0"))
    if not isinstance(command.direction, Direction):
        return command.direction(values)
    if command.direction is NONE:
        return NO_DATA
    if command.medium:
        blocks = values[command.blocks] or command.zero_blocks
        return DataPhase(command.direction, blocks) if blocks else NO_DATA
    if not command.length:
        return DataPhase(command.direction, bytes=None)
    return DataPhase(command.direction, bytes=values[command.length]) if values[command.length] else NO_DATA
