"""What every command descriptor block shares (SPC-3 4.3): the operation code first, the CONTROL byte last.

Also the choice between layouts that parameter data needs: pages and descriptors that say themselves what they are.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from construct import Construct, Container, Int8ub

from sticktrace.grammar.layout import Field, Layout, field

OPERATION_CODE_TEXT = "says which command this is; its top three bits (group code) give the CDB length"


def operation_code(opcode: int, name: str) -> Field:
    """First byte of a CDB."""
    return field("OPERATION CODE", Int8ub, OPERATION_CODE_TEXT, "SPC-3 4.3.4.1", meaning={opcode: name}, default=opcode)


def control() -> Field:
    """Last byte of a CDB: NACA (bit 2) and vendor specific bits (7-6); zero in practice over USB."""
    return field("CONTROL", Int8ub, "contingent allegiance and vendor bits, zero in practice", "SAM-3 5.2")


def cdb(name: str, clause: str, opcode: int, *fields: Construct) -> Layout:
    """The layout of a CDB: operation code, the fields given, CONTROL."""
    return Layout(f"{name} CDB", clause, operation_code(opcode, name), *fields, control())


class Choice(Construct):  # type: ignore[misc]
    """A layout chosen from the fields read before it: ``pick`` gets the values so far and returns the layout.

    ``pick`` must return a construct for any value; raw bytes (GreedyBytes inside a Bounded) serve as the last resort.
    """

    def __init__(self, pick: Callable[[Container], Construct]) -> None:
        super().__init__()
        self.pick = pick

    def _parse(self, stream: Any, context: Container, path: str) -> Any:
        return self.pick(context)._parsereport(stream, context, path)

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Any:
        return self.pick(context)._build(obj, stream, context, path)
