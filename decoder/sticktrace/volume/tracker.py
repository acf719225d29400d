"""Everything that commands did to media, from a stream of exchanges in time order.

    tracker = VolumeTracker(reading.read)
    for item in reading:
        if isinstance(item, Exchange):
            print(item.number, tracker.feed(item))
    for volume in tracker.volumes():
        ...

Media are kept apart by logical unit, and the caller says which unit an exchange went to. A unit gets a new medium when
its sense data say that the medium changed or is gone (6/28, 2/3A), when READ CAPACITY reports another size, or when it
is formatted.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING

from sticktrace.sticks.sticks import Sticks
from sticktrace.sticks.unit import Unit
from sticktrace.storage.commands import lba_and_blocks
from sticktrace.storage.words import Capacity
from sticktrace.transport.items import PASSED, Exchange
from sticktrace.volume.changes import Change
from sticktrace.volume.division import Volume
from sticktrace.volume.extent_log import Read
from sticktrace.volume.findings import Fact, facts
from sticktrace.volume.medium import Medium
from sticktrace.volume.outcome import refused

if TYPE_CHECKING:
    pass

READS = frozenset({0x08, 0x28, 0xA8, 0x88})
"""READ (6), (10), (12), (16)."""
WRITES = frozenset({0x0A, 0x2A, 0xAA, 0x8A, 0x2E, 0xAE, 0x8E})
"""WRITE (6), (10), (12), (16) and WRITE AND VERIFY (10), (12), (16)."""
_OTHER_MEDIUM = frozenset({(0x6, 0x28), (0x2, 0x3A)})
"""Sense key and additional sense code: not ready to ready change, medium may have changed; medium not present."""
_WRITE_SAME, _UNMAP = frozenset({0x41, 0x93}), 0x42
_UNSHOWN = _WRITE_SAME | {_UNMAP}
_MADE_ANEW = frozenset({0x04, 0x48})
"""FORMAT UNIT, SANITIZE."""
_CAPACITY_10, _SERVICE_IN_16, _SYNCHRONIZE = 0x25, 0x9E, frozenset({0x35, 0x91})
_OTHERS = _MADE_ANEW | _SYNCHRONIZE | {_CAPACITY_10, _SERVICE_IN_16}


class VolumeTracker:
    """Follows every medium of a capture. ``read`` gives payload; ``unit_of`` is called with each exchange in time order
    and gives the logical unit that it went to, by default that of its device and LUN. ``media`` holds all media in
    order of appearance."""

    def __init__(self, read: Read, unit_of: Callable[[Exchange], Unit] | None = None, *, labels: bool = True) -> None:
        self._labels = labels
        self._read = read
        self._unit_of: Callable[[Exchange], Unit] = unit_of if unit_of is not None else Sticks(read).unit_of
        self._of: dict[Unit, list[Medium]] = {}
        self._changed: set[Unit] = set()
        self.media: list[Medium] = []

    def feed(self, exchange: Exchange) -> str:
        """Takes the next exchange; returns what its blocks are for, or "" for a command without any."""
        opcode, unit = exchange.opcode, self._unit_of(exchange)
        if exchange.sense is not None and self._gone(exchange, unit):
            return self._in_vain(exchange, unit)
        write = opcode in WRITES
        if write or opcode in READS:
            lba, blocks = lba_and_blocks(exchange.cdb)
            if lba is None or not blocks:
                return ""
            return self._medium(exchange, unit).take(exchange, lba, blocks, write, labelled=self._labels)
        if opcode in _OTHERS and exchange.status == PASSED:
            self._other(exchange, opcode, unit)
        elif opcode in _UNSHOWN and not refused(exchange):
            self._changed_unshown(exchange, opcode, unit)
        return ""

    def of(self, unit: Unit) -> list[Medium]:
        """The media that a unit had, in order of time."""
        return self._of.get(unit, [])

    def medium_of(self, exchange: Exchange) -> Medium | None:
        """The medium that is now in the unit of the exchange fed last, if any of its blocks have been seen."""
        return self._now(self._unit_of(exchange))

    def _now(self, unit: Unit) -> Medium | None:
        media = self._of.get(unit)
        return media[-1] if media else None

    def _medium(self, exchange: Exchange, unit: Unit) -> Medium:
        medium = self._now(unit)
        if medium is None or (unit in self._changed and len(medium.store)):
            media = self._of.setdefault(unit, [])
            medium = Medium(unit, len(media) + 1, exchange, self._read)
            media.append(medium)
            self.media.append(medium)
        self._changed.discard(unit)
        return medium

    def _gone(self, exchange: Exchange, unit: Unit) -> bool:
        """Whether the sense data say that the medium is gone or may be another; takes note of it."""
        sense, medium = exchange.sense, self._now(unit)
        if sense is None or (sense.key, sense.asc) not in _OTHER_MEDIUM:
            return False
        if medium is not None and len(medium.store):
            self._changed.add(unit)
            medium.gone_at = medium.gone_at or exchange.number
        return True

    def _in_vain(self, exchange: Exchange, unit: Unit) -> str:
        """A command that found no medium, or was not carried out because it may be another: if it named blocks, they
        were those of the medium that had been there."""
        medium, (lba, blocks) = self._now(unit), lba_and_blocks(exchange.cdb)
        if medium is None or lba is None or not blocks or exchange.opcode not in READS | WRITES:
            return ""
        return medium.take(exchange, lba, blocks, exchange.opcode in WRITES)

    def _other(self, exchange: Exchange, opcode: int, unit: Unit) -> None:
        if opcode in _SYNCHRONIZE:
            medium = self._now(unit)
            if medium is not None:
                medium.flushes.append(exchange.number)
        elif opcode in _MADE_ANEW:
            self._changed.add(unit)
        elif opcode == _CAPACITY_10 or (len(exchange.cdb) > 1 and exchange.cdb[1] & 0x1F == 0x10):
            self._capacity(exchange, opcode == _SERVICE_IN_16, unit)

    def _changed_unshown(self, exchange: Exchange, opcode: int, unit: Unit) -> None:
        """UNMAP and WRITE SAME change blocks in a way that their data does not show, or may have done so in part where
        they did not pass."""
        if opcode == _UNMAP:
            ranges = self._unmapped(exchange)
        else:
            lba, blocks = lba_and_blocks(exchange.cdb)
            ranges = [] if lba is None or blocks is None else [(lba, blocks)]
        if ranges:
            store, passed = self._medium(exchange, unit).store, exchange.status == PASSED
            for lba, blocks in ranges:
                store.forget(lba, blocks or store.rest_from(lba), exchange.number, passed=passed)

    def _payload(self, exchange: Exchange, most: int) -> bytes:
        return b"".join(self._read(piece) for piece in exchange.pieces[:64])[:most]

    def _capacity(self, exchange: Exchange, long: bool, unit: Unit) -> None:
        data = self._payload(exchange, 32)
        found = Capacity.from_data(data, long)
        if found is None or found.beyond or not 128 <= found.block_length <= 1 << 16:
            return
        medium = self._medium(exchange, unit)
        store = medium.store
        before = store.last_lba
        other_length = store.block_length not in (0, found.block_length)
        if len(store) and (other_length or before not in (None, found.last_lba)):
            self._changed.add(unit)
            medium = self._medium(exchange, unit)
        medium.resize(found.last_lba, found.block_length, exchange.number)
        if long and len(data) >= 16:
            # SBC-3 5.16.2: exponent of logical blocks in a physical block, lowest aligned logical block address.
            medium.physical = 1 << (data[13] & 15), int.from_bytes(data[14:16], "big") & 0x3FFF

    def _unmapped(self, exchange: Exchange) -> list[tuple[int, int]]:
        """The ranges that UNMAP gives back (SBC-3 5.28: 8 bytes of header, 16 for each range). On a CD unit the opcode
        is READ SUB-CHANNEL, which reads."""
        data = self._payload(exchange, 65536) if exchange.direction == "out" else b""
        return [struct.unpack_from(">QI", data, at) for at in range(8, len(data) - 15, 16)]

    def volumes(self) -> list[Volume]:
        """Every volume of every medium, as of the last exchange taken."""
        return [volume for medium in self.media for volume in medium.volumes]

    def findings(self) -> list[Fact]:
        """What is wrong with media, tables and volumes, as of the last exchange taken."""
        return [fact for medium in self.media for fact in facts(medium)]

    def changes(self) -> list[Change]:
        """The file operations seen, medium by medium in order of time."""
        return [change for medium in self.media for change in medium.journal.story()]
