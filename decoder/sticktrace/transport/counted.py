"""How many bytes of a data phase count: the one rule for the volume, for timing and for what is explained.

dCSWDataResidue takes bytes back, for instance those that a device sent to pad its answer (BOT 1.0 5.2, 6.7.2). Careless
devices report a residue after a READ or WRITE that moved all that its command block asks for, and call it passed. Such
a residue contradicts the rest: the bytes that moved count.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sticktrace.grammar.vocabulary import find, lba_and_blocks
from sticktrace.transport.items import PASSED

if TYPE_CHECKING:
    from sticktrace.transport.items import Exchange

BLOCK_LENGTHS = (512, 1024, 2048, 4096)
"""Lengths that the blocks of sticks, disks and discs have (common practice)."""
_LIKELY = (512, 2048, 4096)
"""Those that are met: 1024 bytes for a block are rather two blocks' worth announced for one."""


def counted(exchange: Exchange, block_length: int = 0) -> int:
    """How many of the bytes moved count, from the first on. ``block_length`` is 0 where it is not known."""
    residue, expected = exchange.residue, exchange.expected
    if not residue or expected < 0:
        return exchange.moved if residue is None or expected < 0 else min(exchange.moved, expected)
    if residue > expected or residue_lies(exchange, block_length):
        return exchange.moved  # a residue beyond dCBWDataTransferLength makes no CSW meaningful (BOT 1.0 6.3.2)
    return min(exchange.moved, expected - residue)


def residue_lies(exchange: Exchange, block_length: int = 0) -> bool:
    """Whether a READ or WRITE passed, moved all that its command block asks for, and reports a residue all the same.
    Of parameter data nothing is said: there the host's length is a limit, and padding is legal."""
    expected = exchange.expected
    if not exchange.residue or exchange.status != PASSED or exchange.moved != expected:
        return False
    command = find(exchange.cdb)
    _, blocks = lba_and_blocks(exchange.cdb)
    if command is None or not command.medium or not blocks:
        return False
    if block_length:
        return expected == blocks * block_length
    return exchange.residue >= expected or any(expected == blocks * length for length in _LIKELY)
