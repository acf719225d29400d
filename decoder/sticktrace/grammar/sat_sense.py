"""ATA registers in sense data (SAT-3), which a bridge returns when ATA PASS-THROUGH asks for them with CK_COND.

Descriptor format has a descriptor of its own for them; fixed format puts them where INFORMATION and COMMAND-SPECIFIC
INFORMATION stand otherwise. Positions in the fixed format are from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Construct, Int8ub

from sticktrace.grammar.layout import Field, Layout, bits, field, part, spare

INFORMATION = "SAT-3, ATA PASS-THROUGH fixed format sense data"
DESCRIPTOR = "SAT-2 12.2.6"

STATUS_BITS = {7: "BSY", 6: "DRDY", 5: "DF", 4: "DSC", 3: "DRQ", 0: "ERR"}
"""Bits of the ATA status register (ATA8-ACS, STATUS field). 2 and 1 are obsolete; 4 depends on the command there, and
most disks still set it as they did when it told that a seek was complete."""

ERROR_BITS = {7: "ICRC", 6: "UNC", 5: "MC", 4: "IDNF", 3: "MCR", 2: "ABRT", 1: "NM"}
"""Bits of the ATA error register (ATA8-ACS, ERROR field)."""

SMART_GOOD, SMART_EXCEEDED = (0x4F, 0xC2), (0xF4, 0x2C)
"""LBA (15:8) and LBA (23:16) after SMART RETURN STATUS (ATA8-ACS): no threshold exceeded, one exceeded."""


def _set(names: Mapping[int, str], value: int) -> str:
    return ", ".join(name for bit, name in names.items() if value >> bit & 1)


def _status(value: int, _seen: Mapping[str, Any]) -> str:
    return _set(STATUS_BITS, value) or "no bit set"


def _error(value: int, seen: Mapping[str, Any]) -> str:
    return _set(ERROR_BITS, value) if seen.get("STATUS", 1) & 1 else ""


def _smart(value: int, seen: Mapping[str, Any]) -> str:
    return {
        SMART_GOOD: "with 4Fh below it: after SMART RETURN STATUS, no threshold is exceeded",
        SMART_EXCEEDED: "with F4h below it: after SMART RETURN STATUS, a threshold is exceeded",
    }.get((seen.get("LBA (15:8)", 0), value), "")


_MEANINGS = {"STATUS": _status, "ERROR": _error, "LBA (23:16)": _smart}


def _register(name: str, clause: str) -> Field:
    return field(name, Int8ub, f"ATA register {name}", clause, meaning=_MEANINGS.get(name))


def fixed_information() -> tuple[Construct, ...]:
    """Bytes 3 to 6 of fixed format sense data."""
    return tuple(_register(name, INFORMATION) for name in ("ERROR", "STATUS", "DEVICE", "COUNT (7:0)"))


def fixed_command_specific() -> tuple[Construct, ...]:
    """Bytes 8 to 11 of fixed format sense data."""
    return (
        bits(1, part("EXTEND", 1, "the ATA command was a 48-bit one", INFORMATION),
             part("COUNT UPPER NONZERO", 1, "COUNT (15:8), which has no room here, is not zero", INFORMATION),
             part("LBA UPPER NONZERO", 1, "LBA (47:24), which has no room here, is not zero", INFORMATION),
             spare(1), part("LOG INDEX", 4, "where the results log holds all registers; 0 for none", INFORMATION)),
        *(_register(name, INFORMATION) for name in ("LBA (7:0)", "LBA (15:8)", "LBA (23:16)")),
    )  # fmt: skip


ATA_STATUS = Layout(
    "ATA status return", DESCRIPTOR,
    bits(1, spare(7), part("EXTEND", 1, "whether the upper halves are valid (48-bit command)")),
    *(
        _register(name, DESCRIPTOR)
        for name in (
            "ERROR", "COUNT (15:8)", "COUNT (7:0)", "LBA (31:24)", "LBA (7:0)", "LBA (39:32)", "LBA (15:8)",
            "LBA (47:40)", "LBA (23:16)", "DEVICE", "STATUS",
        )
    ),
)  # fmt: skip
"""The sense data descriptor 09h, after its two header bytes."""
