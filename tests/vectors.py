"""How a test vector is checked: hex from a published table against the layout that should read it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sticktrace.grammar.command import Command
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands


@dataclass(frozen=True)
class Block:
    """A command block, the name it should have, its fields that are not zero, and the source of the positions."""

    name: str
    hex: str
    source: str
    fields: dict[str, int] = field(default_factory=dict)
    device_type: int = 0

    def __str__(self) -> str:
        return self.name


def check_block(block: Block) -> None:
    """The vocabulary knows the block; the fields read as listed, nothing else is set, and they build the block."""
    cdb = bytes.fromhex(block.hex)
    command = commands.find(cdb, block.device_type)
    assert command is not None
    assert command.name == block.name
    check_fields(command, cdb, block.fields)


def check_fields(command: Command, cdb: bytes, fields: dict[str, int]) -> None:
    """Reading and building agree on these fields, and all others are zero."""
    values = command.cdb.parse(cdb)
    fixed = {"OPERATION CODE", "SERVICE ACTION"} - set(fields)
    found = {name: value for name, value in values.items() if (any(value) if isinstance(value, bytes) else value)}
    assert {name: value for name, value in found.items() if name not in fixed} == fields
    assert command.cdb.build(fields) == cdb
    account = command.cdb.explain(cdb)
    assert (account.used, account.fault) == (len(cdb), "")


def values_of(layout: Layout, data: bytes) -> dict[str, Any]:
    """Field values by name (the last one of a name), after checking that the data fits the layout without a fault, is
    used to the end, and builds back to itself."""
    account = layout.explain(data)
    assert (account.used, account.fault) == (len(data), "")
    assert layout.build(layout.parse(data)) == data
    return {row.name: row.value for row in account.rows}


def words_of(layout: Layout, data: bytes) -> dict[str, str]:
    """Field meanings by name (the last one of a name)."""
    return {row.name: row.meaning for row in layout.explain(data).rows}


def all_values(layout: Layout, data: bytes, name: str) -> list[Any]:
    """Every value of the fields with this name, in order."""
    return [row.value for row in layout.explain(data).rows if row.name == name]
