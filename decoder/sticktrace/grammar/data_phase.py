"""What the data phase of a command is, told from its command block alone: which way it goes and how long it is.

Most commands say it with TRANSFER LENGTH, ALLOCATION LENGTH or PARAMETER LIST LENGTH (SPC-3 4.3.4.4 to 4.3.4.6). The
rules below are for those whose length stands elsewhere, counts something else, or is not in the command block at all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from sticktrace.grammar import sat
from sticktrace.grammar.command import Command


class DataPhase(NamedTuple):
    """``blocks`` of the medium, or ``bytes`` of parameter data; one of them is 0, both for none. ``out``: to the
    device."""

    blocks: int
    bytes: int
    out: bool


_NOTHING = DataPhase(0, 0, False)
_Values = Mapping[str, Any]
_Rule = Callable[[_Values], DataPhase | None]


def _verify(values: _Values) -> DataPhase:
    """SBC-3, VERIFY: BYTCHK 00b compares nothing with the host, 01b sends every block, 11b one block for all."""
    check = values["BYTCHK"]
    if check == 0:
        return _NOTHING
    return DataPhase(values["VERIFICATION LENGTH"] if check == 1 else 1, 0, True)


def _write_same(values: _Values) -> DataPhase:
    """SBC-3, WRITE SAME: one block, however many are filled with it; none with NDOB."""
    return _NOTHING if values.get("NDOB") else DataPhase(1, 0, True)


def _security(values: _Values) -> DataPhase:
    """SPC-4, SECURITY PROTOCOL IN and OUT: INC_512 makes the length count 512-byte units."""
    sent = "TRANSFER LENGTH" in values
    length = values["TRANSFER LENGTH" if sent else "ALLOCATION LENGTH"]
    return DataPhase(0, length * (512 if values["INC_512"] else 1), sent)


def _format_unit(values: _Values) -> DataPhase | None:
    """SBC-3, FORMAT UNIT: with FMTDATA a list is sent, whose length stands only in the list. UFI 1.0 states it."""
    if "Parameter List Length" in values:
        return DataPhase(0, values["Parameter List Length"], values["Parameter List Length"] > 0)
    return None if values["FMTDATA"] else _NOTHING


def _ata(values: _Values) -> DataPhase | None:
    length = sat.ata_data_length(values)
    return None if length is None else DataPhase(0, length, not values["T_DIR"] and length > 0)


def _not_told(_values: _Values) -> None:
    """The command block does not say how long the data is."""


_RULES: dict[str, _Rule] = {
    # SBC-3 and UFI 1.0: no allocation length, always 8 bytes
    **dict.fromkeys(("READ CAPACITY(10)", "READ CAPACITY"), lambda _: DataPhase(0, 8, False)),
    **dict.fromkeys(("VERIFY(10)", "VERIFY(12)", "VERIFY(16)"), _verify),
    **dict.fromkeys(("WRITE SAME(10)", "WRITE SAME(16)"), _write_same),
    **dict.fromkeys(("SECURITY PROTOCOL IN", "SECURITY PROTOCOL OUT"), _security),
    **dict.fromkeys(("ATA PASS-THROUGH(12)", "ATA PASS-THROUGH(16)"), _ata),
    "FORMAT UNIT": _format_unit,
    "REASSIGN BLOCKS": _not_told,  # SBC-3: the length stands in the defect list
    "GET PERFORMANCE": _not_told,  # MMC-5: the size of a descriptor goes by TYPE
    **dict.fromkeys(("READ CD", "READ CD MSF"), _not_told),  # MMC-5: the size of a sector goes by its type and flags
}
"""Commands that need more than their length field, by name."""


def data_phase(command: Command, cdb: bytes) -> DataPhase | None:
    """The data phase that a command block asks for; None where it does not tell. Missing bytes count as zero."""
    values = command.cdb.read(cdb.ljust(command.cdb.sizeof(), b"\0"))
    rule = _RULES.get(command.name)
    if rule is not None:
        return rule(values)
    if command.medium:
        blocks = values[command.blocks] or command.zero_blocks
        return DataPhase(blocks, 0, command.medium == "write" and blocks > 0)
    length = values[command.length] if command.length else 0
    return DataPhase(0, length, length > 0 and command.length.upper() == "PARAMETER LIST LENGTH")
