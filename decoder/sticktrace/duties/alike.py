"""Which exchanges are judged alike, so that a million of them cost little more than three.

Two exchanges are alike if everything that a rule may look at is the same: the wrappers but for the tag, the command
block, data that is no content of the medium, status, residue, sense, what went before, and what is known of the unit.
A READ or WRITE that passed with all its data is alike another one whatever its blocks, as long as they are within the
capacity.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sticktrace.capture.transfer import Piece
from sticktrace.duties.commands import Command
from sticktrace.duties.score import PLACES, Count
from sticktrace.transport.items import PASSED, Exchange, Transport

Verdicts = list[tuple[Count, bool]]
Key = tuple[Any, ...]
Read = Callable[[Piece], bytes]

_EXTENT = {
    **dict.fromkeys((0x28, 0x2A), (2, 6, 7, 9)), **dict.fromkeys((0x88, 0x8A), (2, 10, 10, 14)),
    **dict.fromkeys((0xA8, 0xAA), (2, 6, 6, 10)),
}  # fmt: skip
"""Opcode of a READ or WRITE -> where its address and its number of blocks begin and end (SBC-3 5)."""
_CONTENT = frozenset((*_EXTENT, 0x08, 0x0A))
"""Commands whose data no rule looks at."""
_MOST_DATA, _MOST_KINDS = 512, 1024
"""Bytes of data that are compared, and kinds that are kept; more of either is judged one by one, or anew."""


class Alike:
    """One kind of exchange: a sample, how the rules judged it, how often it was judged, and ``count`` of those that
    were not judged any more."""

    __slots__ = ("count", "judged", "sample", "verdicts")

    def __init__(self, sample: Command, verdicts: Verdicts) -> None:
        self.sample, self.verdicts, self.judged, self.count = sample, verdicts, 1, 0


class Likeness:
    """The kinds of exchanges of one device. ``calm``: nothing happened since the last one. ``context`` is what else
    about the device commands are judged by."""

    def __init__(self) -> None:
        self.calm = False
        self.context: Key = ()
        self._kinds: dict[Key, Alike] = {}
        self._numbers: dict[Key, int] = {}
        self._last = self._tag = -1
        self._before: dict[int, int] = {}
        self._version: dict[int, int] = {}
        self._extent: dict[int, tuple[int, int]] = {}

    def ordinary(self, exchange: Exchange) -> Command | None:
        """The sample of a READ or WRITE that is one more of its kind, counted; None for any other."""
        if not self.calm or exchange.status is not PASSED:
            return None
        own = self._ordinary(exchange)
        number = self._numbers.get(own) if own is not None else None
        return self.seen(self._key(number, exchange, ()), exchange) if number is not None else None

    def key(self, exchange: Exchange, read: Read, steps: list[str] | None) -> Key | None:
        """What an exchange is compared by; None where it is to be judged by itself."""
        own = None if steps is None else self._ordinary(exchange) or _own(exchange, read)
        if own is None or steps is None:
            return None
        if len(self._numbers) > _MOST_KINDS:
            self.settle()
        number = self._numbers.setdefault(own, len(self._numbers))
        return self._key(number, exchange, tuple(steps))

    def _key(self, number: int, exchange: Exchange, steps: tuple[str, ...]) -> Key:
        lun = exchange.lun
        return (number, self._last, self._before.get(lun, -1), self._version.get(lun, 0), exchange.tag == self._tag,
                steps, self.context)  # fmt: skip

    def _ordinary(self, exchange: Exchange) -> Key | None:
        """What a READ or WRITE is compared by that passed with all its data, its blocks left out; None for others."""
        cdb = exchange.cdb
        places = _EXTENT.get(cdb[0]) if cdb else None
        if places is None or exchange.status is not PASSED or exchange.residue or exchange.stalled:
            return None
        first, behind, count_at, count_end = places
        block, blocks = self._extent.get(exchange.lun, (0, 0))
        count = int.from_bytes(cdb[count_at:count_end], "big")
        if not count or not count * block == exchange.expected == exchange.moved:
            return None
        if int.from_bytes(cdb[first:behind], "big") + count > blocks or len(cdb) < count_end:
            return None
        return (exchange.lun, cdb[:first], cdb[behind:count_at], cdb[count_end:], exchange.remarks, exchange.truncated,
                exchange.not_printed)  # fmt: skip

    def seen(self, key: Key | None, exchange: Exchange) -> Command | None:
        """The sample of an exchange that is one more of its kind, counted; None for one to be judged: until all places
        that are kept are there."""
        found = self._kinds.get(key) if key is not None else None
        if found is None or found.judged < PLACES:
            return None
        found.count += 1
        self._went(exchange, key)
        return found.sample

    def judged(self, key: Key | None, command: Command, verdicts: Verdicts, changed: bool) -> None:
        """Take in how an exchange was judged; ``changed``: it taught something about its unit."""
        lun = command.exchange.lun
        if changed:
            facts = vars(command.unit)
            self._extent[lun] = facts.get("block", 0), facts.get("last_lba", -1) + 1
            self._version[lun] = self._version.get(lun, 0) + 1
        elif key is not None:
            found = self._kinds.get(key)
            if found is not None and found.verdicts == verdicts:
                found.judged += 1
            elif found is None:
                self._kinds[key] = Alike(command, verdicts)
        self._went(command.exchange, key)

    def _went(self, exchange: Exchange, key: Key | None) -> None:
        self._last = self._before[exchange.lun] = key[0] if key is not None else -1
        if key is None:
            self._version[exchange.lun] = self._version.get(exchange.lun, 0) + 1  # what follows it is like nothing else
        self._tag, self.calm = exchange.tag, True

    def lose(self) -> None:
        """What went before is not known any more."""
        self.calm = False
        self._last = -1
        self._before.clear()

    def settle(self) -> None:
        """Count what was not judged one by one, and begin anew."""
        for found in self._kinds.values():
            for count, kept in found.verdicts:
                count.more(kept, found.count)
        self._kinds.clear()
        self._numbers.clear()
        self._last = -2
        self._before = dict.fromkeys(self._before, -2)


def _own(exchange: Exchange, read: Read) -> Key | None:
    """Everything of an exchange itself that a rule may look at, but for the tag; None where that is much data."""
    cdb, data = exchange.cdb, b""
    if exchange.pieces and cdb and cdb[0] not in _CONTENT:
        if exchange.moved > _MOST_DATA:
            return None
        data = b"".join(map(read, exchange.pieces))
    command, status = read(exchange.command_at), read(exchange.status_at)
    if exchange.transport is Transport.BOT:
        command, status = command[12:], status[:4] + status[8:]
    elif exchange.transport is Transport.UAS:
        command, status = command[:2] + command[4:], status[:2] + status[4:]
    sense = exchange.sense
    return (
        exchange.lun, command, cdb, exchange.expected, exchange.moved, status, exchange.status, exchange.stalled,
        exchange.remarks, data, sense and (sense[:3], read(sense.at)), exchange.not_printed, exchange.truncated,
        exchange.command_at[1:], exchange.status_at[1:],
    )  # fmt: skip
