"""A command block inside a Command Block Wrapper, with the data phase that the command asks for."""

from __future__ import annotations

from sticktrace.errors import LayoutError
from sticktrace.grammar.bot import CBW
from sticktrace.grammar.command import OUT, Command, Direction, data_phase
from sticktrace.grammar.vocabulary import find


def wrap(
    cdb: bytes, *, tag: int, lun: int = 0, length: int | None = None, outgoing: bool | None = None,
    block_length: int = 512, command: Command | None = None,
) -> bytes:  # fmt: skip
    """The 31 bytes of a CBW (BOT 1.0 5.1). Length and direction come from the command where not given.

    ``command`` says which command it is where the opcode has several meanings (else that of a disk). Raises LayoutError
    where the command block does not tell how long its data is.
    """
    if not 1 <= len(cdb) <= 16:
        raise LayoutError(f"a CBW holds 1 to 16 bytes of command block, not {len(cdb)}")
    known = command or find(cdb)
    phase = data_phase(known, cdb) if known is not None else None
    if length is None:
        if known is None:
            raise LayoutError(f"opcode {cdb[0]:02X}h is not known: give the data length")
        if phase is None or phase.bytes is None:
            raise LayoutError(f"{known.name}: the command block does not tell the data length: give it")
        length = phase.blocks * block_length + phase.bytes
    out = outgoing if outgoing is not None else _way(known, cdb) is OUT
    return CBW.build(
        {
            "dCBWTag": tag,
            "dCBWDataTransferLength": length,
            "bmCBWFlags": {"Direction": int(bool(length) and not out)},
            "bCBWLUN": lun,
            "bCBWCBLength": len(cdb),
            "CBWCB": cdb.ljust(16, b"\0"),
        }
    )


def _way(command: Command | None, cdb: bytes) -> Direction | None:
    """Which way the data of a command goes, were there some."""
    if command is None:
        return None
    return command.direction if isinstance(command.direction, Direction) else data_phase(command, cdb).direction
