"""One row of the command vocabulary: an opcode, its name, its CDB layout and the layouts of its data."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sticktrace.grammar.layout import Layout

DataLayout = Layout | Callable[[Mapping[str, Any], bytes], Layout | None] | None
"""A fixed layout, or a choice made from the CDB's values and the first bytes of the data."""


@dataclass(frozen=True, slots=True)
class Command:
    """A SCSI command as a standard defines it.

    ``service_action`` tells apart commands that share an opcode (byte 1, bits 4-0), None where there is none.
    ``lba``, ``blocks`` and ``length`` name the CDB fields that hold the first logical block address, the number of
    blocks and the allocation or parameter list length, "" where the command has none. ``zero_blocks`` is what 0 in the
    ``blocks`` field stands for (256 in the 6-byte READ and WRITE). ``medium`` is "read" or "write" when the data phase
    carries the medium's own blocks. ``device_types`` limits a row to peripheral device types (opcodes with several
    meanings, such as A1h), empty for all. ``data_in`` and ``data_out`` lay out the parameter data.
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
