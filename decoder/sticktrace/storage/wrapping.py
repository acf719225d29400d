"""A command block inside a Command Block Wrapper, with the data phase that the command asks for."""

from __future__ import annotations

from sticktrace.errors import LayoutError
from sticktrace.grammar.bot import CBW
from sticktrace.storage.commands import find, lba_and_blocks
from sticktrace.transport.cases import intent


def data_length(cdb: bytes, block_length: int) -> int:
    """Bytes in the data phase that a command block asks for: its blocks for the medium, else its allocation or
    parameter list length; 0 for a command without data."""
    command = find(cdb)
    if command is None:
        raise LayoutError(f"opcode {cdb[0]:02X}h is not known: give the data length")
    if command.medium:
        return (lba_and_blocks(cdb)[1] or 0) * block_length
    if command.length:
        return int(command.cdb.parse(cdb[: command.cdb.sizeof()])[command.length])
    return _FIXED.get(command.name, 0)


_FIXED = {"READ CAPACITY(10)": 8}  # SBC-3 5.12: no allocation length, always 8 bytes


def wrap(
    cdb: bytes, *, tag: int, lun: int = 0, length: int | None = None, outgoing: bool | None = None,
    block_length: int = 512,
) -> bytes:  # fmt: skip
    """The 31 bytes of a CBW (BOT 1.0 5.1). Length and direction come from the command where not given."""
    if not 1 <= len(cdb) <= 16:
        raise LayoutError(f"a CBW holds 1 to 16 bytes of command block, not {len(cdb)}")
    length = data_length(cdb, block_length) if length is None else length
    incoming = intent(cdb) != "out" if outgoing is None else not outgoing
    return CBW.build(
        {
            "dCBWTag": tag,
            "dCBWDataTransferLength": length,
            "bmCBWFlags": {"Direction": int(bool(length) and incoming)},
            "bCBWLUN": lun,
            "bCBWCBLength": len(cdb),
            "CBWCB": cdb.ljust(16, b"\0"),
        }
    )
