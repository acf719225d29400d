"""Fields that many command descriptor blocks share, as SPC-3 4.3 (command descriptor block) and SBC-3 name them.

Each function gives one field or bit group, so that a CDB layout reads as the standard's table does, byte by byte.
"""

from __future__ import annotations

from construct import Construct, Int8ub, Int16ub, Int24ub, Int32ub, Int64ub

from sticktrace.grammar.layout import Bits, Field, Layout, Meaning, Part, bits, field, part, spare

_WHOLE = {1: Int8ub, 2: Int16ub, 3: Int24ub, 4: Int32ub, 8: Int64ub}


def number(name: str, size: int, text: str, clause: str = "", *, meaning: Meaning | None = None) -> Field:
    """An unsigned big-endian number of ``size`` bytes (1, 2, 3, 4 or 8)."""
    return field(name, _WHOLE[size], text, clause, meaning=meaning)


def cdb(opcode: int, name: str, clause: str, *fields: Construct, control: bool = True) -> Layout:
    """A CDB: OPERATION CODE, the given fields, and the CONTROL byte unless the caller lays it out or it is absent."""
    named = {opcode: name}
    first = field("OPERATION CODE", Int8ub, "which command this is", "SPC-3 4.3.4.1", meaning=named, default=opcode)
    last = (field("CONTROL", Int8ub, "vendor bits 7-6, NACA bit 2", "SAM-5, CONTROL byte"),) if control else ()
    return Layout(f"{name} CDB", clause, first, *fields, *last)


def action(code: int, name: str, *, before: Part | None = None) -> Bits:
    """Byte 1 of a command that shares its opcode: SERVICE ACTION in bits 4-0."""
    return bits(
        1,
        before or spare(3),
        part("SERVICE ACTION", 5, "which command of this opcode", "SPC-3 4.3.4.2", meaning={code: name}, default=code),
    )


def allocation(size: int, text: str = "at most this many bytes are wanted back") -> Field:
    """ALLOCATION LENGTH: cuts the answer without an error (SPC-3 4.3.4.6)."""
    return number("ALLOCATION LENGTH", size, text, "SPC-3 4.3.4.6")


def parameters(size: int) -> Field:
    """PARAMETER LIST LENGTH: bytes of parameter data that the host sends; 0 is not an error (SPC-3 4.3.4.5)."""
    return number("PARAMETER LIST LENGTH", size, "bytes of parameter data sent", "SPC-3 4.3.4.5")


def address(size: int, name: str = "LOGICAL BLOCK ADDRESS") -> Field:
    """The first logical block, in 4 or 8 bytes."""
    return number(name, size, "first logical block", "SPC-3 4.3.4.3")


def group() -> Bits:
    """The byte that holds the GROUP NUMBER in bits 4-0 (SBC-3, grouping function)."""
    return bits(1, spare(3), part("GROUP NUMBER", 5, "group under which the device counts this command"))


def flags(*named: tuple[int, str, str]) -> Bits:
    """One byte of single-bit flags, given as (bit number, name, text) from high to low; the other bits are reserved."""
    parts: list[Part] = []
    left = 8
    for bit, name, text in named:
        if left - bit > 1:
            parts.append(spare(left - bit - 1))
        parts.append(part(name, 1, text))
        left = bit
    if left:
        parts.append(spare(left))
    return bits(1, *parts)
