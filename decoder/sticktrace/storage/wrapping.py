"""A command block inside a Command Block Wrapper, with the data phase that the command asks for."""

from __future__ import annotations

from sticktrace.errors import LayoutError
from sticktrace.grammar.bot import CBW
from sticktrace.grammar.vocabulary import data_length
from sticktrace.transport.cases import intent


def wrap(
    cdb: bytes, *, tag: int, lun: int = 0, length: int | None = None, outgoing: bool | None = None,
    block_length: int = 512,
) -> bytes:  # fmt: skip
    """The 31 bytes of a CBW (BOT 1.0 5.1). Length and direction come from the command where not given."""
    if not 1 <= len(cdb) <= 16:
        raise LayoutError(f"a CBW holds 1 to 16 bytes of command block, not {len(cdb)}")
    if length is None:
        asked = data_length(cdb)
        if asked is None:
            raise LayoutError(f"opcode {cdb[0]:02X}h is not known: give the data length")
        length = asked[0] * block_length + asked[1]
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
