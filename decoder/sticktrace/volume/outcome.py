"""What a READ or WRITE did to the blocks that it names, as far as the capture proves it.

A command that did not pass may still have done part of its work, and its sense data may say how much: with VALID set,
the INFORMATION field of a medium or hardware error is the block in error (SPC-3 4.5.3, SBC-3 4.18.1). Sense data with
a deferred error tells of another command (SPC-3 4.5.5) and counts for nothing here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sticktrace.storage.sense import SenseFacts, decode
from sticktrace.transport.counted import counted
from sticktrace.transport.items import FAILED, PASSED, Exchange

if TYPE_CHECKING:
    from sticktrace.volume.extent_log import Read

_RECOVERED, _IN_BLOCK, _ILLEGAL = 0x1, (0x3, 0x4), 0x5
_BY_ITS_BLOCK = (0x20, 0x21, 0x24, 0x25)
"""Additional sense codes of a refusal that rests on the command block alone."""
_NOT_CARRIED_OUT = frozenset((0x2, 0x5, 0x6, 0x7))
"""NOT READY, ILLEGAL REQUEST, UNIT ATTENTION, DATA PROTECT: the command was not carried out, and the medium is as it
was (SPC-3 Table 27; a READ or WRITE has no parameter data that could be refused later)."""
_LONGEST_SENSE = 252  # SPC-3 4.5.1


class Outcome(NamedTuple):
    """``good`` is how many blocks moved for certain, from the first on. ``failed`` is the block that the sense data
    name, None where they name none. ``refused``: nothing was changed."""

    good: int
    failed: int | None = None
    refused: bool = False


def outcome(exchange: Exchange, lba: int, blocks: int, block_length: int, read: Read) -> Outcome:
    """Of a READ or WRITE of ``blocks`` blocks from ``lba``. ``block_length`` is 0 where it is not known."""
    if exchange.status == PASSED:
        return Outcome(_moved(exchange, blocks, block_length))
    sense = _sense(exchange, read)
    if exchange.status != FAILED or sense is None:
        return Outcome(0)
    if sense.key == _RECOVERED:
        return Outcome(_moved(exchange, blocks, block_length))
    named = sense.information
    if sense.key in _IN_BLOCK and named is not None and lba <= named < lba + blocks:
        return Outcome(min(named - lba, _moved(exchange, blocks, block_length)), named)
    return Outcome(0, refused=sense.key in _NOT_CARRIED_OUT)


def refused(exchange: Exchange) -> bool:
    """Whether a command with parameter data, such as UNMAP, was turned down before it did anything: not ready, unit
    attention, protected, or an opcode or command block that is not accepted (SPC-3 Table 27)."""
    sense = exchange.sense
    if exchange.status != FAILED or sense is None:
        return False
    return sense.key in _NOT_CARRIED_OUT and not (sense.key == _ILLEGAL and sense.asc not in _BY_ITS_BLOCK)


def _moved(exchange: Exchange, blocks: int, block_length: int) -> int:
    return min(blocks, counted(exchange, block_length) // block_length) if block_length else 0


def _sense(exchange: Exchange, read: Read) -> SenseFacts | None:
    """The sense data of the command itself, None where there are none or they tell of an earlier one."""
    if exchange.sense is None:
        return None
    at = exchange.sense.at
    facts = decode(read(at._replace(captured=min(at.captured, _LONGEST_SENSE))))
    return None if facts is None or facts.deferred else facts
